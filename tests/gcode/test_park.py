import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lapsed.gcode.dialect import Dialect
from lapsed.gcode.line import parse
from lapsed.gcode.park import block, number
from lapsed.gcode.state import State, advance
from lapsed.model import Block, Motion, Position, Refusal
from lapsed.settings import Machine, RectBed, Retraction, RoundBed

MACHINE = Machine(bed=RectBed(x_mm=(0, 200), y_mm=(0, 200)), height_mm=200, park_point_mm=(0, 190))
FIRMWARE = MACHINE.model_copy(update={"retraction": Retraction(kind="firmware")})


def motion(
    x: float = 100,
    y: float = 100,
    z: float = 1,
    e: float = 5,
    *,
    feed: float = 1800,
    absolute: bool = True,
    absolute_extrusion: bool = True,
    retracted: bool | None = None,
) -> Motion:
    return Motion(Position(x, y, z, e), feed, absolute, absolute_extrusion, retracted)


def made(*args: object, **more: object) -> Block:
    made = block(*args, **{"echo": True, **more})
    assert isinstance(made, Block), made
    return made


def run(lines: tuple[str, ...], state: State, dialect: Dialect | None = None) -> State:
    for line in lines:
        state, _ = advance(state, parse(line), dialect or Dialect())
    return state


def test_a_block_in_full() -> None:
    machine = MACHINE.model_copy(update={"light_on": ("M106 P2 S255",), "light_off": ("M106 P2 S0",)})
    assert made(motion(), machine, 1.0, 7).leave == (
        "G90",
        "M82",
        "G1 E4 F1800",
        "G1 Z3 F600",
        "G1 X0 Y190 F9000",
        "M400",
        "M106 P2 S255",
        "M118 lapsed parked 7",
    )
    assert made(motion(), machine, 1.0, 7).come_back == (
        "G90",
        "M82",
        "M106 P2 S0",
        "G1 Z3 F600",
        "G1 X100 Y100 F9000",
        "G1 Z1 F600",
        "G1 E5 F1800",
        "G1 F1800",
        "G90",
        "M82",
        "M118 lapsed returned 7",
    )


def test_without_echo_nothing_is_said() -> None:
    plain = made(motion(), MACHINE, 1.0, 7, echo=False)
    assert not any("M118" in line for line in plain.leave + plain.come_back)


@pytest.mark.parametrize(
    ("machine", "retracted", "leaves", "returns"),
    [
        (MACHINE, None, "G1 E4 F1800", "G1 E5 F1800"),
        (MACHINE, False, "G1 E4 F1800", "G1 E5 F1800"),
        (MACHINE, True, None, None),
        (FIRMWARE, False, "G10", "G11"),
        (FIRMWARE, True, None, None),
        (FIRMWARE, None, None, None),
        (MACHINE.model_copy(update={"retraction": Retraction(kind="none")}), False, None, None),
    ],
)
def test_retraction(machine: Machine, retracted: bool | None, leaves: str | None, returns: str | None) -> None:
    made_block = made(motion(retracted=retracted), machine, 1.0, 1)
    moved = [line for line in made_block.leave if line[:4] in ("G1 E", "G10")]
    assert moved == ([leaves] if leaves else [])
    back = [line for line in made_block.come_back if line[:4] in ("G1 E", "G11")]
    assert back == ([returns] if returns else [])


def test_the_head_travels_above_everything_printed() -> None:
    assert "G1 Z42 F600" in made(motion(z=1), MACHINE, 40.0, 1).leave
    assert "G1 Z50.5 F600" in made(motion(z=50), MACHINE, 40.0, 1).leave


