"""What comes in the middle of a hold, prints from the printer's card, and silence."""

import pytest

from lapsed.bridge import talk
from lapsed.bridge.holding import Ways
from lapsed.sim.stream import framed
from tests.bridge.line import Bench, Daemon, SerialLine, squares, undone


def away(**ways):
    """A print whose head stands at the park point for its first layer, and would for ever."""
    daemon = Daemon(lambda layer: layer == 1, exposes_s=1e6)
    line = SerialLine(squares(3), daemon=daemon, ways=Ways(**ways))
    line.play(until=lambda: bool(daemon.of(talk.Parked)))
    assert line.executed()[-1]["at"][:2] == [0.0, 200.0]
    return line, daemon


@pytest.mark.parametrize("code", ["M108", "M410"])
def test_what_ends_a_wait_ends_the_hold_and_reaches_the_printer_at_once(code):
    line, daemon = away()
    line._at_relay_from_host(f"{code}\n".encode())
    sent = len(line.executed())
    line.play(until=lambda: bool(daemon.of(talk.Freed)))
    assert line.executed()[sent]["line"] == code  # before the first line of the way back
    assert daemon.of(talk.Freed)[0].reason == f"the host sent {code}"
    line.play()
    assert line.host_lines() == line.stream.sent
    assert line.executed()[-1]["at"][:2] == [0.0, 200.0]  # the print's own end


def test_a_numbered_one_keeps_its_place_in_the_order():
    line, daemon = away()
    code = framed(len(line.host_lines()) + 1, "M108")
    line._at_relay_from_host(code)
    line.play(until=lambda: bool(daemon.of(talk.Freed)))
    assert line.relay.wire.host_due == 2
    assert daemon.of(talk.Freed)[0].reason == "the host sent M108"


@pytest.mark.parametrize("text", [b"M112\n", framed(40, "M112")])
def test_an_emergency_stop_in_a_hold_is_the_very_next_thing_the_printer_gets(text):
    line, daemon = away()
    before = len(line.log.records)
    line._at_relay_from_host(text)
    line.play(until=lambda: line.printer.halted)
    assert line.log.records[before]["event"] == "emergency"
    assert not line.relay.holds
    assert daemon.of(talk.PrintOver) == [talk.PrintOver("failed", "the host sent M112, an emergency stop")]
    assert daemon.of(talk.Freed)[0].reason == "the host sent M112"


def test_a_pause_at_the_panel_in_a_hold_brings_the_head_back_and_is_told():
    line, daemon = away()
    line.say(b"//action:paused\n")
    line.play(until=lambda: bool(daemon.of(talk.Freed)))
    assert b"//action:paused\n" in line.to_host
    assert daemon.of(talk.Freed)[0].reason == "the print was paused at the printer"
    line.say(b"//action:resumed\n")
    line.play()
    assert daemon.of(talk.Waits) == [talk.Waits(paused=True), talk.Waits(paused=False)]
    assert line.host_lines() == line.stream.sent
    undone(line)


def test_a_cancellation_at_the_panel_ends_the_print():
    line, daemon = away()
    line.say(b"//action:cancel\n")
    line.play(until=lambda: bool(daemon.of(talk.PrintOver)))
    assert daemon.of(talk.PrintOver) == [talk.PrintOver("cancelled", "the print was cancelled at the printer")]


PLACE = b"X:10.00 Y:20.00 Z:3.40 E:1.00 Count X:800\nok\n"


def test_a_print_from_the_card_is_told_and_its_height_is_asked_for():
    bench = Bench(card_poll_s=5.0)
    bench.exchange(b"M23 PIER.G\n")
    assert bench.exchange(b"M24\n")[2] == [talk.PrintBegan("-1", joined=False, name="PIER.G", card=True)]
    heights = []
    for _ in range(3):
        now = bench.relay.wake_at()
        bench.relay.tick(now)
        assert bench.out()[0] == b"M114\n"
        bench.relay.printer(PLACE, now)
        to_printer, to_host, said = bench.out()
        assert (to_printer, to_host) == (b"", b"")  # the answer is ours
        heights += said
        assert bench.relay.wake_at() == now + 5.0
    assert heights == [talk.Height(3.4)] * 3
    bench.relay.printer(b"Done printing file\n", 20.0)
    assert bench.out()[1:] == (b"Done printing file\n", [talk.PrintOver("finished", "")])
    bench.relay.tick(30.0)
    assert bench.out() == (b"", b"", [])


def test_the_height_is_not_asked_for_while_the_hosts_own_question_is_open():
    bench = Bench(card_poll_s=5.0)
    bench.exchange(b"M32 PIER.G\n")
    bench.relay.host(b"M114\n", 1.0)
    assert bench.out()[0] == b"M114\n"
    bench.relay.tick(5.0)
    assert bench.out()[0] == b""
    bench.relay.printer(PLACE, 5.1)
    assert bench.out() == (b"", PLACE, [])


def from_card():
    bench = Bench(card_poll_s=5.0)
    bench.exchange(b"M32 PIER.G\n")
    return bench


