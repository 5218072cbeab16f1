import itertools
import math
import re

import numpy as np
import pytest

from lapsed.gcode.dialect import Dialect
from lapsed.gcode.line import parse
from lapsed.gcode.state import Segment, State, advance
from lapsed.sim.part import write_part
from lapsed.sim.strands import Strands, read

BED_MM = 220.0
SIZES = (1, 2, 30, 120, 240)


@pytest.fixture(scope="module")
def part() -> str:
    return write_part(120)


@pytest.fixture(scope="module")
def strands(part: str) -> Strands:
    return read(part.splitlines())


def motion(text: str) -> list[Segment]:
    dialect, state, moved = Dialect(), State(), list[Segment]()
    for line in text.splitlines():
        state, segments = advance(state, parse(line, dialect), dialect)
        moved += segments
    return moved


@pytest.mark.parametrize("layers", SIZES)
def test_has_the_layers_it_was_asked_for(layers: int) -> None:
    heights = np.unique(read(write_part(layers).splitlines()).top.round(3))
    steps = np.diff(np.concatenate(([0.0], heights)))
    assert layers == len(heights)
    assert np.all((steps > 0.199) & (steps < 0.401))


def test_a_part_without_layers_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one layer"):
        write_part(0)


@pytest.mark.parametrize("layers", [*SIZES, 600])
def test_stays_on_the_bed(layers: int) -> None:
    ends = [segment.end for segment in motion(write_part(layers))]
    assert all(0 <= end.x <= BED_MM and 0 <= end.y <= BED_MM and 0 <= end.z <= 250 for end in ends)


def test_every_line_is_read_without_trouble(part: str) -> None:
    lines = [parse(line) for line in part.splitlines()]
    assert [line for line in lines if line.trouble] == []
    assert {line.code for line in lines} == {
        *("", "G0", "G1", "G4", "G21", "G28", "G90", "G92"),
        *("M82", "M84", "M104", "M106", "M107", "M109", "M140", "M190"),
    }


def test_beads_have_the_width_that_was_meant(strands: Strands) -> None:
    # Width from the filament fed: its section is pi/4 x 1.75^2 mm2, 1.75 mm being the common filament.
    purged = strands.start[:, 1] < 10
    assert strands.width[~purged] == pytest.approx(0.45, abs=0.02)
    assert strands.height == pytest.approx(0.4, abs=1e-4)


def test_takes_tens_of_minutes(part: str) -> None:
    moved = motion(part)
    seconds = sum(math.dist((a.x, a.y, a.z), (b.x, b.y, b.z)) / f * 60 for a, b, f in map(_ends, moved))
    assert 25 * 60 < seconds < 60 * 60


def _ends(segment: Segment) -> tuple:
    return segment.start, segment.end, segment.feed_mm_min


def test_small_layers_are_laid_slowly(part: str) -> None:
    spent: dict[float, float] = {}
    for a, b, feed in map(_ends, motion(part)):
        if b.e > a.e and (a.x, a.y) != (b.x, b.y):
            layer = round(b.z, 3)
            spent[layer] = spent.get(layer, 0.0) + math.dist((a.x, a.y), (b.x, b.y)) / feed * 60
    # 10 s, or as long as a nozzle at 4 mm/s takes; the least that slicers commonly keep is 5 to 10 s (from memory).
    assert min(spent.values()) > 4
    assert sorted(spent.values())[12] > 9.9


def test_long_travels_are_made_with_the_filament_drawn_back(part: str) -> None:
    drawn_back = 0.0
    for a, b, _ in map(_ends, motion(part)):
        if (a.x, a.y) == (b.x, b.y):
            drawn_back = max(0.0, drawn_back - (b.e - a.e)) if b.e != a.e else drawn_back
        elif b.e == a.e and math.dist((a.x, a.y), (b.x, b.y)) > 1.5:
            assert drawn_back > 0.79


def test_hops_reach_above_the_layer_without_laying_anything(part: str) -> None:
    heights = [(b.z, b.e > a.e) for a, b, _ in map(_ends, motion(part))]
    hops = [now for before, now in itertools.pairwise(heights) if now[0] < before[0]]
    assert len(hops) > 50
    assert not any(lays for _, lays in hops)


def test_filament_is_counted_anew_at_each_layer(part: str) -> None:
    assert len(re.findall(r"^G92 E", part, re.MULTILINE)) == 121


def test_is_small_and_always_the_same(part: str) -> None:
    assert len(part) < 2_000_000
    assert part == write_part(120)


def test_lies_in_the_middle_with_skirt_and_purge_line_apart(strands: Strands) -> None:
    low, high = strands.box()
    assert ((low + high) / 2)[:2] == pytest.approx((110, 110), abs=2)
    assert high[2] == pytest.approx(48)
    assert strands.start[:, 1].min() == pytest.approx(6)


def test_overhangs_can_be_printed(strands: Strands) -> None:
    """No wall leans out by more than a bead's width above what lies below it, but for the rail that bridges its posts."""
    axis = np.array([110, 110], np.float32)
    reach = {
        round(float(top), 2): float(np.linalg.norm(strands.start[strands.top == top, :2] - axis, axis=1).max())
        for top in np.unique(strands.top)[1:]
    }
    steps = [b - a for a, b in itertools.pairwise(reach.values())]
    assert max(steps) < 0.45 + 0.05
