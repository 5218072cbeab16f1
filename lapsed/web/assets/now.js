// What each printer is doing now.
import { act, ask, draw, ends, graph, make, middle, picture, say, span, sure, when } from "./dom.js";

const PHASES = {
  holding: "asking the host to hold", asking: "asking where the head is", planning: "planning the park",
  parking: "parking the head", settling: "letting it settle", exposing: "exposing", returning: "bringing the head back",
  resuming: "letting the print go on", recovering: "waiting for the host's word",
};

function figure(term) {
  const value = make("dd");
  return { term: make("dt", {}, term), value };
}

class Panel {
  constructor(name) {
    this.name = name;
    this.state = make("p", { class: "state" });
    this.print = make("p", { class: "big" });
    this.layer = make("p", {});
    this.progress = make("progress", { max: 1, "aria-label": "share of the print that is done" });
    this.image = make("img", { alt: "", hidden: true });
    this.caption = make("figcaption");
    this.histogram = graph("histogram");
    this.exposure = make("p");
    this.brightness = graph("brightness");
    this.brightnessText = make("p");
    this.sharpness = graph("sharpness");
    this.sharpnessText = make("p");
    this.trouble = make("div", { class: "trouble", hidden: true, role: "status" });
    this.rows = ["Shots", "Clip", "Time left", "Shot under way", "Cameras", "Host"].map(figure);
    [this.shots, this.clip, this.left, this.shot, this.cameras, this.link] = this.rows.map((row) => row.value);
    const base = `/api/printers/${encodeURIComponent(name)}`;
    this.shoot = make("button", { onclick: () => this.shootNow(base) });
    this.skip = make("button", { class: "plain", onclick: () => act(this.skip, `${base}/skip`, { on: !this.skipping }) });
    this.end = make("button", { class: "plain", onclick: () => this.endTake(base) }, "End the take");
    this.points = [];
    this.wait = make("div", { class: "wait" }, "The last frame stands here.");
    const graphs = [[this.histogram, this.exposure], [this.brightness, this.brightnessText], [this.sharpness, this.sharpnessText]];
    this.graphs = make("div", { class: "graphs", hidden: true }, ...graphs.map((pair) => make("div", {}, ...pair)));
    this.element = make("section", { class: "printer empty", "aria-label": name },
      make("div", { class: "head" }, make("h2", {}, name), this.state),
      make("div", { class: "split" },
        make("figure", {}, this.image, this.wait, this.caption),
        make("div", {}, this.print, this.layer, this.progress, this.trouble,
          make("dl", {}, ...this.rows.flatMap((row) => [row.term, row.value])),
          make("div", { class: "row" }, this.shoot, this.skip, this.end)),
        this.graphs));
    // Frames are fetched for panels that someone sees: there may be fifty.
    this.seen = false;
    new IntersectionObserver(([entry]) => {
      this.seen = entry.isIntersecting;
      this.follow();
    }).observe(this.element);
  }

  // Shots may come faster than frames are reduced: one at a time is fetched, then the latest.
  async follow() {
    if (this.following) return;
    this.following = true;
    const due = () => (this.seen && !document.hidden && this.filmed && this.filmed.name && this.filmed.last_frame) || null;
    for (let frame, done = null; (frame = due()) && `${frame.camera} ${frame.shot}` !== done; ) {
      done = `${frame.camera} ${frame.shot}`;
      await this.frame(this.filmed);
    }
    this.following = false;
  }

  async shootNow(base) {
    const done = await act(this.shoot, `${base}/shoot`, {});
    if (done && done.frame) this.show(`/api/test-frames/${encodeURIComponent(done.frame)}?width=1280`, "test frame");
  }

  async endTake(base) {
    if (await sure(`End the take of ${this.name}? The print goes on, and no more of it is filmed.`, "End the take"))
      act(this.end, `${base}/end-take`, {});
  }

  update(now) {
    const { print, take, shot, trouble } = now;
    this.skipping = now.skipping;
    say(this.state, stateOf(now));
    say(this.print, print ? print.name : "No print");
    say(this.layer, print ? layerOf(print) : "The next print is filmed by itself.");
    this.progress.hidden = !print || print.progress === null;
    if (print && print.progress !== null) this.progress.value = print.progress;
    for (const row of this.rows.slice(0, 4)) row.term.hidden = row.value.hidden = !take;
    if (take) {
      say(this.shots, shotsOf(take));
      say(this.clip, clipOf(take.clip));
      say(this.left, span(print.left_s));
      say(this.shot, shot ? `shot ${shot.number}: ${PHASES[shot.phase] || shot.phase}` : "none");
    }
    say(this.link, now.link_text);
    const cameras = now.cameras.map(cameraOf);
    if (cameras.map((one) => one.textContent).join("") !== this.cameras.textContent) this.cameras.replaceChildren(...cameras);
    this.trouble.hidden = !trouble && !now.stopped;
    if (now.stopped || trouble) {
      const text = now.stopped ? `No shots at present: ${now.stopped}` : trouble.text;
      const todo = trouble && trouble.text.includes(now.stopped || "") ? trouble.advice : "";
      const key = text + (trouble ? trouble.utc : "");
      if (this.trouble.dataset.text !== key) {
        this.trouble.dataset.text = key;
        this.trouble.replaceChildren(
          make("strong", {}, now.stopped ? "Stopped" : `Last trouble, ${when(trouble.utc)}`), make("div", {}, text),
          todo ? make("div", { class: "soft" }, todo) : "");
      }
    }
    say(this.shoot, take ? "Shoot now" : "Take a test frame");
    say(this.skip, now.skipping ? "Shoot again" : "Skip shots");
    this.end.hidden = !take;
    this.filmed = take;
    this.follow();
  }

