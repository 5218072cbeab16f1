import itertools
import math
import random

import numpy as np
import pytest

from lapsed.gcode.line import parse
from lapsed.gcode.reading import Setup, read
from lapsed.gcode.timing import Limits, overridden
from lapsed.sim.planner import Limits as SimLimits
from lapsed.sim.planner import Planner

EVEN = Limits(speed=(1e6, 1e6, 1e6, 1e6), acceleration=(1e9, 1e9, 1e9, 1e9), printing=1000, travel=1000, retract=1000)


def seconds(program: str, limits: Limits = EVEN) -> float:
    return read([program.encode()], Setup(limits=limits)).print_s


# Worked by hand from v1^2 = v0^2 + 2 a d and the trapezoid of speed over time (kinematics, any handbook).
@pytest.mark.parametrize(
    ("program", "expected"),
    [
        ("G1 X50 F3000", 1.05),  # 50/50 + 50/1000
        ("G1 X4 F6000", 2 * math.sqrt(4 / 1000)),  # a triangle: 0.126491
        ("G1 X20 F3000\nG1 X20 Y20", 0.889423),  # junction deviation 0.013 gives 5.60221 mm/s at a right angle
        ("G1 X20 F3000\nG1 X40", 0.85),  # straight on
        ("G1 X20 F3000\nG1 X0", 0.9),  # a full stop
        ("G1 X20 F3000\nG4 P500\nG1 X40", 1.4),
        ("G1 X20 F3000\nG4 S2 P9\nG1 X40", 2.9),
        ("G1 X20 F3000\nM400\nG1 X40", 0.9),
        ("G1 X20 F3000\nM220 S50\nG1 F3000 X40", 1.24375),  # worked out below
        ("G1 E-5 F1800", 5 / 30 + 30 / 1000),
        ("G10\nG11", 2 * (1 / 30 + 30 / 1000)),
        ("N1 G10\nN2 G10\nN3 G11", 2 * (1 / 30 + 30 / 1000)),
        ("N1 G1 X20 F3000\nN2 G4 S2 P9\nN3 G1 X40", 2.9),
    ],
)
def test_worked_examples(program: str, expected: float) -> None:
    # M220: 0 to 50 in 0.05 s over 1.25 mm; 50 to 25 takes 0.025 s over 0.9375 mm and ends where the second move begins;
    # 17.8125 mm at 50 take 0.35625 s; 19.6875 mm at 25 take 0.7875 s; 25 to 0 takes 0.025 s: 1.24375 s together.
    assert seconds(program) == pytest.approx(expected, abs=2e-6)


def test_limits_of_axes_bind_the_whole_move() -> None:
    # 30-40-50 triangle: X at most 30 mm/s makes the move go at 50.
    limits = Limits(speed=(30, 1e6, 1e6, 1e6), acceleration=(1e9,) * 4, travel=1000)
    assert seconds("G1 X30 Y40 F60000", limits) == pytest.approx(50 / 50 + 50 / 1000)
    limits = Limits(speed=(1e6,) * 4, acceleration=(600, 1e9, 1e9, 1e9), travel=1e6)
    assert seconds("G1 X30 Y40 F3000", limits) == pytest.approx(50 / 50 + 50 / 1000)


def test_jerk_bounds_the_change_of_each_axis() -> None:
    # A right angle at 50 mm/s changes each axis by 50; jerk 10 allows 10 mm/s at the corner. Then each move:
    # 0 to 50 in 0.05 s over 1.25 mm, 50 to 10 in 0.04 s over 1.2 mm, 17.55 mm at 50 in 0.351 s: 0.441 s.
    limits = Limits(EVEN.speed, EVEN.acceleration, 1000, 1000, 1000, jerk=(10, 10, 10, 10))
    assert seconds("G1 X20 F3000\nG1 X20 Y20", limits) == pytest.approx(0.882)


def test_the_least_time_of_a_move_slows_short_ones() -> None:
    assert seconds("G1 X0.1 F60000", Limits(travel=1e9, acceleration=(1e9,) * 4, least_s=0.02)) == pytest.approx(
        0.02, rel=1e-3
    )


def test_the_file_overrides_limits() -> None:
    limits = overridden(overridden(Limits(), parse("M203 X90 Z5")), parse("M201 X500"))
    assert (limits.speed[:3], limits.acceleration[0]) == ((90, 300, 5), 500)
    assert overridden(Limits(), parse("M205 J0.02")).deviation_mm == 0.02
    assert overridden(Limits(jerk=(8, 8, 1, 5)), parse("M205 X12")).jerk == (12, 8, 1, 5)
    assert overridden(Limits(), parse("M205 X12")).jerk is None
    assert seconds("M204 T500\nG1 X50 F3000") == pytest.approx(50 / 50 + 50 / 500)
    assert seconds("M204 S500\nG1 X50 F3000") == pytest.approx(50 / 50 + 50 / 500)
    assert seconds("M204 P500\nG1 X50 E1 F3000\nM204 P1000 R250") == pytest.approx(50 / 50 + 50 / 500)
    assert seconds("N1 M204 T500\nN2 G1 X50 F3000") == pytest.approx(50 / 50 + 50 / 500)


