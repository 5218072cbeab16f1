"""Marked files run through the simulated machine, and what its log shows."""

import lzma
import math
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from lapsed.gcode import plan
from lapsed.gcode.choice import Wish
from lapsed.gcode.cue import Dwell
from lapsed.gcode.dialect import Dialect
from lapsed.gcode.line import parse
from lapsed.gcode.mark import Fingerprint, inserted, marking, undone
from lapsed.gcode.reading import read
from lapsed.gcode.setup import setup_of
from lapsed.gcode.state import Segment, State, advance
from lapsed.settings import Machine, Retraction, RoundBed
from lapsed.sim.machine import FIRST_FEED_MM_MIN
from lapsed.sim.machine import Machine as SimMachine

DATA = Path(__file__).parent / "data"
CELL_MM = 1.0
BED_CELLS = 600


def text(name: str) -> bytes:
    return lzma.open(DATA / f"{name}.gcode.xz").read()


def marked(original: bytes, machine: Machine, wish: Wish) -> tuple[bytes, int]:
    """The marked file, and how many shots it has."""
    setup = setup_of(machine)
    seen = Fingerprint()
    print_ = plan.outline(read([seen.see(original)], setup))
    seeker = plan.seeker_for(print_, wish)
    stops = plan.stops_of(print_, wish, read([original], setup, seeker=seeker).between if seeker else ())
    reading = read([original], setup, wanted=[stop.place.line for stop in stops if stop.place is not None])
    made = marking(reading, stops, machine, seen.original(), dwell=Dwell(), dialect=setup.dialect)
    assert made.refused == ()
    return b"".join(inserted([original], made.insertions)), len(stops)


