"""Motion times against figures worked out by hand from v1^2 = v0^2 + 2 a d and v = a t (kinematics, any handbook)."""

import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lapsed.sim.planner import Limits, Move, Planner, Profile, trapezoid

FREE = (1e6, 1e6, 1e6, 1e6)


def limits(acceleration: float) -> Limits:
    return Limits(FREE, FREE, acceleration, acceleration, acceleration, deviation=0.013)


def planned(moves: list[tuple[float, float, float, float]], speed: float, bounds: Limits) -> list[Profile]:
    planner = Planner(bounds)
    for move in moves:
        planner.push(move, speed)
    return [planner.take() for _ in moves]


def straight(length: float, speed: float) -> Move:
    return Move((length, 0, 0, 0), length, speed, acceleration=1000, entry_u=0)


def test_long_move_from_rest_to_rest() -> None:
    (profile,) = planned([(50, 0, 0, 0)], 50, limits(1000))
    assert profile.duration_s == pytest.approx(1.0500)


def test_short_move_is_a_triangle() -> None:
    (profile,) = planned([(4, 0, 0, 0)], 100, limits(1000))
    assert profile.duration_s == pytest.approx(0.126491, abs=1e-6)
    assert profile.top == pytest.approx(63.2456, abs=1e-4)


# The corner's speed from the formula of junction deviation (Jeon, 2011): a J s / (1 - s), s = sin 45 degrees.
@pytest.mark.parametrize(
    ("second", "joint", "total_s"),
    [
        pytest.param((0, 20, 0, 0), 5.60221, 0.889423, id="right angle"),
        pytest.param((20, 0, 0, 0), 50, 0.8500, id="straight on"),
        pytest.param((-20, 0, 0, 0), 0, 0.9000, id="back the same way"),
        pytest.param((0, 0, 0, 20), 0, 0.9000, id="extruder alone"),
    ],
)
def test_corner(second: tuple[float, float, float, float], joint: float, total_s: float) -> None:
    profiles = planned([(20, 0, 0, 0), second], 50, limits(1000))
    assert profiles[0].exit == pytest.approx(joint, abs=1e-5)
    assert sum(profile.duration_s for profile in profiles) == pytest.approx(total_s, abs=1e-6)


@pytest.mark.parametrize(("length", "duration_s"), [(10, 0.183333), (2, 0.0495445)])
def test_move_between_two_speeds(length: float, duration_s: float) -> None:
    assert trapezoid(straight(length, 60), 20, 40).duration_s == pytest.approx(duration_s, abs=1e-6)


def test_travel_to_a_park_point() -> None:
    (profile,) = planned([(-100, 90, 0, 0)], 150, limits(1500))
    assert profile.duration_s == pytest.approx(0.996908, abs=1e-6)


def test_place_within_a_move() -> None:
    (profile,) = planned([(50, 0, 0, 0)], 50, limits(1000))
    # 0.5 x 1000 x 0.025^2 = 0.3125 mm after 25 ms; 1.25 mm of ramp and 475 ms at 50 mm/s make the half way.
    assert profile.share(0.025) == pytest.approx(0.3125 / 50)
    assert profile.share(0.525) == pytest.approx(0.5)
    assert profile.share(1.025) == pytest.approx(1 - 0.3125 / 50)
    assert (profile.share(-1), profile.share(2)) == (0, 1)


@pytest.mark.parametrize(
    ("move", "speed"),
    [
        pytest.param((30, 40, 0, 0), 100 / 0.6, id="x is the slow one"),
        pytest.param((0, 0, 10, 0), 20, id="z alone"),
        pytest.param((0, 0, 0, -1), 40, id="drawing back"),
    ],
)
def test_axes_bound_the_speed(move: tuple[float, float, float, float], speed: float) -> None:
    bounds = Limits((100, 1000, 20, 40), FREE)
    planner = Planner(bounds)
    planner.push(move, 1000)
    assert planner.preview()[0].move.speed == pytest.approx(speed)


def test_accelerations_by_the_kind_of_move() -> None:
    bounds = Limits(FREE, FREE, printing=1, travel=2, retract=3)
    planner = Planner(bounds)
    for move in [(1, 0, 0, 0.1), (1, 0, 0, 0), (0, 0, 0, 1)]:
        planner.push(move, 10)
    assert [profile.move.acceleration for profile in planner.preview()] == [1, 2, 3]


def test_nowhere_is_no_move() -> None:
    planner = Planner(Limits())
    assert not planner.push((0, 0, 0, 0), 50)
    assert not planner.push((1, 0, 0, 0), 0)
    assert len(planner) == 0


def test_speed_that_is_fixed_is_kept_when_more_moves_come() -> None:
    planner = Planner(limits(1000))
    planner.push((1, 0, 0, 0), 100)
    planner.push((1, 0, 0, 0), 100)
    first = planner.take()
    planner.push((100, 0, 0, 0), 100)
    second = planner.take()
    assert second.entry == first.exit == pytest.approx(math.sqrt(2 * 1000 * 1))
    assert second.exit > second.entry


steps = st.tuples(*[st.floats(-20, 20).map(lambda value: round(value, 3))] * 4)


@given(st.lists(st.tuples(steps, st.floats(1, 300)), max_size=40), st.integers(1, 8))
def test_no_plan_asks_more_than_the_motors_can_do(
    moves: list[tuple[tuple[float, float, float, float], float]], room: int
) -> None:
    planner = Planner(Limits())
    done: list[Profile] = []
    for move, speed in moves:
        planner.push(move, speed)
        if len(planner) > room:
            done.append(planner.take())
    while planner:
        done.append(planner.take())
    for before, after in itertools.pairwise(done):
        assert before.exit == after.entry
    for profile in done:
        move = profile.move
        assert max(profile.entry, profile.exit) <= profile.top + 1e-9
        assert profile.top <= move.speed + 1e-6
        gain = 2 * move.acceleration * move.length
        assert abs(profile.entry**2 - profile.exit**2) <= gain + 1e-6
        assert profile.duration_s >= move.length / move.speed - 1e-9
    assert not done or done[0].entry == done[-1].exit == 0
