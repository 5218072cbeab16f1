import pytest

from lapsed.gcode.line import parse
from lapsed.sim.machine import HEATING_S, HOMING_MM_S, PROBING_S, Machine, limited
from lapsed.sim.planner import Limits

FREE = (1e6, 1e6, 1e6, 1e6)


@pytest.fixture
def machine() -> Machine:
    return Machine(limits=Limits(FREE, FREE, 1000, 1000, 1000))


def carry_out(machine: Machine, *lines: str) -> list[str]:
    return [said for line in lines for said in machine.execute(line)]


def test_ok_to_a_move_means_queued_and_ok_to_m400_that_it_is_done(machine: Machine) -> None:
    carry_out(machine, "G1 X50 F3000")
    assert machine.now_s == 0
    carry_out(machine, "M400")
    assert machine.now_s == pytest.approx(1.05)  # 50 mm at 50 mm/s and 1000 mm/s2: 1 s and a ramp's 0.05 s


@pytest.mark.parametrize(
    ("line", "wait_s"), [("G4 P500", 0.5), ("G4 S2", 2), ("G4", 0), ("M109 S200", HEATING_S), ("G29", PROBING_S)]
)
def test_dwell_finishes_the_queue_first(machine: Machine, line: str, wait_s: float) -> None:
    carry_out(machine, "G1 X50 F3000", line)
    assert machine.now_s == pytest.approx(1.05 + wait_s)


@pytest.mark.parametrize("line", ["", "; words", "M104 S200", "M73 P3", "M999 X1", "G1", "g1 x50", "\udc80junk"])
def test_other_lines_take_no_time(machine: Machine, line: str) -> None:
    assert machine.execute(line) == ()
    machine.finish()
    assert machine.now_s == 0


def test_console(machine: Machine) -> None:
    said = carry_out(machine, "G1 X1.5 Y2 E0.25 F3000", "M117 G1 Z5", "M118 lapsed cue 7 ; not this", "M114")
    assert said == ["G1 Z5", "lapsed cue 7", "X:1.500 Y:2.000 Z:0.000 E:0.25000"]
    assert machine.state.position.z == 0


def test_lines_wait_for_room_in_the_buffer() -> None:
    machine = Machine(limits=Limits(FREE, FREE, 1000, 1000, 1000), buffer_moves=4)
    ends = []
    for x in range(1, 9):
        machine.execute(f"G1 X{x * 10} F600")
        ends.append(machine.now_s)
    # 10 mm at 10 mm/s: one second each, of which the fourth line waits for none.
    assert ends == pytest.approx([0, 0, 0, 0, 1.005, 2.005, 3.005, 4.005])


def test_buffer_runs_empty_while_no_line_comes(machine: Machine) -> None:
    carry_out(machine, "G1 X50 F3000", "G1 X100")
    machine.wait_until(0.5)
    assert machine.now_s == 0.5
    machine.wait_until(10)
    assert machine.head(10) == ((100, 0, 0), 2)
    carry_out(machine, "G1 X150", "M400")
    assert machine.now_s == pytest.approx(11.05)


def test_head_is_behind_what_is_commanded(machine: Machine) -> None:
    carry_out(machine, "; first", "G1 X50 F3000", "G1 X100", "; last")
    assert machine.state.position.x == 100
    assert machine.head(0) == ((0, 0, 0), 1)
    assert machine.head(0.525)[0] == pytest.approx((25, 0, 0), abs=0.7)
    assert machine.head(1.5)[1] == 2
    assert machine.head(5) == ((100, 0, 0), 4)
    carry_out(machine, "G4 P0")
    assert machine.head(machine.now_s) == ((100, 0, 0), 5)


def test_lines_between_the_prints_do_not_count(machine: Machine) -> None:
    machine.execute("G1 X50 F3000")
    machine.execute("G1 X100", "run")
    assert machine.head(1.5)[1] == 1
    assert machine.head(9) == ((100, 0, 0), 1)


def test_homing_is_a_slow_move_home(machine: Machine) -> None:
    carry_out(machine, "G1 X50 F3000", "M400")
    before = machine.now_s
    carry_out(machine, "G92 X7", "G28")
    assert machine.now_s - before == pytest.approx(50 / HOMING_MM_S, abs=0.1)
    assert machine.head(machine.now_s)[0] == (0, 0, 0)


def test_shifted_coordinates_leave_the_head_where_it_is(machine: Machine) -> None:
    carry_out(machine, "G1 X50 F3000", "G92 X0", "G1 X10", "M400")
    assert machine.state.position.x == 10
    assert machine.head(machine.now_s)[0] == pytest.approx((60, 0, 0))


def test_firmware_retraction_takes_time_once(machine: Machine) -> None:
    carry_out(machine, "G10", "M400")
    once = machine.now_s
    assert once > 0
    carry_out(machine, "G10", "M400")
    assert machine.now_s == once
    assert machine.state.retracted
    carry_out(machine, "G11", "M400")
    assert machine.now_s == pytest.approx(2 * once)
    assert not machine.state.retracted


def test_the_file_sets_limits(machine: Machine) -> None:
    carry_out(machine, "M204 P500 T500", "G1 X50 F3000", "M400")
    assert machine.now_s == pytest.approx(1.1)  # a ramp now takes 0.1 s


# What the letters mean: RepRap wiki, "G-code", at each command.
@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("M201 X500 E900", Limits(acceleration=(500, 3000, 200, 900))),
        ("M203 Z9", Limits(speed=(300, 300, 9, 120))),
        ("M204 S700", Limits(printing=700, travel=700)),
        ("M204 P1 T2 R3", Limits(printing=1, travel=2, retract=3)),
        ("M204 S700 T900", Limits(printing=700, travel=900)),
        ("M205 J0.05", Limits(deviation=0.05)),
        ("M205 X8", Limits()),
        ("M203 X0 Y-5", Limits()),
    ],
)
def test_limits_by_line(line: str, expected: Limits) -> None:
    assert limited(Limits(), parse(line)) == expected