@dataclass
class Relief:
    """How high plastic stands in each cell of the bed, from segments that lay some; the bed's middle is the grid's."""

    top: np.ndarray = field(default_factory=lambda: np.zeros((BED_CELLS, BED_CELLS)))
    waiting: list[Segment] = field(default_factory=list)

    def cells(self, pieces: list[Segment], step: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """The cells under straight pieces, and the heights passed there, sampled every `step` mm."""
        rows = np.array([(p.start.x, p.start.y, p.start.z, p.end.x, p.end.y, p.end.z) for p in pieces])
        count = np.maximum(np.ceil(np.hypot(rows[:, 3] - rows[:, 0], rows[:, 4] - rows[:, 1]) / step), 1).astype(int)
        of = np.repeat(np.arange(len(rows)), count + 1)
        share = (np.arange(len(of)) - np.repeat(np.cumsum(count + 1) - count - 1, count + 1)) / count[of]
        place = rows[of, :3] + (rows[of, 3:] - rows[of, :3]) * share[:, None]
        cell = np.floor(place[:, :2] / CELL_MM).astype(int) + BED_CELLS // 2
        return cell[:, 0], cell[:, 1], place[:, 2]

    def settle(self) -> None:
        if self.waiting:
            x, y, z = self.cells(self.waiting, CELL_MM / 2)
            np.maximum.at(self.top, (x, y), z)
            self.waiting.clear()

    def under(self, pieces: list[Segment]) -> tuple[np.ndarray, np.ndarray]:
        """The heights of plastic under pieces, and those at which they pass."""
        self.settle()
        x, y, z = self.cells(pieces, CELL_MM / 4)
        return self.top[x, y], z


def level(piece: Segment) -> bool:
    return (piece.start.x, piece.start.y) != (piece.end.x, piece.end.y)


@dataclass
class Log:
    """What the machine did: the pieces that lay filament, our own, and where the head stood at each cue."""

    laid: list[Segment] = field(default_factory=list)
    blocks: list[list[Segment]] = field(default_factory=list)
    cues: list[tuple[float, float, float]] = field(default_factory=list)
    over_mm: list[float] = field(default_factory=list)
    seconds: float = 0.0


def run(program: bytes, machine: Machine, dialect: Dialect) -> Log:
    """Run a marked file, holding each of our moves against the relief of what is printed by then."""
    log, relief, ours = Log(), Relief(), list[Segment]()
    inside = False

    def watch(piece: Segment) -> None:
        if inside:
            ours.append(piece)
        elif level(piece) and piece.filament_mm > 0:
            log.laid.append(piece)
            relief.waiting.append(piece)

    sim = SimMachine(dialect=dialect, watch=watch)
    for raw in program.splitlines():
        line = raw.decode()
        if line.startswith(";lapsed begin") and "header" not in line:
            inside = True
        elif line.startswith(";lapsed end") and "header" not in line:
            inside = False
            travel = [piece for piece in ours if level(piece)]
            below, at = relief.under(travel)
            assert (at >= below + machine.clearance_mm - 1e-6).all(), "a printed thing is crossed too low"
            log.over_mm.append(float((below > 0.5).sum()) * CELL_MM / 4)
            log.blocks.append(list(ours))
            ours.clear()
        for said in sim.execute(line):
            if said.startswith("lapsed cue"):
                place, _ = sim.head(sim.now_s)
                log.cues.append(place)
    sim.finish()
    log.seconds = sim.now_s
    return log


def laid_by(program: bytes, dialect: Dialect | None = None) -> list[Segment]:
    """The pieces that lay filament, line by line."""
    laid, state = list[Segment](), State(feed_mm_min=FIRST_FEED_MM_MIN)
    for raw in program.splitlines():
        state, pieces = advance(state, parse(raw.decode(), dialect or Dialect()), dialect or Dialect())
        laid += (piece for piece in pieces if level(piece) and piece.filament_mm > 0)
    return laid


def same_path(one: list[Segment], two: list[Segment]) -> None:
    def table(pieces: list[Segment]) -> np.ndarray:
        return np.array(
            [
                (*vars_of(piece.start)[:3], *vars_of(piece.end)[:3], piece.filament_mm, piece.feed_mm_min)
                for piece in pieces
            ]
        )

    a, b = table(one), table(two)
    assert a.shape == b.shape
    assert np.abs(a - b).max() < 2e-4


def vars_of(position: object) -> tuple[float, float, float, float]:
    return position.x, position.y, position.z, position.e


def held(original: bytes, machine: Machine, wish: Wish) -> Log:
    """Mark, run, and check all that holds for every marked file."""
    dialect = setup_of(machine).dialect
    changed, shots = marked(original, machine, wish)
    log = run(changed, machine, dialect)
    same_path(laid_by(original, dialect), log.laid)
    assert len(log.cues) == len(log.blocks) == shots
    for x, y, z in log.cues:
        assert (x, y) == pytest.approx(machine.park_point_mm, abs=1e-4)
        assert z <= machine.height_mm
    for piece in (piece for block in log.blocks for piece in block):
        for spot in (piece.start, piece.end):
            assert machine.bed.holds((spot.x, spot.y))
            assert -0.01 <= spot.z <= machine.height_mm
    assert b"".join(undone([changed])) == original
    return log


REAL = {
    "cube": (Machine(), Wish(every=7)),
    "plate-together": (Machine(park_point_mm=(110.0, 5.0)), Wish(every=9)),
    "plate-one-by-one": (Machine(park_point_mm=(5.0, 5.0)), Wish(every=9)),
    "tower-firmware-retract": (Machine(retraction=Retraction(kind="firmware")), Wish(1.2)),
    "vase-spiral": (Machine(park_point_mm=(215.0, 5.0)), Wish(12, fill="between")),
}


@pytest.mark.parametrize("name", REAL)
def test_a_marked_file_prints_the_same_and_parks_clear_of_the_part(name: str) -> None:
    machine, wish = REAL[name]
    held(text(name), machine, wish)


HEAD = "G28\nG92 E0\nM83\nG1 F3000\n"


def square(x: float, y: float, size: float) -> str:
    return (
        f"G0 X{x} Y{y}\nG1 X{x + size} E0.8\nG1 Y{y + size} E0.8\nG1 X{x} E0.8\nG1 Y{y} E0.8\nG1 E-0.8\n"
        f"G0 X{x + size / 2} Y{y + size / 2}\nG1 E0.8\n"
    )


def stack(count: int, *places: tuple[float, float, float], hop: float = 0.0) -> str:
    return "".join(
        f"G0 Z{0.2 * i + hop:.2f}\n" + "".join(f"G0 Z{0.2 * i:.2f}\n{square(*place)}" for place in places)
        for i in range(1, count + 1)
    )


def one_after_another() -> bytes:
    parts = [(20, 20, 30, 40), (120, 30, 40, 12), (60, 130, 40, 25)]
    return (HEAD + "G0 Z15\n".join(stack(count, (x, y, size)) for x, y, size, count in parts)).encode()


DELTA = Machine(
    bed=RoundBed(shape="circle", radius_mm=100.0, narrows_from_mm=150.0), park_point_mm=(0.0, 95.0), height_mm=200.0
)
CLIPS = Machine(park_point_mm=(5.0, 215.0), keep_out_mm=((0.0, 150.0, 90.0, 170.0), (95.0, 180.0, 120.0, 220.0)))
MADE = {
    "one after another": (one_after_another(), Machine(park_point_mm=(215.0, 215.0)), Wish(every=3)),
    "delta": ((HEAD + stack(30, (-20, -20, 40))).encode(), DELTA, Wish()),
    "keep-outs": ((HEAD + stack(20, (30, 90, 50), hop=0.4)).encode(), CLIPS, Wish(every=2)),
    "between layers": ((HEAD + stack(6, (30, 90, 50), (130, 90, 30))).encode(), Machine(), Wish(1.2, fill="between")),
    "relative moves": (
        (HEAD + "G0 X60 Y60\nG91\n" + "G0 Z0.2\nG1 X40 E1\nG1 Y40 E1\nG1 X-40 E1\nG1 Y-40 E1\n" * 12).encode(),
        Machine(),
        Wish(),
    ),
    "inches": (
        (
            "G28\nG20\nM83\nG1 F100\n"
            + "".join(f"G0 Z{i / 100}\nG0 X2 Y2\nG1 X4 E.05\nG1 Y4 E.05\n" for i in range(1, 9))
        ).encode(),
        Machine(),
        Wish(),
    ),
}


@pytest.mark.parametrize("name", MADE)
def test_a_made_file_prints_the_same_and_parks_clear_of_the_part(name: str) -> None:
    original, machine, wish = MADE[name]
    log = held(original, machine, wish)
    for x0, y0, x1, y1 in machine.keep_out_mm:
        for piece in (piece for block in log.blocks for piece in block):
            for share in np.linspace(0, 1, 200):
                x = piece.start.x + (piece.end.x - piece.start.x) * share
                y = piece.start.y + (piece.end.y - piece.start.y) * share
                assert not (x0 < x < x1 and y0 < y < y1)


def test_the_way_leads_round_the_part_where_that_costs_little() -> None:
    # The outline alone is printed, from its near corner on: straight to the park point lies across the whole part.
    rows = "".join(
        f"G0 Z{0.2 * i:.1f}\nG0 X70 Y70\nG1 X150 E2\nG1 Y150 E2\nG1 X70 E2\nG1 Y70 E2\n" for i in range(1, 11)
    )
    original = (HEAD + rows).encode()
    straight = Machine(park_point_mm=(215.0, 215.0), detour_s=0.0)
    round_it = Machine(park_point_mm=(215.0, 215.0), detour_s=1.0)
    over, beside = (held(original, machine, Wish(every=2)) for machine in (straight, round_it))
    assert max(len([p for p in block if level(p)]) for block in over.blocks) == 2
    turns = [p for p in beside.blocks[2] if level(p)]
    assert len(turns) >= 4
    corner_to_corner = 80 * math.sqrt(2)
    inside = [p for p in turns if 71 < (p.start.x + p.end.x) / 2 < 149 and 71 < (p.start.y + p.end.y) / 2 < 149]
    assert not inside
    assert sum(math.dist((p.start.x, p.start.y), (p.end.x, p.end.y)) for p in turns) < 2 * 1.5 * 205 + corner_to_corner
    # Each way may take a second longer, and the machine's own log says what it took.
    assert 0 < beside.seconds - over.seconds <= 2 * 1.0 * len(beside.blocks)


def test_parking_costs_what_the_plan_says() -> None:
    machine = Machine(retraction=Retraction(kind="firmware", length_mm=1.0, speed_mm_s=40.0))
    original, wish = text("cube"), Wish(every=5)
    print_ = plan.outline(read([original], setup_of(machine)))
    made = plan.plan(print_, wish, machine, plan.Camera())
    changed, _ = marked(original, machine, wish)
    dialect = setup_of(machine).dialect
    spent = run(changed, machine, dialect).seconds - run(original, machine, dialect).seconds
    assert sum(made.park_s) == pytest.approx(spent, rel=0.03)


def test_the_last_shot_is_of_the_finished_part() -> None:
    original = text("cube")
    changed, _ = marked(original, Machine(), Wish(every=50))
    before, _, after = changed.rpartition(b";lapsed begin")
    after = after.partition(b";lapsed end")[2].partition(b"\n")[2]
    assert len(laid_by(before)) == len(laid_by(original))
    # What turns heaters off and takes the head away comes after it, and nothing else is left to print.
    assert not laid_by(after)
    assert b"M104 S0" in after
    assert original.endswith(after)


def test_shots_between_layers_are_even_in_time_and_stand_at_travel() -> None:
    original = text("plate-together")
    print_ = plan.outline(read([original]))
    wish = Wish(12, fill="between")
    seeker = plan.seeker_for(print_, wish)
    assert seeker is not None
    found = read([original], seeker=seeker).between
    stops = plan.stops_of(print_, wish, found)
    assert len(stops) == 300
    gaps = [later.at_s - sooner.at_s for sooner, later in pairwise(stops)]
    even = (print_.stops[-1].at_s - print_.begin_s) / 300
    assert max(abs(gap - even) for gap in gaps) <= 0.75 * even
    lines = original.splitlines()
    # Half of them wait a little for a travel; the others come where the head lays on for longer than that.
    assert sum(b" E" not in lines[stop.place.line] for stop in stops if stop.place is not None) > 150
