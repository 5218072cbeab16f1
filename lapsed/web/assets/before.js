// Before a print: what is to be looked at, and a test frame with a loupe and the clips' shapes.
import { act, ask, make, picture, say, word } from "./dom.js";

class Proof {
  constructor(printer, clips) {
    this.printer = printer;
    this.image = make("img", { alt: "test frame" });
    this.guides = clips.map((clip) => ({ clip, element: make("div", { class: "guide", hidden: true }, make("span", {}, clip.name)) }));
    this.stage = make("div", { class: "stage", hidden: true }, this.image, ...this.guides.map((guide) => guide.element));
    this.loupe = make("img", { alt: "piece of the test frame at full size", hidden: true });
    this.text = make("p", { class: "soft" }, "A test frame shows focus and framing. It needs a camera that is ready and no print under way.");
    this.across = make("input", { type: "range", min: 0, max: 100, value: 50, "aria-label": "loupe, left to right", onchange: () => this.look() });
    this.down = make("input", { type: "range", min: 0, max: 100, value: 50, "aria-label": "loupe, top to bottom", onchange: () => this.look() });
    this.sliders = make("div", { hidden: true }, this.across, this.down);
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
      make("div", { class: "split" }, this.stage, make("div", {}, this.loupe, this.sliders)));
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
    say(this.text, `${found.width} x ${found.height}; ${(100 * found.white).toFixed(1)} % of it at white, ${(100 * found.black).toFixed(1)} % at black. Touch the picture, or move the sliders, to look closer.`);
    this.guide();
    return this.look();
  }

  point(event) {
    const box = this.image.getBoundingClientRect();
    this.across.value = (100 * (event.clientX - box.left)) / box.width;
    this.down.value = (100 * (event.clientY - box.top)) / box.height;
    this.look();
  }

  look() {
    const at = (slider) => (Number(slider.value) / 100).toFixed(3);
    return picture(this.loupe, `${this.path}?x=${at(this.across)}&y=${at(this.down)}&side=640`);
  }

  guide() {
    for (const { clip, element } of this.guides) {
      element.hidden = clip.name !== this.shape.value || !this.size;
      if (element.hidden) continue;
      const { width, height } = this.size;
      const scale = Math.min(width / clip.width_px, height / clip.height_px);
      const wide = (clip.width_px * scale) / width, high = (clip.height_px * scale) / height;
      const from = (focus, share) => Math.min(Math.max(0, focus - share / 2), 1 - share);
      element.style.left = `${100 * from(clip.focus_x, wide)}%`;
      element.style.top = `${100 * from(clip.focus_y, high)}%`;
      element.style.width = `${100 * wide}%`;
      element.style.height = `${100 * high}%`;
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
