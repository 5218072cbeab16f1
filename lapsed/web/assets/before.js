// Before a print: what is to be looked at, and a test frame with a loupe and the clips' shapes.
import { act, ask, ends, make, picture, say, word } from "./dom.js";

// All in shares of the picture; the box is kept inside it.
function place(element, x, y, wide, high) {
  const from = (centre, share) => `${100 * Math.min(Math.max(0, centre - share / 2), 1 - share)}%`;
  element.hidden = false;
  Object.assign(element.style, { left: from(x, wide), top: from(y, high), width: `${100 * wide}%`, height: `${100 * high}%` });
}

class Proof {
  constructor(printer, clips) {
    this.printer = printer;
    this.image = make("img", { alt: "test frame" });
    this.guides = clips.map((clip) => ({ clip, element: make("div", { class: "guide", hidden: true }, make("span", {}, clip.name)) }));
    this.stage = make("div", { class: "stage", hidden: true }, this.image, ...this.guides.map((guide) => guide.element));
    this.loupe = make("img", { alt: "piece of the test frame at full size", hidden: true });
    this.spot = make("div", { class: "spot", hidden: true });
    this.stage.append(this.spot);
    this.text = make("p", { class: "soft" }, "A test frame shows focus and framing. It needs a camera that is ready and no print under way.");
    this.across = make("input", { type: "range", min: 0, max: 100, value: 50, "aria-label": "loupe, left to right", onchange: () => this.look() });
    this.down = make("input", { type: "range", min: 0, max: 100, value: 50, "aria-label": "loupe, top to bottom", onchange: () => this.look() });
    this.sliders = make("div", { class: "sliders", hidden: true }, make("span", { "aria-hidden": "true" }, "across"), this.across,
      make("span", { "aria-hidden": "true" }, "down"), this.down);
    this.closer = make("div", { class: "closer" }, make("div", { class: "lens" }, this.loupe), this.sliders);
    this.camera = make("select", { "aria-label": "camera" }, ...printer.cameras.map((camera) => make("option", {}, camera.name)));
    this.shape = make("select", { "aria-label": "guides for the clip", onchange: () => this.guide() },
      make("option", { value: "" }, "no guides"), ...clips.map((clip) => make("option", {}, clip.name)));
    this.button = make("button", { onclick: () => this.shoot() }, "Take a test frame");
    this.image.addEventListener("click", (event) => this.point(event));
    this.table = make("div", { class: "wide", tabindex: 0, role: "region", "aria-label": `${printer.name} looked over` });
    this.check = make("button", { class: "plain", onclick: () => this.look_over() }, "Look everything over");
    this.element = make("section", { class: "check", "aria-label": printer.name },
      make("div", { class: "head" }, make("h2", {}, printer.name)),
      make("div", { class: "row" }, this.camera, this.button, this.shape, this.check),
      this.table,
      this.text,
      make("div", { class: "split" }, this.stage, this.closer));
  }

  async look_over() {
    const told = await act(this.check, `/api/printers/${encodeURIComponent(this.printer.name)}/check`, {});
    if (!told) return;
    const head = make("tr", {}, ...["What", "Verdict", "Found", "What to do"].map((name) => make("th", { scope: "col" }, name)));
    this.table.replaceChildren(make("table", {}, make("thead", {}, head), make("tbody", {}, ...told.checks.map((check) =>
      make("tr", {}, make("th", { scope: "row" }, check.what), make("td", { class: check.verdict }, check.verdict),
        make("td", {}, check.found), make("td", {}, check.advice))))));
  }

  async shoot() {
    const done = await act(this.button, `/api/printers/${encodeURIComponent(this.printer.name)}/shoot`, { camera: this.camera.value });
    if (!done || !done.frame) return;
    this.path = `/api/test-frames/${encodeURIComponent(done.frame)}`;
    const found = await picture(this.image, `${this.path}?width=1280`);
    if (!found) return word("the test frame can't be shown");
    this.size = found;
    this.stage.hidden = this.loupe.hidden = this.sliders.hidden = false;
    say(this.text, `${found.width} x ${found.height}; ${ends(found)}${this.sharper(found)}. Touch the picture, or move the sliders, to look closer: the piece is shown pixel by pixel.`);
    this.guide();
    return this.look();
  }

  // Sharpness tells something only beside that of another picture of the same view.
  sharper({ sharpness }) {
    const before = this.before;
    this.before = { camera: this.camera.value, sharpness };
    if (!before || before.camera !== this.camera.value || !before.sharpness) return "";
    return `; ${Math.round((100 * sharpness) / before.sharpness)} % of the sharpness of the test frame before`;
  }

  point(event) {
    const box = this.image.getBoundingClientRect();
    this.across.value = (100 * (event.clientX - box.left)) / box.width;
    this.down.value = (100 * (event.clientY - box.top)) / box.height;
    this.look();
  }

  // One pixel of the frame on one of the screen.
  async look() {
    const at = (slider) => (Number(slider.value) / 100).toFixed(3);
    const side = Math.min(Math.max(Math.floor(this.closer.clientWidth * devicePixelRatio), 64), 1024, this.size.width, this.size.height);
    this.loupe.style.width = `${side / devicePixelRatio}px`;
    place(this.spot, this.across.value / 100, this.down.value / 100, side / this.size.width, side / this.size.height);
    await picture(this.loupe, `${this.path}?x=${at(this.across)}&y=${at(this.down)}&side=${side}`);
  }

  guide() {
    for (const { clip, element } of this.guides) {
      element.hidden = clip.name !== this.shape.value || !this.size;
      if (element.hidden) continue;
      const { width, height } = this.size;
      const scale = Math.min(width / clip.width_px, height / clip.height_px);
      const wide = (clip.width_px * scale) / width, high = (clip.height_px * scale) / height;
      place(element, clip.focus_x, clip.focus_y, wide, high);
    }
  }
}

export class Before {
  constructor() {
    this.list = make("div");
    this.element = make("div", {}, make("h1", {}, "Before a print"), this.list);
  }

  async open(now) {
    if (!now || this.list.children.length) return;
    const { clips } = await ask("/api/clips");
    const shaped = clips.filter((clip) => clip.width_px);
    this.list.replaceChildren(...now.printers.map((printer) => new Proof(printer, shaped).element));
  }
}
