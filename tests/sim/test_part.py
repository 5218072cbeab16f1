import itertools
import math
import re

import numpy as np
import pytest

from lapsed.gcode.dialect import Dialect
from lapsed.gcode.line import parse
from lapsed.gcode.state import Segment, State, advance
from lapsed.model import Position
from lapsed.sim.part import write_part
from lapsed.sim.strands import Strands, read

BED_MM = 220.0
Moves = list[tuple[Position, Position, float]]


@pytest.fixture(scope="module")
def part() -> str:
    return write_part(120)


@pytest.fixture(scope="module")
def strands(part: str) -> Strands:
    return read(part.splitlines())


@pytest.fixture(scope="module")
def moves(part: str) -> Moves:
    """Start, end and feed rate of each piece of motion."""
    dialect, state, moved = Dialect(), State(), list[Segment]()
    for line in part.splitlines():
        state, segments = advance(state, parse(line, dialect), dialect)
        moved += segments
    return [(segment.start, segment.end, segment.feed_mm_min) for segment in moved]


def way(a: Position, b: Position) -> float:
    return math.dist((a.x, a.y, a.z), (b.x, b.y, b.z))


@pytest.mark.parametrize("layers", [1, 2, 30, 120])
def test_has_the_layers_it_was_asked_for(layers: int) -> None:
    heights = np.unique(read(write_part(layers).splitlines()).top.round(3))
    steps = np.diff(np.concatenate(([0.0], heights)))
    assert layers == len(heights)
    assert np.all((steps > 0.199) & (steps < 0.401))


def test_a_part_without_layers_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one layer"):
        write_part(0)


@pytest.mark.parametrize(("layers", "height_mm"), [(1, 0.4), (30, 12), (120, 48), (240, 48), (600, 120)])
def test_stays_on_the_bed(layers: int, height_mm: float) -> None:
    text = write_part(layers)
    for axis in "XY":
        places = [float(place) for place in re.findall(rf"^G[01] .*\b{axis}([\d.-]+)", text, re.MULTILINE)]
        assert min(places) > 5
        assert max(places) < BED_MM - 5
    heights = [float(place) for place in re.findall(r"^G1 Z([\d.-]+)", text, re.MULTILINE)]
    assert max(heights) == pytest.approx(height_mm + 10)


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


def test_takes_tens_of_minutes(moves: Moves) -> None:
    seconds = sum(way(a, b) / feed * 60 for a, b, feed in moves)
    assert 25 * 60 < seconds < 60 * 60


def test_small_layers_are_laid_slowly(moves: Moves) -> None:
    spent: dict[float, float] = {}
    for a, b, feed in moves:
        if b.e > a.e and way(a, b):
            layer = round(b.z, 3)
            spent[layer] = spent.get(layer, 0.0) + way(a, b) / feed * 60
    # Slicers keep 5 to 10 s for a layer (common practice, no source).
    assert min(spent.values()) > 5


def test_long_travels_are_made_with_the_filament_drawn_back(moves: Moves) -> None:
    drawn_back = 0.0
    for a, b, _ in moves:
        if not way(a, b):
            drawn_back -= b.e - a.e
        elif b.e == a.e and a.z == b.z and way(a, b) > 1.5:
            assert drawn_back == pytest.approx(0.8)


def test_hops_lay_nothing(moves: Moves) -> None:
    downs = [b.e - a.e for a, b, _ in moves if b.z < a.z]
    assert len(downs) > 50
    assert set(downs) == {0.0}


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
    axis = np.array([110, 110], np.float32)
    reach = {
        round(float(top), 2): float(np.linalg.norm(strands.start[strands.top == top, :2] - axis, axis=1).max())
        for top in np.unique(strands.top)[1:]
    }
    steps = [b - a for a, b in itertools.pairwise(reach.values())]
    # Walls may lean out by 60 degrees (common practice, no source).
    assert max(steps) < 0.4 * math.tan(math.radians(60))
