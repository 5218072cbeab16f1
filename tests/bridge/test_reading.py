"""The quick ways of reading along, held to the plain ones: moves by one expression, and lines that go ahead unread."""

from unittest import mock

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from lapsed.bridge import ahead, hosting, plain, talk
from lapsed.bridge.ahead import answers_due, level, split
from lapsed.bridge.reading import Reading
from lapsed.gcode.dialect import Dialect
from lapsed.gcode.line import parse
from lapsed.sim.controller import Fault
from lapsed.sim.stream import framed
from tests.bridge.line import Bench, Daemon, SerialLine, squares

START = ["G28", "G90", "M82", "G92 E0", "G1 X10 Y10 Z0.2 F1200"]

NUMBERS = st.one_of(
    st.floats(-400, 400).map(lambda value: f"{value:.3f}"),
    st.integers(-3, 300).map(str),
    st.sampled_from(["0", "-0", ".25", "5.", "0.2", "0.4", "0.6", "1e3", "+5", "9" * 17, "", "-", "0.2.1"]),
)
WORDS = st.lists(st.tuples(st.sampled_from("XYZEFxyeSI"), NUMBERS), max_size=6).map(
    lambda words: " ".join(f"{letter}{value}" for letter, value in words)
)
MOVES = st.builds("{} {}".format, st.sampled_from(["G0", "G1", "G01", "g1", "G2", "G1 "]), WORDS)
LAID = st.builds("G1 X{} Y{} E{}".format, st.integers(0, 20), st.integers(0, 20), st.floats(0, 50))
MODES = ["G90", "G91", "M82", "M83", "G20", "G21", "G92 E0", "G92", "G92 X5 Z1", "G28", "G28 X", "G10", "G11", "G18"]
OTHERS = ["T1", "M84", "M104 S0", "M999", "M117 G1 Z9", "; X", "", "M24", "G29"]
TEXTS = st.one_of(MOVES, LAID, LAID, MOVES, st.sampled_from(MODES + OTHERS))
ENDS = st.sampled_from(["\n", "\r\n", " \n", " ; X1\n"])
DIALECTS = st.builds(
    Dialect,
    lower_case=st.booleans(),
    extruder_follows=st.sampled_from(["set", "over", "apart"]),
    bare_g92_zeroes=st.booleans(),
    exponents=st.booleans(),
    g10_retracts=st.booleans(),
)


def plainly(*texts: str) -> list[tuple[str, str, str]]:
    return [(text, "\n", "") for text in texts]


class Host:
    """Frames texts as a host does: in their order, but for one now and then that is out of it or damaged."""

    def __init__(self) -> None:
        self.number = 0

    def line(self, text: str, end: str, fault: str) -> bytes:
        if fault == "bare":
            return f"{text}{end}".encode()
        self.number += fault != "same"
        raw = framed(self.number, text)[:-1]
        if fault == "spoilt":
            raw = raw[:-1] + bytes([raw[-1] ^ 1])
        elif fault == "unchecked":
            raw = raw[: raw.rindex(b"*")]
        return raw + end.encode()


def known(reading: Reading) -> tuple[object, ...]:
    layers = vars(reading.layering)
    return reading.state, reading.before, reading.moves, reading.printing, reading.unsure(), reading.settled, layers


FAULTS = st.sampled_from(["", "", "", "", "bare", "same", "spoilt", "unchecked", "again"])


@settings(max_examples=300, deadline=None)
@given(dialect=DIALECTS, started=st.booleans(), lines=st.lists(st.tuples(TEXTS, ENDS, FAULTS), max_size=30))
@example(
    dialect=Dialect(),
    started=True,
    lines=[("G1 X1 E1 F5", "\n", ""), ("G1 F300 X2 E2 F0", "\n", ""), ("G1 X3 E2.5", "\n", "again")],
)
@example(dialect=Dialect(), started=True, lines=plainly("M83", "G1 X1 E1", "G1 X2 E1"))
@example(dialect=Dialect(), started=True, lines=plainly("G1 X1 E1", "G1 E0", "G1 X2 E1.0005", "G1 X3 Z0.4 E1.0007"))
@example(dialect=Dialect(), started=True, lines=plainly("G1 E5", "G1 E0", "G1 X2 E1", "G1 X3 Z0.6 E1.5"))
def test_whatever_is_sent_is_read_quickly_as_it_is_read_slowly(dialect, started, lines):
    host, quick, slow = Host(), Reading(dialect), Reading(dialect)
    for text, end, fault in (plainly(*START) if started else []) + lines:
        raw = host.line(text, end, fault)
        said = quick.read(raw)
        with mock.patch.object(plain, "words", return_value=None):
            assert said == slow.read(raw)
        if fault == "again":
            host.number = max(0, host.number - 3)
            quick.rewind(host.number + 1)
            slow.rewind(host.number + 1)
        assert known(quick) == known(slow)