  async frame(take) {
    const { camera, shot, utc } = take.last_frame;
    const path = `/api/takes/${encodeURIComponent(take.name)}/frames/${encodeURIComponent(camera)}/${shot}?width=1280`;
    const found = await this.show(path, `shot ${shot}, camera ${camera}, ${when(utc)}`);
    if (this.take !== take.name) {
      this.take = take.name;
      this.points = (await ask(`/api/takes/${encodeURIComponent(take.name)}/trend?most=40`).catch(() => ({ points: [] }))).points;
    }
    if (found && (!this.points.length || this.points.at(-1).shot < shot)) {
      this.points = [...this.points, { shot, mean: found.mean, sharpness: found.sharpness }].slice(-120);
    }
    this.trends();
  }

  async show(path, caption) {
    const found = await picture(this.image, path);
    if (!found) return null;
    this.image.hidden = this.graphs.hidden = false;
    this.element.classList.remove("empty");
    this.wait.hidden = true;
    this.image.alt = caption;
    say(this.caption, `${caption}; ${found.width} x ${found.height}`);
    draw(this.histogram, found.histogram, true, `histogram of the last frame: ${ends(found)}`);
    say(this.exposure, `Histogram: ${ends(found)}`);
    return found;
  }

  trends() {
    const told = (key) => this.points.map((point) => point[key]);
    const change = (values) => {
      const share = (value) => Math.round((100 * value) / (middle(values) || 1));
      return `${share(values.at(-1))} % of the middle frame; from ${share(Math.min(...values))} to ${share(Math.max(...values))} %`;
    };
    const few = this.points.length < 2;
    this.brightness.parentElement.hidden = this.sharpness.parentElement.hidden = few;
    if (few) return;
    draw(this.brightness, told("mean"), false, `brightness over ${this.points.length} frames`);
    say(this.brightnessText, `Brightness: ${change(told("mean"))}`);
    draw(this.sharpness, told("sharpness"), false, `sharpness over ${this.points.length} frames`);
    say(this.sharpnessText, `Sharpness: ${change(told("sharpness"))}`);
  }
}

function stateOf(now) {
  if (!now.link) return "the host is not heard";
  if (!now.print) return "waiting for a print";
  if (now.skipping) return "printing; shots are being skipped";
  return now.print.waits && !now.shot ? "the print waits" : "printing and filming";
}

function layerOf(print) {
  const layer = print.layer === null ? "layer not known" : `layer ${print.layer}${print.layers ? ` of ${print.layers}` : ""}`;
  return print.height_mm === null ? layer : `${layer}, ${print.height_mm.toFixed(2)} mm high`;
}

function shotsOf(take) {
  const parts = [`${take.landed} landed`, `${take.missed} missed`];
  if (take.on_card) parts.push(`${take.on_card} on the card`);
  if (take.to_come !== null) parts.push(`${take.to_come} to come`);
  return parts.join(", ");
}

function clipOf(clip) {
  const whole = clip.projected_s === null ? "length not known" : `will be ${clip.projected_s.toFixed(1)} s`;
  return `${whole}${clip.wished_s ? ` of the ${clip.wished_s} s wished` : ""}, at ${clip.rate} frames a second`;
}

function roomOf(disk) {
  const free = `${(disk.free_mb / 1000).toFixed(1)} GB free for takes`;
  return disk.free_mb < disk.least_free_mb ? `${free}, which is too little to shoot: delete takes, or move them away` : free;
}

function cameraOf(camera) {
  const state = camera.ready ? "" : "not ready: ";
  return make("div", {}, make("b", {}, camera.name), ` ${state}${camera.text}`);
}

export class Now {
  constructor() {
    this.panels = new Map();
    this.machine = make("p", { class: "soft" });
    this.failed = make("div", { class: "trouble", hidden: true, role: "status" });
    this.list = make("div");
    this.element = make("div", {}, make("h1", {}, "Now"), this.list, this.failed, this.machine);
    document.addEventListener("visibilitychange", () => this.panels.forEach((panel) => panel.follow()));
  }

  update(now) {
    for (const printer of now.printers) {
      if (!this.panels.has(printer.name)) {
        const panel = new Panel(printer.name);
        this.panels.set(printer.name, panel);
        this.list.append(panel.element);
      }
      this.panels.get(printer.name).update(printer);
    }
    for (const [name, panel] of this.panels) {
      if (now.printers.some((printer) => printer.name === name)) continue;
      panel.element.remove();
      this.panels.delete(name);
    }
    this.failed.hidden = !now.stitch.trouble;
    if (now.stitch.trouble) {
      const { utc, text } = now.stitch.trouble;
      if (this.failed.dataset.text !== utc + text) {
        this.failed.dataset.text = utc + text;
        this.failed.replaceChildren(make("strong", {}, `Stitching failed, ${when(utc)}`), make("div", {}, text));
      }
    }
    const disk = now.disk ? roomOf(now.disk) : "the disk can't be read: look after it";
    const stitch = now.stitch.take
      ? `stitching ${now.stitch.take}${now.stitch.stands_still ? ", standing still while a printer prints" : ""}`
      : now.stitch.waiting ? `${now.stitch.waiting} to be stitched, when no printer prints` : "nothing to stitch";
    say(this.machine, `${disk}; ${stitch}; lapsed ${now.version}, running since ${when(now.began_utc)}`);
  }
}
