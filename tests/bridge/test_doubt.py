"""What makes the line a plain cable again: doubt about the machine, silence, errors, and ends that go away."""

import pytest

from lapsed.bridge import talk
from lapsed.bridge.holding import LONGEST_LINE, MOST_HELD_BYTES, MOST_TRIES, Ways
from lapsed.bridge.reading import Reading
from lapsed.gcode.dialect import Dialect
from lapsed.sim.stream import framed
from tests.bridge.line import BLOCK, Bench, Daemon, SerialLine, squares, undone

SQUARES = [f"{text}\n".encode() for text in squares(3)]
FIRSTS = [at for at, line in enumerate(SQUARES) if b"F1500" in line]
"""The lines that begin a layer."""

STATED = ("G28", "G90", "M82", "G92 E0", "G1 X10 Y10 Z0.2 F1200")


def printing(until: int = FIRSTS[1], **ways):
    """A bench that has passed the lines before `until`, filming none of them."""
    bench = Bench(**ways)
    for raw in SQUARES[:until]:
        bench.relay.host(raw, 0.0)
        if bench.relay.holds:
            bench.relay.told(talk.Pass(bench.out()[2][-1].token), 0.0)
        bench.relay.printer(b"ok\n", 0.0)
    bench.out()
    return bench


def told(bench, kind):
    return [message for message in bench.out()[2] if isinstance(message, kind)]


def begun(bench, raw, now=1.0):
    """Send a layer's first line and order a hold for it; what the bridge says to that."""
    bench.relay.host(raw, now)
    token = told(bench, talk.Layer)[0].token
    bench.relay.told(talk.Hold(1, token, 10.0), now)
    return bench.out()


def heard_by(bench, until):
    """What the host hears, and when, up to a time."""
    heard = []
    while (now := bench.relay.wake_at()) < until and len(heard) < 100:
        bench.relay.tick(now)
        heard.append((now, bench.out()[1]))
    return [(now, data) for now, data in heard if data]


def away():
    """A print whose head stands at the park point for its first layer, and would for ever."""
    daemon = Daemon(lambda layer: layer == 1, exposes_s=1e6)
    line = SerialLine(squares(3), daemon=daemon)
    line.play(until=lambda: bool(daemon.of(talk.Parked)))
    return line, daemon


# ---------------------------------------------------------------------------------------------- a patient host


def test_a_host_is_told_two_seconds_after_it_last_heard_anything_that_the_printer_is_busy():
    bench = printing()
    begun(bench, SQUARES[FIRSTS[1]])
    bench.relay.printer(b"T:210\n", 1.5)
    bench.out()
    busy = b"echo:busy: processing\n"  # the line, and every 2 s: RepRap wiki, "Replies"
    assert heard_by(bench, until=9.0) == [(3.5, busy), (5.5, busy), (7.5, busy)]


def test_a_hold_after_a_long_silence_begins_without_a_busy_line():
    bench = printing()
    begun(bench, SQUARES[FIRSTS[1]], now=100.0)
    assert [now for now, _ in heard_by(bench, until=105.0)] == [102.0, 104.0]


def test_a_host_is_told_nothing_in_the_middle_of_a_line_of_the_printers():
    bench = printing()
    bench.relay.printer(b"T:2", 0.9)
    assert bench.out()[1] == b"T:2"
    begun(bench, SQUARES[FIRSTS[1]])
    assert heard_by(bench, until=6.0) == []
    bench.relay.printer(b"10\n", 6.0)
    assert bench.out()[1] == b"10\n"
    assert [now for now, _ in heard_by(bench, until=9.0)] == [8.0]


# ------------------------------------------------------------------------------------------------ the host's end


def test_a_host_that_closes_in_a_hold_has_the_head_brought_back_and_its_lines_sent_on():
    line, daemon = away()
    line._at_relay_from_host(b"M105\nG1 X7 Y")  # one line that waits, and one in its middle
    line.relay.host_there(there=False, now=line.now)
    line._after()
    line.play(until=lambda: bool(daemon.of(talk.Freed)))
    assert daemon.of(talk.Freed)[0].reason == "the host closed its port"
    assert daemon.of(talk.PrintOver) == [talk.PrintOver("failed", "the host closed its port in mid-print")]
    assert daemon.of(talk.Ends)[-1] == talk.Ends(host=False, printer=True)
    line.play(until=lambda: line.executed()[-1]["number"] is not None)
    assert "E0.3300 F1500*" in line.executed()[-1]["line"]  # the line that waited, from where the park found the head
    undone(line)