@given(raw=st.one_of(st.builds(Host().line, MOVES, ENDS, FAULTS), st.binary(max_size=40).map(lambda raw: raw + b"\n")))
@example(b"N6 G1 F1500.0*82\n")  # these three: RepRap wiki, "G-code", section Checking
@example(b"N7 G1 X2.0 Y2.0 F3000.0*85\n")
@example(b"N8 G1 X3.0 Y3.0*33\n")
def test_the_words_of_a_plain_move_are_those_of_the_reader_of_files(raw):
    words = plain.words(raw)
    if words is None:
        return
    number, first, x, y, z, e, last, claimed = words
    line = parse(raw.decode("latin-1"))
    assert line.number == (None if number is None else int(number))
    assert line.checksum == (None if claimed is None else int(claimed))
    assert (line.trouble is None) == (claimed is None or plain.checksum(raw) == int(claimed))
    texts = {"X": x, "Y": y, "Z": z, "E": e, "F": last or first}
    assert dict(line.words) == {letter: float(text) for letter, text in texts.items() if text is not None}


@pytest.mark.parametrize(
    "raw",
    [b"N6 G1 F1500.0*82\n", b"N7 G1 X2.0 Y2.0 F3000.0*85\n", b"N8 G1 X3.0 Y3.0*33\n", b"G0 X.25 Y5. Z1 F9000\r\n"],
)
def test_the_commonest_lines_are_plain(raw):
    assert plain.words(raw) is not None


# ------------------------------------------------------------------------------------------- lines that go ahead

PIECES = [
    "N5 ",
    "G1 ",
    "G0 ",
    "G92 E",
    "G92 E0",
    "G",
    "X",
    "Y",
    "E",
    "F",
    "1",
    "60.5",
    "-",
    ".",
    " ",
    "*12",
    "\n",
    "\r\n",
]
TANGLED = st.lists(st.sampled_from([*PIECES, "G28 ", "Z", "M", "T", "g1 ", ";"]), max_size=40).map("".join)


def laying(dialect: Dialect) -> Reading:
    """In the middle of a layer."""
    reading = Reading(dialect)
    for text in [*START, "G1 X20 E1", "G1 Y20 E2", "G1 Z0.4", "G1 X10 E3"]:
        reading.read(f"{text}\n".encode())
    assert reading.settled
    assert reading.layering.number == 2
    return reading


@settings(max_examples=400, deadline=None)
@given(text=st.one_of(TANGLED, st.lists(LAID, max_size=9).map("\n".join)), dialect=DIALECTS)
def test_what_may_go_ahead_begins_no_layer_and_no_print_and_ends_none(text, dialect):
    lines = f"{text}\n".encode()
    reading = laying(dialect)
    if not level(lines):
        return
    for raw in split(lines):
        assert reading.read(raw) == ()
        assert reading.settled


def test_the_lines_of_a_layer_may_go_ahead_and_what_leads_to_the_next_may_not():
    assert level(b"N7 G1 X2.0 Y2.0 E1.25 F3000.0*85\nG92 E0\r\nG0 X1\n")
    for text in ("G1 Z0.4", "G28", "M104 S0", "T1", "G91", "G2 X1 I5", "G92 Z0", "g1 x1", "G1 X1 ; note", "G10"):
        assert not level(f"G1 X1\n{text}\n".encode()), text