@pytest.mark.parametrize(
    ("at", "top", "says"),
    [
        (motion(z=199), 199.0, "travelling above the print takes a height of 201.00 mm"),
        (motion(x=-5), 1.0, "the head stands at -5.00, 100.00, 1.00 mm, outside the machine"),
        (motion(z=-1), 1.0, "outside the machine"),
        (motion(z=300), 1.0, "outside the machine"),
        (motion(e=math.nan), 1.0, "the position of the head is no number"),
    ],
)
def test_refusals(at: Motion, top: float, says: str) -> None:
    refused = block(at, MACHINE, top, 1, echo=True)
    assert isinstance(refused, Refusal)
    assert says in refused.reason


def test_a_round_bed_is_a_circle() -> None:
    machine = Machine(bed=RoundBed(shape="circle", radius_mm=100), park_point_mm=(0, 90))
    assert isinstance(block(motion(x=70, y=70), machine, 1.0, 1, echo=True), Block)
    assert isinstance(block(motion(x=80, y=80), machine, 1.0, 1, echo=True), Refusal)


def test_durations_are_those_of_three_moves_from_rest_to_rest() -> None:
    machine = MACHINE.model_copy(
        update={"travel_mm_s": 150.0, "acceleration_mm_s2": 1500.0, "retraction": Retraction(kind="none")}
    )
    # Worked by hand: (100, 100) to (0, 190) is 134.536 mm; t = d/v + v/a = 0.996908 s. The lift of 2 mm at 10 mm/s and
    # 100 mm/s2 takes 2/10 + 10/100 = 0.3 s.
    made_block = made(motion(), machine, 1.0, 1)
    assert made_block.leave_s == pytest.approx(0.996908 + 0.3, abs=1e-6)
    assert made_block.come_back_s == made_block.leave_s


def test_inches_are_left_and_taken_up_again() -> None:
    made_block = made(motion(), MACHINE, 1.0, 1, inches=True)
    assert made_block.leave[0] == made_block.come_back[0] == "G21"
    assert "G20" in made_block.come_back


def test_the_park_point_is_a_place_and_not_a_name() -> None:
    shifted = made(motion(x=10), MACHINE, 41.0, 1, offset=Position(20, 5, 40, 0))
    assert "G1 X-20 Y185 F9000" in shifted.leave
    assert "G1 Z3 F600" in shifted.leave


def test_numbers_are_plain() -> None:
    assert [number(v) for v in (1e-7, -1e-9, 1234567.0, 0.1 + 0.2, 5.0, -2.50)] == [
        "0",
        "0",
        "1234567",
        "0.3",
        "5",
        "-2.5",
    ]


places = st.integers(0, 20_000_000).map(lambda i: i / 100_000)


motions = st.builds(
    motion,
    places,
    places,
    st.integers(0, 15_000_000).map(lambda i: i / 100_000),
    st.integers(-(10**9), 10**9).map(lambda i: i / 100_000),
    absolute=st.booleans(),
    absolute_extrusion=st.booleans(),
    retracted=st.sampled_from([True, False, None]),
)


@given(
    motions,
    st.floats(0, 150),
    st.sampled_from(["set", "over", "apart"]),
    st.sampled_from([MACHINE, FIRMWARE]),
    st.lists(st.sampled_from(["leave", "come_back"]), max_size=3),
)
def test_coming_back_restores_everything_even_if_halves_are_repeated(
    at: Motion, top: float, follows: str, machine: Machine, again: list[str]
) -> None:
    before = State(at.position, feed_mm_min=1800, absolute=at.absolute, absolute_extrusion=at.absolute_extrusion)
    before = run(("G10",), before) if at.retracted else before
    made_block = made(at, machine, top, 1)
    state, dialect = before, Dialect(extruder_follows=follows)
    for half in ["leave", *again, "come_back"]:
        state = run(getattr(made_block, half), state, dialect)
    assert state.motion().position == at.position
    assert (state.absolute, state.absolute_extrusion, state.feed_mm_min, state.retracted) == (
        before.absolute,
        before.absolute_extrusion,
        before.feed_mm_min,
        before.retracted,
    )