def test_what_a_host_that_closes_left_of_a_line_goes_to_the_printer():
    bench = printing()
    bench.relay.host(b"G1 X5 Y", 1.0)
    assert bench.out()[0] == b""
    bench.relay.host_there(there=False, now=1.001)
    assert bench.out()[0] == b"G1 X5 Y"
    bench.relay.host_there(there=True, now=2.0)
    bench.relay.host(b"M105\n", 2.0)  # the next host's line is not the rest of that one
    assert bench.out()[0] == b"M105\n"


def test_a_host_that_stops_in_mid_line_has_its_piece_passed_and_that_line_is_not_held():
    bench = printing(part_within_s=0.02)
    first = SQUARES[FIRSTS[1]]
    bench.relay.host(first[:8], 1.0)
    assert (bench.out()[0], bench.relay.wake_at()) == (b"", 1.02)
    bench.relay.tick(1.02)
    assert bench.out()[0] == first[:8]
    sent, _, said = begun(bench, first[8:], 60.0)
    assert said == [talk.Refused(1, "the line was already on its way")]
    assert sent == b""  # the rest went with the layer's own news
    assert not bench.relay.holds


@pytest.mark.parametrize("pieces", [1, 7, 4000])
def test_an_over_long_line_passes_whole_and_stops_parking_until_all_is_stated_again(pieces):
    bench = printing()
    line = b"G1 X" + b"1" * 4 * LONGEST_LINE + b"\n"
    size = len(line) // pieces
    sent = b""
    for at in range(0, len(line), size):
        bench.relay.host(line[at : at + size], 1.0)
        bench.relay.tick(1.0)
        sent += bench.out()[0]
    assert sent == line
    bench.relay.printer(b"ok\n", 1.0)
    said = begun(bench, SQUARES[FIRSTS[1]])[2]
    if pieces > 1:
        assert said == [talk.Refused(1, "a line too long to be read went to the printer")]


def test_a_line_without_an_end_in_a_hold_ends_it():
    line, daemon = away()
    endless = b"X" * (MOST_HELD_BYTES + 1)
    line._at_relay_from_host(endless)
    line.play(until=lambda: bool(daemon.of(talk.Freed)))
    assert daemon.of(talk.Freed)[0].reason == "the host sends a line without an end"


# --------------------------------------------------------------------------------------------- the printer's end


def test_a_cable_pulled_in_a_hold_ends_it_and_the_print_and_sends_nothing_more():
    line, _ = away()
    line._at_relay_from_host(b"M105\n")
    before = len(line.relay.wire.to_printer)
    line.relay.printer_there(there=False, reason="the printer's port went away: pulled", now=line.now)
    assert bytes(line.relay.wire.to_printer[before:]) == b""
    said = line.relay.wire.says
    assert talk.PrintOver("failed", "the printer's port went away: pulled") in said
    assert talk.Ends(host=True, printer=False, reason="the printer's port went away: pulled") in said
    assert talk.Freed(1, "the printer's port went away: pulled") in said
    assert not line.relay.holds


def reset(bench):
    bench.relay.printer(b"start\n", 1.1)
    assert bench.out()[1] == b"start\n"


def pulled(bench):
    bench.relay.printer_there(there=False, reason="the printer was reset", now=1.1)
    bench.relay.printer_there(there=True, reason="", now=1.2)


def streamed(bench, lines):
    """Send lines, none of which the daemon wants a frame of."""
    for text in lines:
        bench.relay.host(f"{text}\n".encode(), 2.0)
        if bench.relay.holds:
            bench.relay.told(talk.Pass(bench.out()[2][-1].token), 2.0)
        bench.relay.printer(b"ok\n", 2.0)
    bench.out()