@given(data=st.lists(st.sampled_from([b"N5 M105*1", b" ", b"\t", b";", b"\r", b"G1", b"\n", b"\n", b"\x0b"])))
def test_every_line_but_the_empty_ones_is_answered(data):
    lines = b"".join(data) + b"\n"
    wanted = sum(bool(line.partition(b";")[0].strip()) for line in lines.split(b"\n"))
    assert answers_due(lines) == wanted


@settings(max_examples=30, deadline=None)
@given(
    seed=st.integers(0, 2**32),
    window=st.integers(1, 5),
    faults=st.lists(
        st.builds(Fault, at=st.integers(10, 90), kind=st.sampled_from(["bad", "deaf"])), max_size=2, unique_by=str
    ),
)
def test_a_print_is_told_and_parked_alike_whether_its_lines_went_ahead_or_not(seed, window, faults):
    runs = []
    for most in (ahead.MOST_BEHIND, 0):
        daemon = Daemon(lambda layer: layer % 2 == 0)
        with mock.patch.object(hosting, "MOST_BEHIND", most):
            line = SerialLine(squares(5), seed=seed, window=window, faults=tuple(faults), daemon=daemon)
            line.play()
        runs.append((daemon.heard, [record["line"] for record in line.executed()]))
    assert runs[0] == runs[1]


def test_most_lines_of_a_print_go_ahead():
    daemon = Daemon(lambda _layer: False)
    line = SerialLine(squares(20), daemon=daemon)
    went = []
    with mock.patch.object(ahead.Ahead, "put", autospec=True, side_effect=ahead.Ahead.put) as put:
        line.play()
        went = put.call_args_list
    assert len(went) > 0.4 * len(line.stream.sent)  # of each layer's nine lines four lay filament, the first is read


# ------------------------------------------------------------------------------------- a host that doesn't wait


def passing(bench: Bench, data: bytes, now: float) -> tuple[bytes, list[talk.FromBridge]]:
    """What goes on while a daemon that wants no frame answers at once."""
    bench.relay.host(data, now)
    gone, _, said = bench.out()
    for message in said:  # which grows as it is gone through
        if isinstance(message, talk.Layer) and message.waits:
            bench.relay.told(talk.Pass(message.token), now)
            more, _, news = bench.out()
            gone += more
            said += news
    return gone, said


def test_a_host_that_waits_for_no_answers_passes_unread_and_is_never_held():
    bench, gone, said = Bench(), b"", []
    sent = b"".join(f"{text}\n".encode() for text in squares(80)[:-3])
    for at in range(0, len(sent), 700):
        more, news = passing(bench, sent[at : at + 700], 0.0)
        gone, said = gone + more, said + news
    assert gone == sent[: len(gone)]
    assert len(gone) > len(sent) - 40  # a line under way may wait for its end
    for _ in range(1000):
        now = bench.relay.wake_at()
        if now > 10.0:
            break
        bench.relay.tick(now)
        said += bench.out()[2]
    layers = [message for message in said if isinstance(message, talk.Layer)]
    assert [layer.number for layer in layers] == list(range(1, 81))
    assert [layer.waits for layer in layers[:5] + layers[-40:]] == [True] * 5 + [False] * 40
    bench.relay.told(talk.Hold(1, layers[-1].token, 5.0), 10.0)
    assert bench.out()[2] == [talk.Refused(1, "the host sends on without waiting for answers")]


def test_a_layer_that_follows_unread_lines_is_held_once_the_host_waits_for_answers_again():
    bench = Bench()
    start = squares(1)[:-3]
    for text in start:
        passing(bench, f"{text}\n".encode(), 0.0)
    passing(bench, b"G1 X50 Y50 E1.32\n" * 300, 0.0)
    passing(bench, b"G1 Z0.4\n", 0.0)
    bench.relay.printer(b"ok\n" * 320, 0.001)
    bench.out()
    bench.relay.host(b"G1 X60 Y50 E2\n", 0.002)
    assert [said.waits for said in bench.out()[2] if isinstance(said, talk.Layer)] == [True]


