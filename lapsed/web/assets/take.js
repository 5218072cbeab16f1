// One take: its frames to scrub through, its clips, and what becomes of it.
import { Again } from "./again.js";
import { act, bytes, make, picture, say, sure, when } from "./dom.js";

const MOST = 60;
const FILMS = /\.(mp4|mov|mkv|webm|webp|gif)$/;

function spread(count, most) {
  if (count <= most) return Array.from({ length: count }, (_, at) => at);
  return Array.from({ length: most }, (_, at) => Math.round((at * (count - 1)) / (most - 1)));
}

export class Take {
  constructor(take, clips, gone) {
    this.take = take;
    this.gone = gone;
    this.base = `/api/takes/${encodeURIComponent(take.name)}`;
    this.again = new Again(this.base, clips, { seen: (shot) => this.seek(shot), turned: () => this.mark() });
    this.state = make("p", { class: "state" });
    this.job = make("p", { class: "soft", role: "status" });
    this.clips = make("div");
    this.player = make("div");
    this.missed = make("details", { hidden: true });
    this.after = make("div", {}, this.job, this.again.element, this.removal());
    this.element = make("section", { class: "take", "aria-label": take.name },
      make("div", { class: "head" }, make("h2", {}, take.print_name || take.name), this.state),
      make("div", { class: "split" },
        make("div", {}, this.frames(), this.missed),
        make("div", {}, make("h3", {}, "Clips"), this.player, this.clips, this.after)));
    this.tell(take);
  }

  // To be called once the take is on the page: its strip moves to the frame.
  last() {
    if (this.take.frames.length) this.show(this.take.frames.length - 1);
  }

  // What may have changed while the page was open.
  tell(take) {
    this.take = { ...take, frames: this.take.frames };
    const { outcome, reason, began_utc, ended_utc, frames, name } = take;
    const end = outcome ? `${outcome}${reason ? ` (${reason})` : ""}, ended ${when(ended_utc)}` : "not over yet";
    say(this.state, `began ${when(began_utc)}, ${end}, ${frames.length} frames; folder ${name}`);
    this.missed.hidden = !take.missed.length;
    this.missed.replaceChildren(make("summary", {}, `${take.missed.length} missed, and why`),
      make("ul", {}, ...take.missed.map((shot) => make("li", {}, `shot ${shot.shot}: ${shot.reason}`))));
    this.clips.replaceChildren(...this.files(take.clips));
    this.again.judged(take.judged);
    this.mark();
  }

  // `now` tells whether it is filmed or stitched at this moment.
  update(now) {
    const { name } = this.take;
    const filmed = now.printers.some((printer) => printer.take && printer.take.name === name);
    const stitched = now.stitch.take === name;
    this.again.element.hidden = this.removing.hidden = filmed;
    say(this.job, filmed ? "Still being filmed: it can be stitched and deleted once it is over."
      : !stitched ? "" : now.stitch.stands_still ? "Its stitching stands still while a printer prints." : "Being stitched.");
    const ended = this.stitched && !stitched;
    this.stitched = stitched;
    return ended;
  }

  path(frame, width) {
    return `${this.base}/frames/${encodeURIComponent(this.take.cameras[0])}/${frame.shot}?width=${width}`;
  }

  frames() {
    const { frames } = this.take;
    if (!frames.length) return make("p", {}, "No frame has landed in this take.");
    this.large = make("img", { alt: "" });
    this.caption = make("figcaption");
    this.slider = make("input", { type: "range", min: 0, max: frames.length - 1, "aria-label": "scrub through the frames",
      oninput: () => this.show(Number(this.slider.value)) });
    this.drop = make("button", { class: "plain", onclick: () => this.again.turn(frames[this.at].shot) });
    const thumb = (at) => make("button", { "data-at": at, "aria-label": `shot ${frames[at].shot}`, onclick: () => this.show(at) },
      make("img", { src: this.path(frames[at], 160), alt: "", loading: "lazy" }));
    this.strip = make("div", { class: "strip", role: "group", "aria-label": "frames" }, ...spread(frames.length, MOST).map(thumb));
    return make("figure", {}, this.large, this.slider, this.caption, this.strip, make("div", { class: "row" }, this.drop));
  }