def test_a_reset_in_a_hold_ends_it_and_the_print():
    bench = printing()
    begun(bench, SQUARES[FIRSTS[1]])
    bench.relay.printer(b"start\n", 1.1)
    reason = "the printer was reset"
    assert bench.out()[1:] == (b"start\n", [talk.PrintOver("failed", reason), talk.Freed(1, reason)])


@pytest.mark.parametrize("lost", [reset, pulled])
def test_after_a_reset_nothing_is_parked_before_every_axis_was_homed_and_then_the_next_print_is(lost):
    bench = printing()
    lost(bench)
    bench.out()
    why = "the printer was reset, and not every axis has been homed since"
    # A host that goes on as if nothing had been: all is stated, and the printer would bear out any place.
    said = begun(bench, b"G1 X61 Y51 E9 F1500\n")[2]
    assert said == [talk.Refused(1, why)]
    bench.relay.printer(b"ok\n", 2.0)
    streamed(bench, (*STATED[1:], "G1 X5 E1", "G28 X Y", "G90", "M82", "G1 X10 Y10 Z0.4 F1200"))
    assert begun(bench, b"G1 X6 E2\n", 3.0)[2] == [talk.Refused(1, why)]
    bench.relay.printer(b"ok\n", 3.0)
    streamed(bench, ("G28 Z", *STATED[1:], "G1 X5 E1", "G1 Z0.4"))
    assert begun(bench, b"G1 X6 E2\n", 4.0)[0] == b"M400\n"


@pytest.mark.parametrize("text", [b'echo:Unknown command: "M400"\n', b"!! fan fault\n"])
def test_an_unexpected_answer_to_the_park_block_brings_the_head_back(text):
    line, daemon = away()
    line.say(text)
    line.play()
    assert daemon.of(talk.Freed)[0].reason == "the printer answered the park block with an error"
    assert text in line.to_host
    assert line.host_lines() == line.stream.sent
    undone(line)


def test_that_the_printer_is_idle_is_news_to_the_host_only_where_no_hold_is_the_reason():
    bench = printing()
    bench.relay.printer(b"wait\n", 0.5)
    assert bench.out()[1] == b"wait\n"
    begun(bench, SQUARES[FIRSTS[1]])
    bench.relay.printer(b"wait\n", 1.1)  # a host that hears it in a hold may send its last line again
    assert bench.out()[1] == b""


@pytest.mark.parametrize(
    "text",
    [
        b"echo:busy: processing\n",
        b"T:210.0 /210.0 B:60.0 /60.0 @:64\n",
        b" T:210.0 /210.0\n",
        b"// a note\n",
        b"//action:prompt_end\n",
        b"echo:cold extrusion prevented\n",
        b"\x00\xff\n",
    ],
)
def test_what_the_printer_says_of_itself_reaches_the_host_in_a_hold_as_out_of_it(text):
    bench = printing()
    bench.relay.printer(text, 0.5)
    assert bench.out()[1] == text
    begun(bench, SQUARES[FIRSTS[1]])
    bench.relay.printer(text, 1.1)
    assert bench.out() == (b"", text, [])
    assert bench.relay.holds


def held_up(bench, answers):
    """Order a hold and answer so; what comes of it when its station's time is over."""
    sent = begun(bench, SQUARES[FIRSTS[1]])[0]
    for answer in answers:
        bench.relay.printer(answer, 1.0)
    sent += bench.out()[0]
    for _ in range(20):
        if not bench.relay.holds:
            break
        bench.relay.tick(bench.relay.wake_at())
    more, _, said = bench.out()
    return sent + more, [message for message in said if isinstance(message, talk.Refused)]


@pytest.mark.parametrize(
    ("owed", "answers", "asked", "reason"),
    [
        (1, (), b"", "the printer had not answered 1 lines within the time to wait for them"),
        (0, (), b"M400\n", "the machine did not come to rest in time"),
        (0, (b"ok\n",), b"M400\nM114\n", "the printer did not answer M114 in time"),
    ],
)
def test_a_printer_that_falls_silent_before_the_head_has_left_costs_the_shot_and_no_line(owed, answers, asked, reason):
    bench = printing()
    bench.relay.host(b"G4 P0\n" * owed, 1.0)
    bench.out()
    sent, refused = held_up(bench, answers)
    assert refused == [talk.Refused(1, reason)]
    assert sent == asked + SQUARES[FIRSTS[1]]


