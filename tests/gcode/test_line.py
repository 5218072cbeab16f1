import pytest
from hypothesis import given
from hypothesis import strategies as st

from lapsed.gcode.dialect import Dialect
from lapsed.gcode.line import Line, checksum, parse

# RepRap wiki, page "G-code", the worked examples of numbered lines with checksums.
PUBLISHED = [
    "N3 T0*57",
    "N4 G92 E0*67",
    "N5 G28*22",
    "N6 G1 F1500.0*82",
    "N7 G1 X2.0 Y2.0 F3000.0*85",
    "N8 G1 X3.0 Y3.0*33",
]


@pytest.mark.parametrize("text", PUBLISHED)
def test_published_checksums_come_out(text: str) -> None:
    line = parse(text)
    assert line.trouble is None
    assert line.checksum == checksum(text.partition("*")[0]) == int(text.partition("*")[2])
    assert line.number == int(text[1])


def test_a_wrong_checksum_is_reported_and_the_line_read_all_the_same() -> None:
    line = parse("N3 T0*58")
    assert line.code == "T0"
    assert line.trouble == "the checksum says 58 where the line gives 57"


@pytest.mark.parametrize(
    ("raw", "code", "words"),
    [
        ("G1 X10 Y-2.5 F3000", "G1", {"X": 10.0, "Y": -2.5, "F": 3000.0}),
        ("G1X5F3000", "G1", {"X": 5.0, "F": 3000.0}),  # spaces may be absent (RepRap wiki)
        ("G01 X.25 Y5.", "G1", {"X": 0.25, "Y": 5.0}),
        ("  \tG1\tX1\r\n", "G1", {"X": 1.0}),
        ("G1 X+3 Y - 4", "G1", {"X": 3.0, "Y": None}),
        ("G28 X Y", "G28", {"X": None, "Y": None}),
        ("G92.1", "G92.1", {}),
        ("G1.0 X1", "G1", {"X": 1.0}),
        ("M082", "M82", {}),
        ("T0", "T0", {}),
        ("G1 (over X9) X2 ; X3", "G1", {"X": 2.0}),
        ("(all of it) G1 X1", "G1", {"X": 1.0}),
        ("G1 X1 X2", "G1", {"X": 2.0}),
        ("G1X1E5", "G1", {"X": 1.0, "E": 5.0}),
        ('M486 A"G1 X5" S2', "M486", {"A": None, "S": 2.0}),
        ("; G1 X5", "", {}),
        ("", "", {}),
        ("N7", "", {}),
    ],
)
def test_words(raw: str, code: str, words: dict[str, float | None]) -> None:
    line = parse(raw)
    assert (line.code, dict(line.words)) == (code, words)


@pytest.mark.parametrize(
    ("raw", "code", "text"),
    [
        ("M118 G1 Z5", "M118", "G1 Z5"),
        ("M117 (half) done ; not this", "M117", "(half) done"),
        ("N5 M117 Hi*" + str(checksum("N5 M117 Hi")), "M117", "Hi"),
        ("M117 5*3", "M117", "5*3"),
        ("M23 part-01.g", "M23", "part-01.g"),
        ("BEGIN_PART NAME=G1", "BEGIN_PART", "NAME=G1"),
    ],
)
def test_free_text_is_no_motion(raw: str, code: str, text: str) -> None:
    assert parse(raw) == Line(code, {}, text, parse(raw).number, parse(raw).checksum)


def test_lower_case_is_carried_out_only_where_the_dialect_says_so() -> None:
    assert parse("g1 x5").code == "g1"
    assert "X" not in parse("G1 x5").words
    line = parse("g1 x5", Dialect(lower_case=True))
    assert (line.code, dict(line.words)) == ("G1", {"X": 5.0})


def test_exponents_are_refused_or_read() -> None:
    refused = parse("G1 X1e2 Y3")
    assert dict(refused.words) == {"X": 1.0, "Y": 3.0}
    assert refused.trouble == "the exponent in 'X1e2' is not read by this dialect"
    assert dict(parse("G1 X1e2", Dialect(exponents=True)).words) == {"X": 100.0}
    assert dict(parse("G1 x1e2", Dialect(lower_case=True)).words) == {"X": 1.0, "E": 2.0}
    assert parse("G1 X1e999", Dialect(exponents=True)).trouble == "'X1e999' is too large a number"
    assert parse("G1 X-" + "9" * 400).trouble == "'-9999999999999999999' is too large a number"


def test_what_is_no_word_is_reported() -> None:
    assert parse("G1 X5 ?? Y6").trouble == "'?? Y6' is no word"
    assert dict(parse("G1 X5 ?? Y6").words) == {"X": 5.0, "Y": 6.0}


@given(st.text(), st.builds(Dialect, lower_case=st.booleans(), exponents=st.booleans()))
def test_no_text_raises(raw: str, dialect: Dialect) -> None:
    assert isinstance(parse(raw, dialect), Line)


@given(st.binary())
def test_no_bytes_raise(raw: bytes) -> None:
    assert isinstance(parse(raw.decode("utf-8", "surrogateescape")), Line)
