"""What passes through the pipes."""

import itertools
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lapsed.camera.wire import LONGEST, Inspect, Inspected, Lines, Opening, Order, pack, unpack
from lapsed.model import CameraTold, Check, Exposed, Landed, Missed, Released, Verdict

MESSAGES = [
    Opening("a:b", "main", {"kind": "a", "settings": {"iso": "100"}}),
    Order(7, "/take", "frames/main/000007", 12.5),
    Inspect(),
    Inspected((Check("battery", Verdict.WARN, "30 %", "charge it"), Check("clock", Verdict.PASS, "right"))),
    Released(7, "main", 1.25),
    Exposed(7, "main", 1.5),
    Landed(7, "main", 2.5, ("a.jpg", "a.raw"), 9),
    Missed(7, "main", 2.5, "two\nlines, “quoted”"),
    CameraTold("main", ready=True, text="found"),
]


@pytest.mark.parametrize("message", MESSAGES, ids=lambda message: type(message).__name__)
def test_what_is_packed_comes_out_again_on_one_line(message):
    line = pack(message)
    assert line.count(b"\n") == 1
    assert unpack(line.strip()) == message


JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=9),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=9), inner, max_size=4),
)
NAMES = st.sampled_from([type(message).__name__ for message in MESSAGES]) | JSON


@given(
    st.binary()
    | st.tuples(NAMES, JSON).map(lambda pair: json.dumps(pair).encode())
    | JSON.map(lambda v: json.dumps(v).encode())
)
def test_anything_else_is_no_message(line):
    assert unpack(line) in (None, Inspect())  # the one that has no fields is easily hit upon


@pytest.mark.parametrize(
    "line", [b"[" * 60_000, b'["Order", {"shot": 1e999}]', b'["Order", {"shot": ' + b"9" * 5000 + b"}]"]
)
def test_what_chokes_a_reader_is_no_message(line):
    assert unpack(line) is None


@given(st.lists(st.binary(max_size=30), max_size=9), st.lists(st.integers(0, 300), max_size=9))
def test_lines_come_whole_however_the_stream_is_split(parts, cuts):
    stream = b"\n".join(parts)
    lines, at = Lines(), sorted({0, len(stream), *(cut for cut in cuts if cut < len(stream))})
    heard = [line for begin, end in itertools.pairwise(at) for line in lines.feed(stream[begin:end])]
    assert heard == stream.split(b"\n")[:-1]


def test_an_endless_line_is_dropped_and_the_next_is_heard():
    lines = Lines()
    assert [*lines.feed(b"x" * LONGEST), *lines.feed(b"x" * 9), *lines.feed(b"x" * LONGEST)] == []
    assert list(lines.feed(b"rest\nheard\n")) == [b"heard"]
    assert list(lines.feed(b"y" * (LONGEST + 1) + b"\nagain\n")) == [b"again"]
