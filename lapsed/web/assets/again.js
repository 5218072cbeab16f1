// How the clips of a take are to be made again, and which frames are in them.
import { act, make, word } from "./dom.js";

const RATES = ["23.976", "24", "25", "29.97", "30", "50", "59.94", "60"];
const CODECS = ["h264", "h265", "av1", "prores", "dnxhr", "preview"];

function choice(first, names) {
  return make("select", {}, make("option", { value: "" }, first), ...names.map((name) => make("option", {}, name)));
}

export class Again {
  // `seen` shows the frame of a shot, `turned` hears that a choice was made.
  constructor(base, clips, { seen, turned }) {
    this.base = base;
    this.seen = seen;
    this.turned = turned;
    this.found = new Map();
    this.wishes = new Map();
    this.clip = choice("all of them", clips.map((clip) => clip.name));
    this.length = make("input", { type: "number", min: 0.1, max: 3600, step: 0.1, placeholder: "as configured" });
    this.rate = choice("as configured", RATES);
    this.size = make("input", { type: "text", placeholder: "as configured", pattern: "[0-9]{2,5}x[0-9]{2,5}", autocapitalize: "off", title: "width x height, such as 1080x1920" });
    this.codec = choice("as configured", CODECS);
    this.list = make("ul", { class: "judged" });
    this.none = make("p", { class: "soft" });
    this.button = make("button", {}, "Stitch again");
    const field = (label, input) => make("label", {}, label, input);
    this.element = make("form", { class: "again", onsubmit: (event) => { event.preventDefault(); this.stitch(); } },
      make("h3", {}, "Stitch again"),
      make("div", { class: "fields" }, field("Clip", this.clip), field("Length, s", this.length), field("Rate", this.rate),
        field("Size, W x H", this.size), field("Codec", this.codec)),
      make("fieldset", {}, make("legend", {}, "Frames that stick out"), this.none, this.list),
      make("div", { class: "row" }, this.button));
  }

  // What the last stitching found; None where nobody has looked. Choices made since are kept.
  judged(found) {
    this.found = new Map((found || []).map((frame) => [frame.shot, frame]));
    this.looked = found !== null;
    this.draw();
  }

  leavesOut(shot) {
    const found = this.found.get(shot);
    return this.wishes.get(shot) ?? (found ? found.left_out : false);
  }

  turn(shot) {
    const found = this.found.get(shot);
    if (found && found.broken) return word(`shot ${shot} ${found.reason}: it can't be in a clip`);
    this.wish(shot, !this.leavesOut(shot));
    return this.draw();
  }

  wish(shot, out) {
    const found = this.found.get(shot);
    if (out === (found ? found.left_out : false)) this.wishes.delete(shot);
    else this.wishes.set(shot, out);
    this.turned();
  }

  draw() {
    const shots = [...new Set([...this.found.keys(), ...this.wishes.keys()])].sort((a, b) => a - b);
    this.none.textContent = shots.length
      ? "What is ticked is in none of the clips that are stitched next."
      : this.looked ? "None. A frame under the slider can be left out all the same." : "Frames are looked over when the take is stitched.";
    this.list.replaceChildren(...shots.map((shot) => this.line(shot)));
  }

  line(shot) {
    const found = this.found.get(shot);
    const box = make("input", { type: "checkbox", checked: this.leavesOut(shot), disabled: Boolean(found && found.broken),
      "aria-describedby": `judged-${shot}`, onchange: () => this.wish(shot, box.checked) });
    const why = !found || (found.by_hand && found.left_out && found.reason.endsWith("on request")) ? "chosen by hand"
      : `${found.reason}${found.by_hand ? `; ${found.left_out ? "left out" : "kept"} by hand` : found.left_out ? "" : "; proposed"}`;
    return make("li", {},
      make("label", { class: "tick" }, box, `leave out shot ${shot}`),
      make("button", { type: "button", class: "plain", "aria-label": `look at shot ${shot}`, onclick: () => this.seen(shot) }, "Look"),
      make("p", { id: `judged-${shot}`, class: "soft" }, why));
  }

  async stitch() {
    const wish = { clips: this.clip.value ? [this.clip.value] : [], keep: [], drop: [] };
    for (const shot of new Set([...this.found.keys(), ...this.wishes.keys()])) {
      const found = this.found.get(shot), out = this.leavesOut(shot);
      // What judging does by itself needs no word; a choice of before has to be said again.
      const unasked = found && !found.by_hand ? found.left_out : null;
      if (out !== unasked) (out ? wish.drop : wish.keep).push(shot);
    }
    if (this.length.value) wish.length_s = Number(this.length.value);
    if (this.rate.value) wish.rate = this.rate.value;
    if (this.codec.value) wish.codec = this.codec.value;
    if (this.size.value) wish.size = this.size.value;
    await act(this.button, `${this.base}/stitch`, wish);
  }
}