def asked_at(bench, *times):
    """What goes to the printer at each of these times."""
    gone = []
    for now in times:
        bench.relay.tick(now)
        gone.append(bench.out()[0])
    return gone


def test_the_height_is_not_asked_for_again_before_the_printer_has_answered():
    bench = from_card()
    assert asked_at(bench, 5.0, 10.0, 15.0) == [b"M114\n", b"", b""]
    bench.relay.printer(PLACE, 15.1)
    assert bench.out()[2] == [talk.Height(3.4)]
    assert asked_at(bench, 19.9, 20.0) == [b"", b"M114\n"]


def test_the_height_is_not_asked_for_in_the_middle_of_a_line_of_the_hosts():
    bench = from_card()
    bench.relay.host(b"M10", 1.0)
    assert bench.out()[0] == b"M10"
    assert asked_at(bench, 5.0) == [b""]
    assert bench.exchange(b"5\n")[0] == b"5\n"
    assert asked_at(bench, 10.0) == [b"M114\n"]


def test_the_height_is_asked_for_only_while_a_daemon_is_there_and_at_once_when_it_comes():
    bench = from_card()
    bench.relay.detach(1.0)
    assert bench.relay.wake_at() is None
    assert asked_at(bench, 5.0, 50.0) == [b"", b""]
    bench.relay.attach(51.0)
    assert bench.relay.wake_at() <= 51.0
    assert asked_at(bench, 51.0) == [b"M114\n"]


def test_the_next_print_from_the_card_is_asked_after_at_once():
    bench = from_card()
    assert asked_at(bench, 5.0) == [b"M114\n"]
    bench.relay.printer(PLACE + b"Done printing file\n", 6.0)
    assert asked_at(bench, 7.0) == [b""]
    bench.exchange(b"M32 PIER.G\n")
    assert bench.relay.wake_at() <= 8.0
    assert asked_at(bench, 8.0) == [b"M114\n"]


def test_the_printers_own_line_tells_a_print_from_its_card_too():
    bench = Bench()
    bench.relay.printer(b"SD printing byte 1234/99999\n", 1.0)
    assert bench.out()[2] == [talk.PrintBegan("-1", joined=False, name="card", card=True)]
    assert bench.relay.wake_at() is None  # heights are asked for on wish only


def test_a_print_that_moves_no_more_for_hours_is_over():
    bench = Bench(over_after_s=3600.0)
    for text in squares(2)[:-4]:
        bench.relay.host(f"{text}\n".encode(), 100.0)
        bench.relay.printer(b"ok\n", 100.0)
        bench.relay.tick(101.0)
        bench.relay.printer(b"ok\n", 101.0)
    bench.out()
    for at in range(200, 3600, 100):
        bench.exchange(b"M105\n")  # a host that only asks for temperatures has fallen silent as well
        bench.relay.tick(float(at))
    assert bench.out()[2] == []
    assert bench.relay.wake_at() == 3700.0
    bench.relay.tick(3700.0)
    assert bench.out()[2] == [talk.PrintOver("lost", "the host has sent no move for 60 minutes")]


def asked():
    """A bench at the first line of a layer, which waits for the daemon."""
    bench = Bench()
    for text in squares(1)[:13]:
        bench.exchange(f"{text}\n".encode())
    first = f"{squares(1)[14]}\n".encode()
    bench.exchange(b"G1 Z0.2 F600\n")
    bench.relay.host(first, 1.0)
    assert bench.relay.holds
    bench.out()
    return bench, first


@pytest.mark.parametrize(
    "chunk",
    [
        pytest.param(b"M112\nG1 X1 Y1\nM10", id="an emergency stop"),
        pytest.param(b"M108\nG1 X1 Y1\nM10", id="the end of a wait"),
        pytest.param(b"G1 X1 Y1 E5\n" * 8000 + b"M10", id="a host that floods the line"),
    ],
)
def test_a_hold_that_ends_in_the_middle_of_a_chunk_leaves_its_bytes_in_their_order(chunk):
    bench, first = asked()
    bench.relay.host(chunk, 1.001)
    bench.relay.detach(1.002)
    sent = bytes(bench.out()[0])
    stop = chunk.startswith(b"M1") and chunk[:5]
    assert sent == (stop + first + chunk[5:] if stop else first + chunk)


def test_what_the_printer_says_with_the_last_answer_of_a_hold_reaches_the_host_in_its_order():
    bench, _ = asked()
    relay = bench.relay
    relay.told(talk.Hold(1, 1, 10.0), 1.0)
    relay.printer(b"ok\n", 1.1)  # M400
    relay.printer(b"X:50.00 Y:50.00 Z:0.20 E:0.00\nok\n", 1.2)
    relay.told(talk.Leave(1, ("G1 X0",), ("G1 X50",), 1.0), 1.3)
    relay.printer(b"ok\n", 1.4)
    relay.told(talk.Free(1), 1.5)
    relay.printer(b"ok\n", 1.6)
    bench.out()
    news = b" T:210.0 /210.0\n//note of the pier\necho:bus"
    relay.printer(b"X:50.00 Y:50.00 Z:0.20 E:0.00\nok\n" + news, 1.7)
    assert not relay.holds
    assert bench.out()[1] == news
