import math
from itertools import pairwise

import cv2
import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from lapsed.gcode.hull import Hull, Spot, corners, grown, hull_of, inside_mm, joined, margin, overlap, rectangle
from lapsed.gcode.park import block
from lapsed.gcode.way import MOST_HULLS, Way, holds, travel_s, way
from lapsed.model import Motion, Position, Refusal
from lapsed.settings import Machine, RoundBed

PART = rectangle(80, 80, 140, 140)
MACHINE = Machine(park_point_mm=(215, 215), detour_s=2.0)
spots = st.tuples(st.integers(0, 220), st.integers(0, 220)).map(lambda spot: (float(spot[0]), float(spot[1])))
hulls = st.lists(spots, min_size=3, max_size=8).map(hull_of)


def test_a_rectangle_is_its_own_hull() -> None:
    assert {(round(x, 9), round(y, 9)) for x, y in corners(PART)} == {(80, 80), (140, 80), (140, 140), (80, 140)}
    assert margin((110, 110), PART) == -30
    assert margin((150, 110), PART) == 10
    assert margin((110, 110), grown(PART, 5)) == -35
    assert joined(PART, rectangle(0, 0, 10, 10))[0] == 140


@pytest.mark.parametrize(
    ("one", "two", "mm"),
    [
        ((70, 110), (150, 110), 60),  # straight across
        ((110, 110), (150, 110), 30),  # from the middle
        ((70, 70), (150, 150), 60 * math.sqrt(2)),
        ((70, 80), (150, 80), 0),  # along a side is beside it
        ((70, 60), (150, 60), 0),
        ((110, 110), (110, 110), 0),
        ((100, 110), (120, 110), 20),
        ((60, 100), (100, 60), 0),  # touches the corner
    ],
)
def test_what_of_a_way_lies_inside(one: Spot, two: Spot, mm: float) -> None:
    assert inside_mm(one, two, PART) == pytest.approx(mm)
    assert inside_mm(two, one, PART) == pytest.approx(mm)


@given(hulls, spots)
@settings(max_examples=100, deadline=None)
def test_inside_and_outside_are_those_of_a_general_library(hull: Hull, spot: Spot) -> None:
    # OpenCV's test of a point against a polygon; its distance is that to the outline.
    outline = np.array(list(corners(hull)), np.float32)
    assume(cv2.contourArea(outline) > 1)
    distance = cv2.pointPolygonTest(outline, spot, measureDist=True)
    assume(abs(distance) > 1e-3)
    assert (margin(spot, hull) < 0) == (distance > 0)
    assert margin(spot, hull) <= -distance + 1e-3


@given(hulls, hulls)
@settings(max_examples=100, deadline=None)
def test_hulls_overlap_as_a_general_library_says(one: Hull, two: Hull) -> None:
    # OpenCV's intersection of two convex polygons.
    outlines = [np.array(list(corners(hull)), np.float32) for hull in (one, two)]
    assume(min(cv2.contourArea(outline) for outline in outlines) > 1)
    area, _ = cv2.intersectConvexConvex(*(cv2.convexHull(outline) for outline in outlines))
    assume(area == 0 or area > 0.1)
    assert overlap(one, two) == (area > 0) or (area == 0 and not overlap(grown(one, -0.1), two))


def test_beside_the_part_the_way_is_straight() -> None:
    assert way((150, 100), MACHINE, 10, (PART,)) == Way((), 0.0)
    assert way((110, 110), MACHINE, 10, ()) == Way((), 0.0)


@pytest.mark.parametrize(("allowed", "most_over"), [(0.0, 83), (0.2, 83), (0.5, 2.001), (2.0, 2.001)])
def test_a_dearer_detour_crosses_less_of_the_part(allowed: float, most_over: float) -> None:
    machine = MACHINE.model_copy(update={"detour_s": allowed})
    start = (82.0, 82.0)
    found = way(start, machine, 10, (PART,))
    assert found is not None
    assert found.over_mm <= most_over
    longer = travel_s((start, *found.turns, machine.park_point_mm), machine)
    assert longer <= travel_s((start, machine.park_point_mm), machine) + allowed + 1e-6


