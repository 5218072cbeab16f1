// After a print: takes, their frames and their clips.
import { act, ask, bytes, make, picture, say, sure, when } from "./dom.js";

const MOST = 60;

function spread(list, most) {
  if (list.length <= most) return list;
  return Array.from({ length: most }, (_, at) => list[Math.round((at * (list.length - 1)) / (most - 1))]);
}

class Take {
  constructor(take, clips, reopen) {
    this.take = take;
    this.reopen = reopen;
    this.base = `/api/takes/${encodeURIComponent(take.name)}`;
    this.shown = spread(take.frames, MOST);
    this.large = make("img", { alt: "" });
    this.caption = make("figcaption");
    this.slider = make("input", { type: "range", min: 0, max: Math.max(0, this.shown.length - 1), value: Math.max(0, this.shown.length - 1),
      "aria-label": "scrub through the frames", oninput: () => this.show(Number(this.slider.value)) });
    this.strip = make("div", { class: "strip", role: "group", "aria-label": "frames" }, ...this.shown.map((frame, at) =>
      make("button", { "aria-label": `shot ${frame.shot}`, onclick: () => this.show(at) },
        make("img", { src: this.path(frame, 160), alt: "", loading: "lazy" }))));
    this.wishes = [...new Set(clips.map((clip) => clip.name))];
    const missed = take.missed.length
      ? make("details", {}, make("summary", {}, `${take.missed.length} missed, and why`),
        make("ul", {}, ...take.missed.map((shot) => make("li", {}, `shot ${shot.shot}: ${shot.reason}`))))
      : null;
    this.element = make("section", { class: "take", "aria-label": take.name },
      make("div", { class: "head" }, make("h2", {}, take.name), make("p", { class: "state" }, this.line())),
      this.shown.length
        ? make("figure", {}, this.large, this.slider, this.caption, this.strip)
        : make("p", {}, "No frame has landed in this take."),
      missed, this.files(), this.again(), this.remove());
    if (this.shown.length) this.show(this.shown.length - 1);
  }

  line() {
    const { outcome, reason, began_utc, ended_utc } = this.take;
    const end = outcome ? `${outcome}${reason ? ` (${reason})` : ""}, ended ${when(ended_utc)}` : "still being filmed";
    return `${this.take.print_name}, began ${when(began_utc)}, ${end}, ${this.take.frames.length} frames`;
  }

  path(frame, width) {
    return `${this.base}/frames/${encodeURIComponent(this.take.cameras[0])}/${frame.shot}?width=${width}`;
  }

  show(at) {
    const frame = this.shown[at];
    const height = frame.height_mm === null ? "" : `, ${frame.height_mm.toFixed(2)} mm`;
    say(this.caption, `shot ${frame.shot}${frame.layer === null ? "" : `, layer ${frame.layer}`}${height}, ${when(frame.utc)}`);
    this.large.alt = `shot ${frame.shot}`;
    this.slider.value = at;
    [...this.strip.children].forEach((button, other) => other === at ? button.setAttribute("aria-current", "true") : button.removeAttribute("aria-current"));
    picture(this.large, this.path(frame, 1024));
  }

  files() {
    const box = make("div", {}, make("h3", {}, "Clips"));
    if (!this.take.clips.length) return (box.append(make("p", { class: "soft" }, "None yet.")), box);
    const stage = make("div");
    const file = (clip) => {
      const path = `${this.base}/clips/${encodeURIComponent(clip.name)}`;
      const plays = /\.mp4$/.test(clip.name);
      return make("li", { class: "row" },
        make("a", { class: "button", href: `${path}?download=1`, download: true }, `${clip.name}, ${bytes(clip.size_bytes)}`),
        plays ? make("button", { class: "plain", onclick: () => stage.replaceChildren(make("video", { src: path, controls: true, autoplay: true, muted: true, "aria-label": clip.name })) }, `Play ${clip.name}`) : null);
    };
    box.append(make("ul", { class: "plain" }, ...this.take.clips.map(file)), stage);
    return box;
  }

  again() {
    const field = (label, input) => make("label", {}, `${label} `, input);
    const clip = make("select", {}, make("option", { value: "" }, "all of them"), ...this.wishes.map((name) => make("option", {}, name)));
    const length = make("input", { type: "number", min: 0.1, max: 3600, step: 0.1, size: 6, placeholder: "as configured" });
    const rate = make("select", {}, make("option", { value: "" }, "as configured"),
      ...["23.976", "24", "25", "29.97", "30", "50", "59.94", "60"].map((text) => make("option", {}, text)));
    const codec = make("select", {}, make("option", { value: "" }, "as configured"),
      ...["h264", "h265", "av1", "prores", "dnxhr", "preview"].map((text) => make("option", {}, text)));
    const size = make("input", { type: "text", size: 9, placeholder: "as configured", pattern: "[0-9]{2,5}x[0-9]{2,5}" });
    const button = make("button", { onclick: async () => {
      if (!size.reportValidity()) return;
      const wish = { clips: clip.value ? [clip.value] : [] };
      if (length.value) wish.length_s = Number(length.value);
      if (rate.value) wish.rate = rate.value;
      if (codec.value) wish.codec = codec.value;
      if (size.value) wish.size = size.value;
      await act(button, `${this.base}/stitch`, wish);
    } }, "Stitch again");
    return make("div", {}, make("h3", {}, "Stitch again"),
      make("div", { class: "row" }, field("Clip", clip), field("Length, s", length), field("Rate", rate), field("Size", size), field("Codec", codec), button));
  }

  remove() {
    const button = make("button", { class: "grave", onclick: async () => {
      const { name, frames } = this.take;
      if (!(await sure(`Delete ${name} with its ${frames.length} frames and all its clips? They can't be had back.`, "Delete it"))) return;
      if (await act(button, `${this.base}/delete`, { confirm: name })) location.hash = "#after";
      this.reopen();
    } }, "Delete this take");
    return make("div", { class: "row" }, button);
  }
}

export class After {
  constructor() {
    this.list = make("ul", { class: "takes" });
    this.place = make("div");
    this.element = make("div", {}, make("h1", {}, "After a print"), this.list, this.place);
  }

  async open(name) {
    const [{ takes }, { clips }] = await Promise.all([ask("/api/takes"), ask("/api/clips")]);
    const line = (take) => make("li", {},
      make("a", { href: `#after/${encodeURIComponent(take.name)}`, "aria-current": take.name === name ? "true" : null },
        make("b", {}, take.print_name || take.name),
        make("span", {}, take.problem || `${when(take.began_utc)}; ${take.outcome || "open"}, ${take.landed} landed, ${take.missed} missed`)));
    this.list.replaceChildren(...takes.map(line));
    if (!takes.length) this.place.replaceChildren(make("p", {}, "No takes yet: the first print makes one."));
    else if (name) this.place.replaceChildren(new Take(await ask(`/api/takes/${encodeURIComponent(name)}`), clips, () => this.open()).element);
    else this.place.replaceChildren(make("p", { class: "soft" }, "Choose a take."));
  }
}
