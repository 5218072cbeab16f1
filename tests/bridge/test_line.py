"""Whole prints through the relay, against a simulated printer and host in virtual time."""

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from lapsed.bridge import talk
from lapsed.bridge.holding import Ways
from lapsed.gcode.reading import read
from lapsed.sim.controller import Fault
from lapsed.sim.controller import Ways as Firmware
from lapsed.sim.part import write_part
from tests.bridge.line import Daemon, SerialLine, numbered, sliced, squares, undone

BEACON = write_part(5).splitlines()


def assert_untouched(line):
    assert line.host_heard_true()
    assert line.host_lines() == line.stream.sent
    undone(line)


@pytest.mark.parametrize("relative", [False, True])
@pytest.mark.parametrize("advanced", [False, True])
@pytest.mark.parametrize("window", [1, 4])
def test_a_print_is_parked_at_each_layer_and_never_altered(window, advanced, relative):
    daemon = Daemon()
    lines = squares(6, relative=relative)
    line = SerialLine(lines, window=window, polls=7, firmware=Firmware(advanced=advanced), daemon=daemon)
    line.play()
    assert_untouched(line)
    assert [layer.number for layer in daemon.of(talk.Layer)] == [1, 2, 3, 4, 5, 6]
    assert len(daemon.of(talk.Parked)) == 6
    assert daemon.of(talk.PrintOver) == [talk.PrintOver("finished", "")]


@pytest.mark.parametrize("name", ["plate-together", "tower-firmware-retract"])
def test_the_beginnings_of_real_sliced_files_are_parked_in_and_never_altered(name):
    lines = sliced(name)[:2000]
    whole = read([("\n".join(lines) + "\n").encode("utf-8", "surrogateescape")])
    daemon = Daemon()
    line = SerialLine(lines, window=3, polls=40, daemon=daemon)
    line.play()
    assert_untouched(line)
    layers = daemon.of(talk.Layer)
    assert layers[-1].number == len(whole.layers)
    assert len(daemon.of(talk.Parked)) == len(layers)


def test_the_first_line_of_the_layer_is_what_waits():
    daemon = Daemon(lambda layer: layer == 3)
    line = SerialLine(squares(4), daemon=daemon)
    line.play()
    executed = [str(record["line"]) for record in line.executed()]
    last = max(at for at, record in enumerate(line.executed()) if record["number"] is None)
    assert " X60.000 Y50.000 E2.9700 F1500" in executed[last + 1]  # 8 strokes of 0.33 lie below the third layer
    assert daemon.of(talk.Held)[0].position == pytest.approx((50.0, 50.0, 0.6, 2.64))


def test_the_head_stands_still_at_the_park_point_while_the_shutter_is_open():
    daemon = Daemon(exposes_s=5.0)
    line = SerialLine(squares(3), daemon=daemon)
    line.play()
    assert_untouched(line)
    parked = [record for record in line.executed() if record["line"] == "M400"]
    assert [record["at"][:2] for record in parked[1::2]] == [[0.0, 200.0]] * 3  # the others let the print's moves end
    # Two busy lines in the five seconds, since the host must not lose patience (RepRap wiki, "Replies": busy).
    assert line.to_host.count(b"busy") >= 2 * 3


def test_without_a_daemon_nothing_but_the_hosts_lines_reaches_the_printer():
    line = SerialLine(BEACON, window=3, seed=5)
    line.play()
    assert line.host_lines() == line.stream.sent
    assert not line.ours()


def test_unnumbered_lines_pass_in_order_too():
    daemon = Daemon(lambda _layer: False)
    line = SerialLine(squares(4), numbered=False, daemon=daemon)
    line.play()
    got = [f"{record['line']}\n".encode() for record in line.executed()]
    assert got == line.stream.sent


def test_a_silent_daemon_costs_each_layer_no_more_than_its_deadline():
    daemon = Daemon(answers_s=1.0)
    line = SerialLine(squares(5), daemon=daemon, ways=Ways(answer_within_s=0.05))
    line.play()
    assert line.host_lines() == line.stream.sent
    assert not line.ours()
    assert len(daemon.of(talk.Remark)) == 5
    assert all("took more than 50 ms" in refused.reason for refused in daemon.of(talk.Refused))


