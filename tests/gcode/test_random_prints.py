"""Prints put together by chance from what misleads a counter of layers; each knows its own truth."""

import random
from dataclasses import dataclass, field

import pytest

from lapsed.gcode.reading import read


@dataclass
class Writer:
    """Writes moves in one of the four pairs of modes."""

    relative_moves: bool
    relative_extrusion: bool
    lines: list[str] = field(default_factory=list)
    place: list[float] = field(default_factory=lambda: [0.0, 0.0, 0.0])
    fed: float = 0.0

    def __post_init__(self) -> None:
        modes = ["G91" if self.relative_moves else "G90", "M83" if self.relative_extrusion else "M82"]
        self.lines += ["G28", "G92 E0", "G1 F3000", *modes]

    def move(
        self, x: float | None = None, y: float | None = None, z: float | None = None, e: float | None = None
    ) -> None:
        words = []
        for i, (letter, to) in enumerate(zip("XYZ", (x, y, z), strict=True)):
            if to is not None:
                words.append(f"{letter}{to - self.place[i] if self.relative_moves else to:.3f}")
                self.place[i] = round(to, 3)
        if e is not None:
            self.fed += e
            words.append(f"E{e if self.relative_extrusion else self.fed:.5f}")
        self.lines.append(("G0 " if e is None else "G1 ") + " ".join(words))

    def square(self, x: float, y: float, size: float) -> None:
        for to in ((x + size, y), (x + size, y + size), (x, y + size), (x, y)):
            self.move(*to, e=0.04 * size)


def purge(out: Writer, chance: random.Random, first: float) -> None:
    kind = chance.choice(["none", "line", "two lines", "in the air", "low", "zigzag"])
    if kind == "none":
        return
    z = {"in the air": chance.uniform(1, 20), "low": first - 0.08}.get(kind, 0.28)
    out.move(2, 10, z + 2)
    out.move(z=z)
    if kind == "zigzag":
        for i in range(chance.randint(3, 20)):
            out.move(2 + i * 0.4, 10 if i % 2 else 60, e=2)
            out.move(2.4 + i * 0.4, 10 if i % 2 else 60, e=0.02)
    else:
        out.move(2, chance.uniform(60, 180), e=9)
        if kind == "two lines":
            out.move(2.4)
            out.move(2.4, 10, e=9)
    out.move(e=-1)
    out.move(z=z + 2)
    out.move(e=1)


@dataclass(frozen=True)
class Habits:
    """What a slicer does at every turn."""

    hop: float
    hops_to_layers: bool
    support: float | None
    tower: str | None
    wipe: bool
    draw: float


Part = tuple[float, float, float, float]


def layer(out: Writer, chance: random.Random, habits: Habits, rung: tuple[float, float], parts: list[Part]) -> None:
    height, step = rung
    for x, y, size, off in parts:
        if habits.draw and habits.wipe:
            out.move(out.place[0] + 0.5, out.place[1], e=-habits.draw / 2)
            out.move(out.place[0] - 0.5, out.place[1], e=-habits.draw / 2)
        elif habits.draw:
            out.move(e=-habits.draw)
        if habits.hop:
            out.move(z=height + (step * chance.randint(1, 3) if habits.hops_to_layers else habits.hop))
        out.move(x, y)
        out.move(z=height + off)
        if habits.draw:
            out.move(e=habits.draw)
        out.square(x, y, size)


def printed(seed: int) -> tuple[str, list[float]]:
    chance = random.Random(seed)
    out = Writer(chance.random() < 0.2, chance.random() < 0.5)
    first = chance.choice([0.2, 0.25, 0.3, 0.35])
    purge(out, chance, first)
    objects = chance.choice([1, 1, 1, 2, 3])
    habits = Habits(
        hop=chance.choice([0.0, 0.2, 0.4, 0.6]),
        hops_to_layers=chance.random() < 0.3,
        support=chance.choice([None, None, 0.003, -0.003, 0.012]),
        tower=chance.choice([None, None, "level", "lagging"]) if objects == 1 else None,
        wipe=chance.random() < 0.3,
        draw=chance.choice([0.0, 0.8, 4.0]),
    )
    variable = chance.random() < 0.3
    truth: list[float] = []
    for number in range(objects):
        x, height, tower, step = 20.0 + number * 65, 0.0, 0.0, chance.choice([0.1, 0.15, 0.2, 0.3])
        for i in range(chance.randint(10 if habits.tower else 3, 40)):
            rise = first if i == 0 else round(chance.uniform(0.06, 0.32), 2) if variable else step
            height = round(height + rise, 3)
            truth.append(height)
            parts = [(x, 30.0, float(chance.choice([3, 10, 25])), 0.0)]
            if i == 0 and chance.random() < 0.6:
                parts.insert(0, (x - 6, 24.0, 50.0, 0.0))
            if habits.tower == "level":
                parts.insert(0, (150.0, 150.0, 8.0, 0.0))
            if habits.support is not None:
                parts.append((x + 30, 30.0, 6.0, habits.support))
            layer(out, chance, habits, (height, step), parts)
            if habits.tower == "lagging" and i % 4 == 3:
                tower = round(tower + (step if tower else first), 3)
                if tower < height - 0.03:
                    out.move(150, 150)
                    out.move(z=tower)
                    out.square(150, 150, 8)
                    out.move(z=height + 1)
        out.move(z=height + 5)
    out.move(e=-2)
    out.move(0, 200)
    text = "\n".join(out.lines) + "\n"
    return text.replace("\n", chance.choice(["\n", "\r\n", " ; Z0.1 E5 layer\n"])), truth


@pytest.mark.parametrize("seed", range(40))
def test_layers_of_chance_prints_are_counted_right(seed: int) -> None:
    text, truth = printed(seed)
    found = read([text.encode()]).heights_mm
    assert len(found) == len(truth)
    assert found == pytest.approx(truth, abs=0.02)