def test_an_answer_that_got_lost_costs_one_shot_though_the_daemon_gives_up_first():
    bench = printing()
    bench.relay.host(b"M105\n", 0.5)  # as of a host that was killed and never missed the answer
    assert begun(bench, SQUARES[FIRSTS[1]]) == (b"", b"", [])
    bench.relay.told(talk.Free(1), 2.0)
    sent, _, said = bench.out()
    assert (sent, said) == (SQUARES[FIRSTS[1]], [talk.Freed(1)])
    bench.relay.printer(b"ok\n", 2.0)
    for raw in SQUARES[FIRSTS[1] + 1 : FIRSTS[2]]:
        bench.relay.host(raw, 3.0)
        bench.relay.printer(b"ok\n", 3.0)
    bench.out()
    assert begun(bench, SQUARES[FIRSTS[2]], 4.0)[0] == b"M400\n"


def test_a_printer_that_answers_m114_with_no_place_is_not_parked_and_the_way_out_is_named():
    bench = printing()
    begun(bench, SQUARES[FIRSTS[1]])
    bench.relay.printer(b"ok\nok\n", 1.1)
    reason = "the printer did not tell its position; set check_position = false if it never does"
    assert bench.out()[2] == [talk.Refused(1, reason)]


def test_a_printer_that_answers_nothing_on_the_way_back_is_told_it_to_its_end_and_the_print_goes_on_after_some_tries():
    bench = printing()
    begun(bench, SQUARES[FIRSTS[1]])
    bench.relay.printer(b"ok\n", 1.1)
    bench.relay.printer(b"X:50.00 Y:50.00 Z:0.40 E:0.00\nok\n", 1.2)
    bench.relay.told(talk.Leave(1, BLOCK, ("G1 X50 Y50", "M83"), 1.0), 1.3)
    for _ in BLOCK:
        bench.relay.printer(b"ok\n", 1.4)
    bench.out()
    bench.relay.told(talk.Free(1), 1.5)
    sent, said = b"", []
    for _ in range(20):
        if not bench.relay.holds:
            break
        bench.relay.tick(bench.relay.wake_at())
        more, _, news = bench.out()
        sent, said = sent + more, said + news
    assert sent == b"G1 X50 Y50\n" * (MOST_TRIES + 1) + b"M83\n" + SQUARES[FIRSTS[1]]
    assert said == [talk.Freed(1, "the printer answers no more")]


@pytest.mark.parametrize(
    ("back", "again"),
    [
        (("G1 X50 Y50", "G1 F2400", "G90", "M83"), b"G1 F2400\n"),
        (("G90", "G1 X50 Y50"), b"G90\n"),
    ],
)
def test_after_an_answer_given_up_feed_rate_and_modes_are_stated_again(back, again):
    bench = printing()
    begun(bench, SQUARES[FIRSTS[1]])
    bench.relay.printer(b"ok\n", 1.1)
    bench.relay.printer(b"X:50.00 Y:50.00 Z:0.40 E:0.00\nok\n", 1.2)
    bench.relay.told(talk.Leave(1, BLOCK, back, 1.0), 1.3)
    for _ in BLOCK:
        bench.relay.printer(b"ok\n", 1.4)
    bench.relay.told(talk.Free(1), 1.5)
    bench.relay.tick(7.0)  # nothing was said for 5 s: the first line of the way back is sent once more
    for _ in back:
        bench.relay.printer(b"ok\n", 7.1)
    bench.out()
    bench.relay.printer(b"X:50.00 Y:50.00 Z:0.40 E:0.00\nok\n", 7.2)
    assert bench.out()[0] == again


