// After a print: the takes, or one of them.
import { ask, make, when } from "./dom.js";
import { Take } from "./take.js";

export class After {
  constructor() {
    this.place = make("div");
    this.title = make("h1", {}, "After a print");
    this.element = make("div", {}, this.title, this.place);
    this.open_take = null;
  }

  async open(name, now) {
    if (name) return this.openTake(name, now);
    this.open_take = null;
    const { takes } = await ask("/api/takes");
    if (!takes.length) return this.place.replaceChildren(make("p", {}, "No takes yet: the first print makes one."));
    return this.place.replaceChildren(make("ul", { class: "takes" }, ...takes.map(line)));
  }

  async openTake(name, now) {
    const [take, { clips }] = await Promise.all([ask(`/api/takes/${encodeURIComponent(name)}`), ask("/api/clips")]);
    this.open_take = new Take(take, clips, () => { location.hash = "#after"; });
    this.open_take.update(now);
    this.place.replaceChildren(make("p", {}, make("a", { class: "button back", href: "#after" }, "All takes")), this.open_take.element);
    this.open_take.last();
  }

  // The stream tells when a stitching has ended, and the take has new clips.
  async update(now) {
    const open = this.open_take;
    if (!open || !open.update(now)) return;
    const take = await ask(open.base).catch(() => null);
    if (take) open.tell(take);
  }
}

function line(take) {
  const shots = `${take.cues} shots, ${take.missed ? `${take.missed} missed` : "none missed"}`;
  return make("li", {},
    make("a", { href: `#after/${encodeURIComponent(take.name)}` },
      make("b", {}, take.print_name || take.name),
      make("span", {}, take.problem || `${when(take.began_utc)}; ${take.outcome || "not over yet"}; ${shots}`)));
}