def walk(seed: int, count: int) -> list[tuple[float, float, float, float, float]]:
    """Moves of all sorts: short and long, corners, curves, lifts, retractions; dx, dy, dz, de, mm/s."""
    chance, turn, out = random.Random(seed), 0.0, []
    for _ in range(count):
        kind = chance.random()
        if kind < 0.05:
            out.append((0.0, 0.0, 0.0, chance.choice([-1.0, 1.0]), 30.0))
        elif kind < 0.08:
            out.append((0.0, 0.0, chance.choice([0.2, 0.4]), 0.0, 10.0))
        else:
            turn += chance.gauss(0, 0.3) if kind < 0.8 else chance.uniform(-3, 3)
            length = chance.choice([0.05, 0.3, 1.0, 5.0, 40.0])
            fed = 0.03 * length if kind < 0.9 else 0.0
            out.append((length * math.cos(turn), length * math.sin(turn), 0.0, fed, chance.choice([20.0, 60.0, 150.0])))
    return out


def program(moves: list[tuple[float, float, float, float, float]]) -> str:
    return "G91\n" + "".join(
        f"G1 X{dx:.9f} Y{dy:.9f} Z{dz:.9f} E{de:.9f} F{speed * 60:.9f}\n" for dx, dy, dz, de, speed in moves
    )


def stepped(moves: list[tuple[float, float, float, float, float]], limits: Limits, slice_s: float) -> float:
    """The same motion integrated plainly in slices of time: as fast as can still be slowed down for what is ahead.

    The speeds at the corners come from passes over Python lists, then each move is walked: speed up while the way to
    stop to its exit speed allows.
    """
    rows = []
    for dx, dy, dz, de, speed in moves:
        path = math.sqrt(dx * dx + dy * dy + dz * dz)
        length = path or abs(de)
        ratios = [
            (abs(part) / length, top, hard)
            for part, top, hard in zip((dx, dy, dz, de), limits.speed, limits.acceleration, strict=True)
            if part
        ]
        general = limits.retract if not path else limits.printing if de else limits.travel
        v = min([speed, *(top / share for share, top, _ in ratios)])
        a = min([general, *(hard / share for share, _, hard in ratios)])
        rows.append(((dx / length, dy / length, dz / length, 0.0 if path else de / length), length, v, a, bool(path)))
    corners = [0.0]
    for one, two in itertools.pairwise(rows):
        along = sum(a * b for a, b in zip(one[0], two[0], strict=True))
        top = min(one[2], two[2])
        if one[4] != two[4]:
            corners.append(0.0)
            continue
        s = math.sqrt(max(0.0, (1 + along) / 2))
        corners.append(
            top if s > 1 - 1e-9 else min(top, math.sqrt(min(one[3], two[3]) * limits.deviation_mm * s / (1 - s)))
        )
    corners.append(0.0)
    for i in range(len(rows) - 1, -1, -1):
        corners[i] = min(corners[i], math.sqrt(corners[i + 1] ** 2 + 2 * rows[i][3] * rows[i][1]))
    total = 0.0
    for i, (_, length, top, a, _) in enumerate(rows):
        done, v = 0.0, corners[i]
        while done < length:
            left = length - done
            faster = min(v + a * slice_s, top)
            braked = math.sqrt(corners[i + 1] ** 2 + 2 * a * left)
            mean = (v + min(faster, braked)) / 2
            v = min(faster, braked)
            if mean * slice_s >= left or mean == 0:
                total += left / mean if mean else 0.0
                break
            done += mean * slice_s
            total += slice_s
        corners[i + 1] = min(corners[i + 1], v if v > 0 else corners[i + 1])
    return total


@pytest.mark.parametrize("seed", range(3))
def test_against_a_plain_integrator(seed: int) -> None:
    moves = walk(seed, 60)
    assert seconds(program(moves), Limits()) == pytest.approx(stepped(moves, Limits(), 2e-5), rel=0.005)


@pytest.mark.parametrize("seed", range(5))
def test_against_the_simulated_machines_own_planner(seed: int) -> None:
    moves = walk(seed, 2000)
    planner = Planner(SimLimits())
    total = 0.0
    for dx, dy, dz, de, speed in moves:
        planner.push((dx, dy, dz, de), speed)
        if len(planner) > 32:
            total += planner.take().duration_s
    while len(planner):
        total += planner.take().duration_s
    assert seconds(program(moves), Limits()) == pytest.approx(total, rel=0.01)


def test_pieces_give_the_time_of_the_whole() -> None:
    body = program(walk(9, 3000)).encode()
    whole = read([body]).print_s
    numbered = b"".join(b"N1 " + line + b"\n" for line in body.splitlines())
    assert read([body[i : i + 999] for i in range(0, len(body), 999)]).print_s == pytest.approx(whole, rel=1e-9)
    assert read([numbered]).print_s == pytest.approx(whole, rel=1e-9)
    assert np.isfinite(whole)