  seek(shot) {
    const at = this.take.frames.findIndex((frame) => frame.shot === shot);
    if (at < 0) return;
    this.show(at);
    this.large.scrollIntoView({ block: "nearest" });
  }

  mark() {
    if (!this.large || this.at === undefined) return;
    const { shot } = this.take.frames[this.at];
    say(this.drop, this.again.leavesOut(shot) ? `Show shot ${shot} again` : `Leave shot ${shot} out`);
  }

  show(at) {
    const frame = this.take.frames[at];
    this.at = at;
    const height = frame.height_mm === null ? "" : `, ${frame.height_mm.toFixed(2)} mm`;
    const text = `shot ${frame.shot}${frame.layer === null ? "" : `, layer ${frame.layer}`}${height}, ${when(frame.utc)}`;
    say(this.caption, text);
    this.large.alt = `shot ${frame.shot}`;
    this.slider.value = at;
    this.slider.setAttribute("aria-valuetext", text);
    this.follow(at);
    this.mark();
    this.load();
  }

  // The thumb nearest to the frame is marked, and the strip, not the page, moves to it.
  follow(at) {
    const off = (button) => Math.abs(Number(button.dataset.at) - at);
    const nearest = [...this.strip.children].reduce((best, button) => (off(button) < off(best) ? button : best));
    for (const button of this.strip.querySelectorAll("[aria-current]")) button.removeAttribute("aria-current");
    nearest.setAttribute("aria-current", "true");
    this.strip.scrollLeft = nearest.offsetLeft - (this.strip.clientWidth - nearest.offsetWidth) / 2;
    const thumb = nearest.firstChild;
    if (thumb.complete && thumb.naturalWidth && !this.large.src) this.large.src = thumb.src;
  }

  // Scrubbing passes over frames faster than they are reduced: one at a time is asked for, then the latest.
  async load() {
    if (this.loading) return;
    this.loading = true;
    let shown;
    while (shown !== this.at) {
      shown = this.at;
      await picture(this.large, this.path(this.take.frames[shown], 1280));
    }
    this.loading = false;
  }

  files(clips) {
    if (!clips.length) return [make("p", { class: "soft" }, "None yet.")];
    const file = (clip) => {
      const path = `${this.base}/clips/${encodeURIComponent(clip.name)}`;
      const play = () => this.player.replaceChildren(
        make("video", { src: path, controls: true, autoplay: true, muted: true, playsinline: true, "aria-label": clip.name }));
      return make("li", {},
        make("a", { class: "button", href: `${path}?download=1`, download: true }, `${clip.name}, ${bytes(clip.size_bytes)}`),
        /\.mp4$/.test(clip.name) ? make("button", { class: "plain", onclick: play }, `Play ${clip.name}`) : null);
    };
    const list = (some) => make("ul", { class: "files" }, ...some.map(file));
    const films = clips.filter((clip) => FILMS.test(clip.name)), others = clips.filter((clip) => !FILMS.test(clip.name));
    return [list(films), others.length
      ? make("details", {}, make("summary", {}, "Edit lists, contact sheet and what was judged"), list(others)) : null].filter(Boolean);
  }

  removal() {
    const button = make("button", { class: "grave", onclick: async () => {
      const { name, frames } = this.take;
      if (!(await sure(`Delete ${name} with its ${frames.length} frames and all its clips? They can't be had back.`, "Delete it"))) return;
      if (await act(button, `${this.base}/delete`, { confirm: name })) this.gone();
    } }, "Delete this take");
    this.removing = make("div", { class: "row" }, button);
    return this.removing;
  }
}