@given(spots, st.lists(hulls, max_size=3), st.lists(st.tuples(spots, spots), max_size=2), spots)
@settings(max_examples=150, deadline=None)
def test_ways_stay_in_the_bed_off_keep_outs_and_within_their_cost(
    start: Spot, parts: list[Hull], bars: list[tuple[Spot, Spot]], park: Spot
) -> None:
    rows = [(min(a[0], b[0]), min(a[1], b[1]), max(a[0], b[0]) + 1, max(a[1], b[1]) + 1) for a, b in bars]
    barred = [rectangle(*row) for row in rows]
    assume(all(margin(park, hull) > 0 for hull in barred))
    machine = Machine(park_point_mm=park, keep_out_mm=tuple(rows), detour_s=0.4)
    found = way(start, machine, 10, tuple(parts))
    if found is None:
        assert any(margin(start, hull) >= 0 for hull in barred)
        return
    legs = (start, *found.turns, park)
    for one, two in pairwise(legs):
        assert holds(machine, two, 10, 1e-6)
        assert not any(inside_mm(one, two, hull) > 1e-6 for hull in barred if margin(start, hull) >= 0)
    straight = sum(inside_mm(start, park, part) for part in parts)
    if not rows:
        assert found.over_mm <= straight + 1e-6
        assert travel_s(legs, machine) <= travel_s((start, park), machine) + 0.4 + 1e-6


def test_keep_outs_are_gone_round_even_without_a_part() -> None:
    machine = Machine(park_point_mm=(5.0, 215.0), keep_out_mm=((0.0, 150.0, 90.0, 170.0),))
    found = way((50.0, 100.0), machine, 10, ())
    assert found is not None
    assert [round(x) for x, _ in found.turns] == [90, 90]


def test_barred_off_means_no_park() -> None:
    machine = Machine(park_point_mm=(5.0, 215.0), keep_out_mm=((-10.0, 150.0, 230.0, 170.0),))
    assert way((50.0, 100.0), machine, 10, ()) is None
    refused = block(Motion(Position(50, 100, 1, 0), 1800, True, True), machine, 1.0, 1, echo=True)  # noqa: FBT003 - modes
    assert isinstance(refused, Refusal)
    assert "leave no way to the park point" in refused.reason


def test_where_the_head_prints_within_a_keep_out_it_may_leave_it() -> None:
    machine = Machine(park_point_mm=(5.0, 215.0), keep_out_mm=((40.0, 90.0, 60.0, 110.0),))
    assert way((50.0, 100.0), machine, 10, ()) == Way((), 0.0)


def test_only_the_nearest_of_many_parts_are_gone_round() -> None:
    many = tuple(rectangle(10 * i, 100, 10 * i + 8, 108) for i in range(MOST_HULLS + 4))
    assert way((14.0, 104.0), MACHINE, 10, many) is not None


def test_a_dome_narrows_towards_the_top() -> None:
    bed = RoundBed(shape="circle", radius_mm=100, narrows_from_mm=150)
    machine = Machine(bed=bed, height_mm=200, park_point_mm=(0, 95))
    assert holds(machine, (0, 95), 150)
    assert not holds(machine, (0, 95), 160)
    assert holds(machine, (0, 79), 160)
    assert bed.reach_mm(200, 200) == bed.reach_mm(500, 200) == 0
    refused = block(Motion(Position(0, 0, 160, 0), 1800, True, True), machine, 160.0, 1, echo=True)  # noqa: FBT003 - modes
    assert isinstance(refused, Refusal)
    assert "can't reach so far out" in refused.reason


def test_a_keep_out_the_wrong_way_round_is_refused() -> None:
    with pytest.raises(ValidationError, match="in order"):
        Machine(keep_out_mm=((90.0, 0.0, 10.0, 20.0),))