def test_a_shot_that_never_ends_is_ended_at_the_limit():
    daemon = Daemon(exposes_s=1e6)
    line = SerialLine(squares(3), daemon=daemon)
    line.play()
    assert_untouched(line)
    assert [freed.reason for freed in daemon.of(talk.Freed)] == ["the hold limit was reached"] * 3


@pytest.mark.parametrize(
    ("gone", "check", "reason"),
    [
        ("G90", True, None),  # absolute moves are what printers start with, and M114 bears it out
        ("G90", False, "neither G90 nor G91"),
        ("G90, M82", True, "neither M82 nor M83"),  # G90 alone sets the extruder's mode as well in this dialect
        ("G28", True, "has not been homed"),
        ("G92 E0", True, "has not said where the extruder stands"),
    ],
)
def test_nothing_is_parked_before_all_is_known(gone, check, reason):
    relative = gone == "G92 E0"
    lines = [line for line in squares(2, relative=relative) if line not in gone.split(", ")]
    if gone == "G28":
        lines = [line for line in lines if line != "G0 X50.0 Y50.0 F9000"]
    daemon = Daemon()
    line = SerialLine(lines, daemon=daemon, ways=Ways(check_position=check))
    line.play()
    assert_untouched(line)
    if reason is None:
        assert len(daemon.of(talk.Parked)) == 2
    else:
        assert reason in daemon.of(talk.Refused)[0].reason


def test_relative_moves_that_were_in_force_unseen_are_found_by_the_printers_own_place():
    daemon = Daemon()
    line = SerialLine([text for text in squares(3) if text != "G90"], daemon=daemon)
    line.printer.machine.execute("G91")
    line.play()
    assert line.host_lines() == line.stream.sent
    assert not daemon.of(talk.Parked)
    assert "the printer says that it stands at" in daemon.of(talk.Refused)[0].reason


def test_a_jog_at_the_panel_is_found_before_the_head_leaves():
    daemon = Daemon(lambda layer: layer > 1)
    jog = squares(5).index("G1 E0.5200 F2400") + 6  # the last line before the second layer's first
    line = SerialLine(squares(5), daemon=daemon, faults=(Fault(at=jog, kind="jog"),))
    line.play()
    assert line.host_lines() == line.stream.sent
    reasons = [refused.reason for refused in daemon.of(talk.Refused)]
    assert len(reasons) == 1
    assert "the printer says that it stands at 60.00 50.00" in reasons[0]
    assert len(daemon.of(talk.Parked)) == 3


def test_an_unknown_command_stops_parking_until_all_is_stated_again():
    lines = squares(5)
    where = lines.index("G0 Z0.80 F600")
    lines[where:where] = ["M9999 S1"]
    restated = lines.index("G0 Z1.20 F600")
    lines[restated:restated] = ["G90", "M82"]
    daemon = Daemon()
    line = SerialLine(lines, daemon=daemon)
    line.play()
    reasons = [refused.reason for refused in daemon.of(talk.Refused)]
    assert len(reasons) == 2
    assert all("M9999 is not known here" in reason for reason in reasons)
    assert len(daemon.of(talk.Parked)) == 3
    unharmed = Daemon()
    SerialLine(lines, daemon=unharmed, ways=Ways(harmless=frozenset({"M9999"}))).play()
    assert len(unharmed.of(talk.Parked)) == 5


def test_a_reset_ends_the_print_and_is_passed_on():
    daemon = Daemon()
    line = SerialLine(squares(6), daemon=daemon, faults=(Fault(at=40, kind="reset"),))
    line.play(until=lambda: bool(daemon.of(talk.PrintOver)))
    assert daemon.of(talk.PrintOver) == [talk.PrintOver("failed", "the printer was reset")]
    line.play(until=lambda: b"start" in line.to_host)


FAULTS = st.lists(
    st.builds(
        Fault,
        at=st.integers(2, 90),
        kind=st.sampled_from(["bad", "deaf", "late", "say", "jog"]),
        for_s=st.sampled_from([0.1, 3.0, 9.0]),
        text=st.sampled_from(
            ["wait", "//note", "echo:x", "echo:busy: processing", "T:210 /210", "\x00\xff", "//action:paused"]
        ),
    ),
    max_size=4,
    unique_by=lambda fault: fault.at,
)