# ------------------------------------------------------------------------------------------- doubt of the machine


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("M84", "M84 switched the motors off, and not every axis has been homed since"),
        ("M18 X E", "M18 switched the motors off, and not every axis has been homed since"),
        ("M84 E", "M84 switched the motors off"),
        ("M84 S600", "M84 switched the motors off"),
        ("T1", "T1 changed the tool, and no move to a place of its own has come since"),
        ("G29", "G29 moved the head to a place that it doesn't tell"),
        ("M9999", "M9999 is not known here and may have moved the head; where it is has not been said since"),
    ],
)
def test_no_park_after_a_line_that_leaves_the_place_uncertain_and_the_reason_names_it(text, reason):
    reading = Reading(Dialect())
    for line in (*STATED, "G1 X11"):
        reading.read(f"{line}\n".encode())
    assert reading.unsure() is None
    for line in (text, "G1 E1"):
        reading.read(f"{line}\n".encode())
    assert reading.unsure() == reason
    for line in (*STATED[1:], "G1 X11"):
        reading.read(f"{line}\n".encode())
    assert reading.unsure() == (reason if "homed" in reason else None)
    for line in (*STATED, "G1 X11"):
        reading.read(f"{line}\n".encode())
    assert reading.unsure() is None


def test_lines_asked_for_again_that_are_not_remembered_leave_all_uncertain():
    reading = Reading(Dialect())
    for line in STATED:
        reading.read(f"{line}\n".encode())
    reading.rewind(7)
    reading.read(b"N7 G1 X11\n")
    assert reading.unsure() == "the printer asked for lines again that are not remembered"


@pytest.mark.parametrize("comes", [(5, 6, 7, 8), (6, 7, 8), (6, 5, 6, 7, 8), (6, 7, 5, 6, 7, 8)])
def test_a_second_request_for_a_line_is_read_by_whether_that_line_comes_once_more(comes):
    # The printer refuses each line that was under way when it asked, and asks anew; a host need not heed that.
    lines = [framed(number, text) for number, text in enumerate((*STATED, "G91", "G1 X1", "G90", "G1 Y9"))]
    reading = Reading(Dialect())
    for raw in lines:
        reading.read(raw)
    reading.rewind(5)
    reading.read(lines[5])
    reading.rewind(5)
    for number in comes:
        reading.read(lines[number])
    assert (reading.state.position.x, reading.state.position.y, reading.state.absolute) == (11, 9, True)


@pytest.mark.parametrize("first", [5, 6])
def test_lines_that_a_printer_refused_after_its_second_request_are_read_anew_when_they_come_again(first):
    lines = [framed(number, text) for number, text in enumerate((*STATED, "G91", "G1 X1", "G90", "G1 X30"))]
    reading = Reading(Dialect())
    for raw in lines:
        reading.read(raw)
    for _ in range(3):
        reading.rewind(first)
        for raw in lines[first:]:
            reading.read(raw)
    reading.rewind(first)
    for raw in lines[first:-1]:
        reading.read(raw)
    assert (reading.state.position.x, reading.state.absolute) == (11, True)


@pytest.mark.parametrize("held", [True, False])
def test_nothing_is_parked_after_an_emergency_stop_until_every_axis_was_homed(held):
    bench = printing()
    if held:
        begun(bench, SQUARES[FIRSTS[1]])
    bench.relay.host(b"M112\n", 1.1)
    bench.relay.printer(b"ok\nok\n", 1.2)
    bench.out()
    why = "the machine was stopped by M112, and not every axis has been homed since"
    streamed(bench, (*STATED[1:], "G1 X5 E1", "G1 Z0.4"))
    assert begun(bench, b"G1 X61 Y51 E9 F1500\n", 9.0)[2] == [talk.Refused(1, why)]
    bench.relay.printer(b"ok\n", 9.0)
    streamed(bench, (*STATED, "G1 X5 E1", "G1 Z0.4"))
    assert begun(bench, b"G1 X6 E2\n", 10.0)[0] == b"M400\n"


def test_a_silent_daemon_is_waited_for_no_longer_than_its_deadline():
    bench = printing(answer_within_s=0.05)
    bench.relay.host(SQUARES[FIRSTS[1]], 1.0)
    assert (bench.out()[0], bench.relay.wake_at()) == (b"", 1.05)
    bench.relay.tick(1.05)
    assert bench.out()[0] == SQUARES[FIRSTS[1]]
    assert Ways().answer_within_s == 0.05  # what the page of the bridge says of it