def test_more_at_once_than_can_be_read_along_passes_and_stops_parking_until_all_is_stated_again():
    bench = Bench()
    for text in squares(2)[:20]:
        bench.relay.host(f"{text}\n".encode(), 0.0)
        if bench.relay.holds:
            bench.relay.detach(0.0)
            bench.relay.attach(0.0)
        bench.relay.printer(b"ok\n", 0.0)
    bench.relay.detach(0.0)
    bench.out()
    flood = b"G1 X1 Y1\n" * 600
    with mock.patch.object(ahead, "MOST_UNREAD", 4000):
        bench.relay.host(flood, 1.0)
    bench.relay.attach(1.0)
    assert bench.out()[0] == flood
    bench.relay.printer(b"ok\n" * 600, 1.0)
    reasons = []
    for start in ("", "G90\nM82\nG28\nG92 E0\nG1 X1 Y1 Z0.2 F900\n"):
        bench.relay.host(f"{start}G1 X9 E9\n".encode(), 2.0)
        layer = bench.out()[2][-1]
        bench.relay.told(talk.Hold(1, layer.token, 5.0), 2.0)
        reasons += [said.reason for said in bench.out()[2] if isinstance(said, talk.Refused)]
    assert reasons == ["the host sent more at once than could be read along"]
    assert bench.relay.holds


def test_what_went_ahead_is_read_before_the_daemon_hears_how_things_stand():
    bench = Bench()
    bench.relay.detach(0.0)
    bench.relay.host("".join(f"{text}\n" for text in squares(7)[:-3]).encode(), 0.0)
    bench.relay.attach(0.001)
    assert bench.out()[2][1] == talk.PrintBegan("-1", joined=True, layer=7, height_mm=pytest.approx(1.4))


def test_numbered_lines_are_read_again_after_more_at_once_than_can_be_read_along():
    bench = Bench()
    texts = squares(4)[:-3]
    lines = [framed(number, text) for number, text in enumerate(texts)]
    for line in lines[:33]:
        passing(bench, line, 0.0)
    bench.relay.detach(0.0)
    with mock.patch.object(ahead, "MOST_UNREAD", 100):
        bench.relay.host(b"".join(lines[33:36]), 0.0)
    bench.relay.attach(0.0)
    said = [message for line in lines[36:] for message in passing(bench, line, 0.0)[1]]
    assert [message.number for message in said if isinstance(message, talk.Layer)] == [4]


def test_what_waits_in_one_hold_does_not_count_in_the_next():
    bench = Bench()
    for text in squares(1)[:-3]:
        passing(bench, f"{text}\n".encode(), 0.0)
    most = hosting.MOST_HELD_BYTES
    held = []
    for layer, size in enumerate((0.6 * most, 0.6 * most, 1.1 * most), 2):
        bench.relay.printer(b"ok\n" * bench.relay.wire.host_due, 0.0)
        bench.relay.host(f"G1 Z{layer}\nG1 X{layer} E{layer + 9}\n".encode(), 0.0)
        bench.relay.host(b"G1 F1000\n" * int(size / 9), 0.0)
        held.append(bench.relay.holds)
        bench.relay.told(talk.Pass(layer), 0.0)
    assert held == [True, True, False]


def test_of_what_waited_in_a_hold_no_more_is_read_at_once_than_of_what_comes_without_one():
    bench = Bench()
    for text in squares(1)[:-3]:
        passing(bench, f"{text}\n".encode(), 0.0)
    bench.relay.printer(b"ok\n" * bench.relay.wire.host_due, 0.0)
    bench.relay.host(b"G1 Z0.4\nG1 X9 E9\n", 0.0)
    waited = b"G1 F1000\n" * 3000 + b"G1 Z0.6\nG1 X20 E20\n" + b"G1 F1000\n" * 3000
    bench.relay.host(waited, 0.0)
    assert bench.relay.holds
    bench.out()
    with mock.patch.object(Reading, "read", autospec=True, side_effect=Reading.read) as read:
        bench.relay.told(talk.Pass(2), 0.0)
    assert bench.out()[0] == b"G1 X9 E9\n" + waited
    assert bench.relay.wire.host_due == 6004
    assert ahead.MOST_DUE // 2 < read.call_count <= ahead.MOST_DUE
    bench.relay.detach(0.1)
    bench.relay.attach(0.1)
    assert [said.layer for said in bench.out()[2] if isinstance(said, talk.PrintBegan)] == [3]
