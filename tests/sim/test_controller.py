"""The simulated firmware's side of the serial convention."""

import pytest

from lapsed.sim.controller import Controller, Fault, Ways
from lapsed.sim.log import Log
from lapsed.sim.stream import Stream, framed


def told(text, **ways):
    controller = Controller(Ways(**ways), Log())
    controller.receive(text)
    said = b""
    while controller.waiting:
        said += b"".join(controller.step())
    return said, controller


# The published lines of the RepRap wiki, "G-code", section Checking, with their checksums.
WIKI = b"N3 T0*57\nN4 G92 E0*67\nN5 G28*22\nN6 G1 F1500.0*82\nN7 G1 X2.0 Y2.0 F3000.0*85\nN8 G1 X3.0 Y3.0*33\n"


def test_the_published_lines_are_accepted():
    said, controller = told(b"M110 N2\n" + WIKI)
    assert said == b"ok\n" * 7
    assert controller.last == 8


def test_our_own_framing_is_that_of_the_published_lines():
    assert framed(4, "G92 E0") == b"N4 G92 E0*67\n"


@pytest.mark.parametrize(
    ("text", "again"),
    [
        (b"N1 G28*0\n", b"Resend: 1"),
        (b"N5 G28*22\n", b"Resend: 1"),
        (b"N1 G28\n", b"Resend: 1"),
    ],
)
def test_a_line_that_is_wrong_or_out_of_turn_is_asked_for_again(text, again):
    said, controller = told(text)
    assert again in said
    assert said.endswith(b"\nok\n")
    assert controller.last == 0


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (b"M114\n", b"X:0.00 Y:0.00 Z:0.00 E:0.00 Count X:0\nok\n"),
        (b"M118 G1 Z5\n", b"G1 Z5\nok\n"),
        (b"M9999\n", b'echo:Unknown command: "M9999"\nok\n'),
        (b"\n; nothing\n", b""),
        (b"M105\n", b"ok T:212.0 /212.0 B:60.0 /60.0 @:64 B@:20\n"),
    ],
)
def test_each_line_is_answered_as_the_convention_has_it(text, said):
    assert told(text)[0] == said


def test_an_advanced_answer_names_line_and_room():
    assert told(b"N1 G28*18\n", advanced=True)[0] == b"ok N1 P15 B3\n"


def test_an_emergency_stop_is_heard_at_once_and_ends_everything():
    controller = Controller(Ways(), Log())
    assert controller.receive(b"G4 S100\nM112\n") == b"!! halted by M112\n"
    assert not controller.waiting
    assert controller.start().startswith(b"start\n")


@pytest.mark.parametrize("window", [1, 3])
@pytest.mark.parametrize("forgets", [False, True])
def test_host_and_printer_agree_over_lost_and_damaged_lines(window, forgets):
    faults = tuple(Fault(at=at, kind=kind) for at, kind in ((5, "bad"), (9, "deaf"), (14, "bad")))
    log = Log()
    controller = Controller(Ways(forgets=forgets), log, faults=faults)
    stream = Stream([f"G1 X{number} F3000" for number in range(30)], window=window)
    for _ in range(1000):
        controller.receive(stream.due())
        if not controller.waiting:
            if stream.over:
                break
            stream.forget()
        while controller.waiting:
            stream.heard(b"".join(controller.step()))
    lines = [f"{record['line']}\n".encode() for record in log.records if "event" not in record]
    assert lines == stream.sent
