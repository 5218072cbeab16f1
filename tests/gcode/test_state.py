import math
from dataclasses import replace

import pytest

from lapsed.gcode.dialect import Dialect
from lapsed.gcode.line import parse
from lapsed.gcode.state import Segment, State, advance
from lapsed.model import Motion, Position


def run(text: str, dialect: Dialect | None = None, state: State | None = None) -> tuple[State, list[Segment]]:
    dialect = dialect or Dialect()
    now, pieces = state or State(), list[Segment]()
    for raw in text.splitlines():
        now, more = advance(now, parse(raw, dialect), dialect)
        pieces += more
    return now, pieces


@pytest.mark.parametrize(
    ("text", "x", "e"),
    [
        ("G1 X10 E1\nG1 X5 E2", 5, 2),
        ("M83\nG1 X10 E1\nG1 X5 E2", 5, 3),
        ("G91\nG1 X10 E1\nG1 X5 E2", 15, 3),
        ("G91\nM82\nG1 X10 E1\nG1 X5 E2", 15, 2),
        ("M83\nG90\nG1 X10 E1\nG1 X5 E2", 5, 2),
        ("G20\nG1 X1 E1", 25.4, 25.4),  # an inch is 25.4 mm exactly (international yard and pound agreement, 1959)
        ("G1 X10\nG92 X0\nG1 X5", 5, 0),
        ("G1 X10 E4\nG92", 10, 4),
        ("G1 X7\nG28", 0, 0),
    ],
)
def test_position_in_the_default_dialect(text: str, x: float, e: float) -> None:
    state, _ = run(text)
    assert (state.position.x, state.position.e) == pytest.approx((x, e))


@pytest.mark.parametrize(
    ("follows", "text", "e"),
    [
        ("set", "M83\nG90\nG1 E1\nG1 E2", 2),
        ("over", "M83\nG90\nG1 E1\nG1 E2", 3),
        ("over", "G91\nG1 E1\nG1 E2", 3),
        ("over", "G91\nG90\nG1 E1\nG1 E2", 2),
        ("apart", "G91\nG1 E1\nG1 E2", 2),
    ],
)
def test_the_extruder_follows_g90_and_g91_as_the_dialect_says(follows: str, text: str, e: float) -> None:
    state, _ = run(text, Dialect(extruder_follows=follows))
    assert state.position.e == e


def test_g92_without_words_zeroes_where_the_dialect_says_so() -> None:
    state, _ = run("G1 X10 E4\nG92", Dialect(bare_g92_zeroes=True))
    assert state.position == Position(0, 0, 0, 0)
    assert state.machine == Position(10, 0, 0, 4)


def test_g92_shifts_names_and_not_places() -> None:
    state, pieces = run("G1 X10 E5\nG92 X0 E0\nG1 X5 E1 F600")
    assert pieces[-1] == Segment(Position(10, 0, 0, 5), Position(15, 0, 0, 6), 600)
    assert pieces[-1].filament_mm == 1
    assert run("G92.1", state=state)[0].position == state.machine
    assert run("G28 X", state=state)[0].machine == Position(0, 0, 0, 6)


def test_feed_stays_and_takes_its_factor() -> None:
    _, pieces = run("G1 X1 F600\nM220 S50\nG1 X2\nG1 F300\nG1 X3")
    assert [piece.feed_mm_min for piece in pieces] == [600, 300, 150]


def test_firmware_retraction_and_drawn_back_filament_count_as_retracted() -> None:
    assert run("G10")[0].motion().retracted is True
    assert run("G10\nG11")[0].motion().retracted is False
    assert run("G10", Dialect(g10_retracts=False))[0].motion().retracted is False
    drawn, _ = run("G1 X1 E5\nG1 E4 F1800")
    assert drawn.motion() == Motion(Position(1, 0, 0, 4), 1800, absolute=True, absolute_extrusion=True, retracted=True)
    assert run("G1 E5", state=drawn)[0].motion().retracted is False
    assert run("G1 X9 E4.5", state=drawn)[0].motion().retracted is False


def test_what_is_known() -> None:
    assert run("G28\nG92 E0")[0].certain
    assert not run("G28")[0].certain
    assert run("G1 X1 Y1 Z1 E1")[0].certain
    assert not run("G91\nG1 X1 Y1 Z1 E1")[0].certain
    assert not run("G28\nG92 E0\nG29")[0].certain
    assert run("G28 Z")[0].homed == {"Z"}
    assert run("T1")[0].tool == 1


@pytest.mark.parametrize("text", ["g1 X5", "M117 G1 X5", "; G1 X5", "G2 X5", "G3 X5 R0", "G2 R5", "G4 P9", "WHAT X5"])
def test_what_moves_nothing(text: str) -> None:
    state, pieces = run(text)
    assert pieces == []
    assert state.position == Position(0, 0, 0, 0)


def length(pieces: list[Segment]) -> float:
    return sum(
        math.dist((piece.start.x, piece.start.y, piece.start.z), (piece.end.x, piece.end.y, piece.end.z))
        for piece in pieces
    )


# Lengths of arcs: radius times angle, and for a helix the hypotenuse of that and its rise (any geometry handbook).
@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("G2 X10 Y10 I10 J0", 5 * math.pi),
        ("G3 X10 Y10 I10 J0", 15 * math.pi),
        ("G2 X10 Y10 R10", 5 * math.pi),
        ("G2 X10 Y10 R-10", 15 * math.pi),
        ("G3 X10 Y10 R10", 5 * math.pi),
        ("G2 I10", 20 * math.pi),
        ("G2 I10 P1", 40 * math.pi),
        ("G3 Z3 J10", math.hypot(20 * math.pi, 3)),
        ("G18\nG2 X10 Z10 K10", 5 * math.pi),
        ("G19\nG3 Y10 Z10 K10", 5 * math.pi),
        ("G20\nG2 I1", 2 * math.pi * 25.4),
        ("G91\nG2 X10 Y10 R10", 5 * math.pi),
    ],
)
def test_arcs_have_their_length(text: str, expected: float) -> None:
    state, pieces = run(text)
    assert length(pieces) == pytest.approx(expected, rel=1e-3)
    assert length(pieces) <= expected
    assert pieces[-1].end == state.machine


def test_an_arc_ends_exactly_and_feeds_evenly() -> None:
    state, pieces = run("G1 F1200\nG2 X10 Y10 I10 J0 E3")
    assert state.position == Position(10, 10, 0, 3)
    shares = [piece.filament_mm / length([piece]) for piece in pieces]
    assert shares == pytest.approx([shares[0]] * len(shares))
    # G2 is clockwise: from (0, 0) about (10, 0) to (10, 10) the head passes the upper left.
    assert all(piece.end.x <= 10 and piece.end.y >= 0 for piece in pieces)


def test_unknown_lines_change_nothing() -> None:
    state = replace(State(), position=Position(1, 2, 3, 4), feed_mm_min=600)
    assert run("M104 S200\nM999\nM220 S0\nHELLO", state=state)[0] == state