@settings(max_examples=80, deadline=None)
@given(
    seed=st.integers(0, 2**32),
    window=st.integers(1, 6),
    polls=st.sampled_from([0, 3]),
    advanced=st.booleans(),
    forgets=st.booleans(),
    faults=FAULTS,
    answers_s=st.sampled_from([0.0, 0.01, 0.04, 0.2]),
    exposes_s=st.sampled_from([0.0, 0.5, 30.0]),
    check=st.booleans(),
)
def test_whatever_goes_wrong_the_printer_carries_out_the_hosts_lines_once_and_in_order(
    *, seed, window, polls, advanced, forgets, faults, answers_s, exposes_s, check
):
    daemon = Daemon(answers_s=answers_s, exposes_s=exposes_s)
    line = SerialLine(
        squares(4, relative=bool(seed % 2)),
        seed=seed,
        window=window,
        polls=polls,
        faults=tuple(faults),
        firmware=Firmware(advanced=advanced, forgets=forgets),
        daemon=daemon,
        ways=Ways(check_position=check or any(fault.kind == "jog" for fault in faults)),
    )
    line.play()
    assert line.host_heard_true()
    assert line.host_lines() == line.stream.sent
    if not any(fault.kind == "jog" for fault in faults):
        undone(line)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32), window=st.integers(1, 4), at=st.integers(2, 90), checks=st.booleans())
@example(seed=3521210679, window=4, at=75, checks=False)  # the host sends its whole print into the refusals
@example(seed=1826, window=3, at=5, checks=False)  # line 1 is asked for twice, and the host heeds it once
def test_after_a_reset_at_any_line_nothing_of_ours_comes_before_the_machine_was_homed(*, seed, window, at, checks):
    daemon = Daemon()
    line = SerialLine(
        squares(4),
        seed=seed,
        window=window,
        faults=(Fault(at=at, kind="reset"),),
        daemon=daemon,
        ways=Ways(check_position=checks),
    )
    line.play()
    sent = line.stream.sent
    reset = next(place for place, record in enumerate(line.log.records) if record.get("event") == "start")
    before, after = line.log.records[:reset], line.log.records[reset:]
    # The firmware counts from 0 again and asks for line 1, from which the host begins anew.
    assert numbered(before) == sent[: len(numbered(before))]
    assert numbered(after) == sent[1:]
    ours = [place for place, record in enumerate(after) if record.get("number", 0) is None]
    assert ours
    assert "G28" in [
        str(record["line"]).split("*")[0].split()[-1] for record in after[: ours[0]] if "event" not in record
    ]
    assert len(daemon.of(talk.Parked)) >= 3


@pytest.mark.parametrize("lost", range(50, 58))
def test_a_line_lost_on_the_way_back_is_made_good_though_an_answer_given_up_comes_in_its_place(lost):
    """Line 49 is the second of a park block: its answer comes after 9 s, when the way back has begun."""
    faults = (Fault(at=49, kind="late", for_s=9.0), Fault(at=lost, kind="deaf"))
    line = SerialLine(squares(4), polls=3, faults=faults, daemon=Daemon())
    line.play()
    assert [record["line"] for record in line.ours()].count("G1 X0 Y200 F9000") == 3  # of four, one was given up
    assert_untouched(line)


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 2**32), window=st.integers(1, 4), dies=st.floats(0, 40), back=st.floats(0, 10))
def test_a_daemon_that_dies_and_comes_back_leaves_no_trace(seed, window, dies, back):
    daemon = Daemon(exposes_s=2.0)
    line = SerialLine(squares(5), seed=seed, window=window, daemon=daemon)

    def die():
        line.daemon = None
        line.relay.detach(line.now)
        line._after()
        line.at(line.now + back, come)

    def come():
        line.daemon = daemon
        line.relay.attach(line.now)
        line._after()

    line.at(dies, die)
    line.play()
    assert_untouched(line)
