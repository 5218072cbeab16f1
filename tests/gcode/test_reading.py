import json
import lzma
import math
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lapsed.gcode.dialect import Dialect
from lapsed.gcode.line import checksum, parse
from lapsed.gcode.reading import Reading, Setup, read
from lapsed.gcode.state import State, advance, place

DATA = Path(__file__).parent / "data"
TRUTH = {each["file"]: each for each in json.loads((DATA / "truth.json").read_text())["files"]}
HEAD = "G28\nG92 E0\nM83\nG1 F3000\n"


def text(name: str) -> bytes:
    return lzma.open(DATA / f"{name}.xz").read()


@pytest.mark.parametrize("name", TRUTH)
def test_layers_of_sliced_files_are_those_the_slicer_made(name: str) -> None:
    # Layer heights as the three slicers that made the files tell them.
    reading = read([text(name)])
    assert reading.heights_mm == pytest.approx(TRUTH[name]["heights_mm"], abs=0.005)
    assert reading.trouble_count == 0
    assert reading.spiral == (name == "vase-spiral.gcode")
    assert reading.objects == (3 if name == "plate-one-by-one.gcode" else 1)
    assert reading.size_bytes == len(text(name))


@pytest.mark.parametrize("name", [name for name in TRUTH if TRUTH[name]["slicer_estimate_s"]])
def test_print_time_is_near_the_slicers_own(name: str) -> None:
    # The slicers' estimates rest on limits of their own, so this only guards against gross error.
    assert read([text(name)]).print_s == pytest.approx(TRUTH[name]["slicer_estimate_s"], rel=0.15)


def test_pieces_of_any_size_give_the_same_reading() -> None:
    whole = text("tower-firmware-retract.gcode")
    cut = read([whole[i : i + 99_991] for i in range(0, len(whole), 99_991)])
    once = read([whole])
    assert cut.heights_mm == once.heights_mm
    assert cut.print_s == pytest.approx(once.print_s, rel=1e-9)
    assert [layer.begin.offset for layer in cut.layers] == [layer.begin.offset for layer in once.layers]


# ------------------------------------------------------------------- what the sliced files lack, each with its truth

Relative = Callable[[float, float, float, float], str]


def square(x: float, y: float, size: float, e: float = 0.5) -> str:
    return (
        f"G0 X{x} Y{y}\nG1 X{x + size} Y{y} E{e}\nG1 X{x + size} Y{y + size} E{e}\n"
        f"G1 X{x} Y{y + size} E{e}\nG1 X{x} Y{y} E{e}\n"
    )


def layered(heights: list[float], between: str = "") -> str:
    return "".join(f"{between}G0 Z{height:.4f}\n{square(50, 50, 20)}" for height in heights)


def hops_to_future_heights() -> tuple[str, list[float]]:
    heights = [0.2 * i for i in range(1, 31)]
    body = ""
    for height in heights:
        body += (
            f"G0 Z{height + 0.4:.2f}\nG0 X50 Y50\nG0 Z{height:.2f}\n{square(50, 50, 20)}G1 E-1\nG0 Z{height + 1:.2f}\n"
        )
        body += "G0 X60 Y60\nG1 E1\n"
    return HEAD + body, heights


def purge_before() -> tuple[str, list[float]]:
    purge = "G0 X5 Y5 Z0.3\nG1 X5 Y200 E15\nG1 X5.4 Y200\nG1 X5.4 Y5 E30\nG0 Z2\n"
    heights = [0.2 * i for i in range(1, 11)]
    return HEAD + purge + layered(heights), heights


def low_purge_before() -> tuple[str, list[float]]:
    purge = "G0 X0 Y0 Z0.15\nG1 X100 Y0 E15\nG0 Z2\n"
    heights = [0.25 + 0.2 * i for i in range(10)]
    return HEAD + purge + layered(heights), heights


def variable_heights() -> tuple[str, list[float]]:
    heights, at = [], 0.0
    for i in range(40):
        at = round(at + 0.06 + 0.24 * (i % 7) / 6, 4)
        heights.append(at)
    return HEAD + layered(heights), heights


def relative_moves() -> tuple[str, list[float]]:
    body = "G28\nG1 X50 Y50 F3000\nG91\n"
    for _ in range(25):
        body += "G0 Z0.2\nG1 X20 E1\nG1 Y20 E1\nG1 X-20 E1\nG1 Y-20 E1\n"
    return body, [0.2 * i for i in range(1, 26)]


def hop_by_relative_move() -> tuple[str, list[float]]:
    heights = [0.3 * i for i in range(1, 21)]
    return HEAD + layered(heights, between="G91\nG1 Z0.6\nG90\nM83\n"), heights


def inches() -> tuple[str, list[float]]:
    heights = [0.01 * i for i in range(1, 21)]
    body = "".join(f"G0 Z{height:.2f}\n{square(2, 2, 0.5, 0.01)}" for height in heights)
    return "G28\nG20\nM83\nG1 F100\n" + body, [25.4 * height for height in heights]


def arcs() -> tuple[str, list[float]]:
    heights = [0.2 * i for i in range(1, 16)]
    body = ""
    for i, height in enumerate(heights):
        body += f"G0 Z{height:.2f}\nG0 X100 Y100\n"
        body += "G2 I10 E3\n" if i % 2 else "G3 X120 Y100 R10 E1\nG2 X100 Y100 R-10 E1\n"
    return HEAD + body, heights


def two_extruders_with_a_tower() -> tuple[str, list[float]]:
    heights = [0.2 * i for i in range(1, 13)]
    body = ""
    for i, height in enumerate(heights):
        body += f"G0 Z{height:.2f}\nT{i % 2}\n{square(150, 150, 10)}{square(50, 50, 20)}"
    return HEAD + body, heights


def lagging_tower() -> tuple[str, list[float]]:
    heights = [0.2 * i for i in range(1, 21)]
    body = ""
    for i, height in enumerate(heights):
        body += f"G0 Z{height:.2f}\n{square(50, 50, 20)}"
        if i % 5 == 4:
            tower = 0.2 * (i // 5 + 1)
            body += f"T{i % 2}\nG0 Z{tower:.2f}\n{square(150, 150, 10)}G0 Z{height:.2f}\n{square(60, 60, 5)}"
    return HEAD + body, heights


def supports_micrometres_away() -> tuple[str, list[float]]:
    heights = [0.2 * i for i in range(1, 21)]
    body = ""
    for height in heights:
        body += f"G0 Z{height:.4f}\n{square(50, 50, 20)}G0 Z{height + 0.003:.4f}\n{square(80, 50, 5)}"
    return HEAD + body, heights


def dips() -> tuple[str, list[float]]:
    heights = [0.2 * i for i in range(1, 21)]
    body = ""
    for height in heights:
        body += f"G0 Z{height:.3f}\n{square(50, 50, 20)}G0 Z{height - 0.02:.3f}\n{square(55, 55, 5)}"
        body += f"G0 Z{height:.3f}\n{square(60, 60, 5)}"
    return HEAD + body, heights


def sloped_seams() -> tuple[str, list[float]]:
    heights = [0.2 * i for i in range(1, 16)]
    body = f"G0 Z0.2\n{square(50, 50, 20)}"
    for height in heights[1:]:
        body += f"G0 X50 Y50 Z{height - 0.15:.3f}\n"
        body += "".join(f"G1 X{50 + i} Z{height - 0.15 + 0.015 * i:.3f} E0.05\n" for i in range(1, 11))
        body += square(50, 50, 20)
    return HEAD + body, heights


def spiral_with_one_flat_layer() -> tuple[str, list[float]]:
    body = f"G0 Z0.3\n{square(90, 90, 20)}G0 X120 Y100\n"
    turns, each = 60, 48
    for i in range(1, turns * each + 1):
        angle = 2 * math.pi * i / each
        body += (
            f"G1 X{100 + 20 * math.cos(angle):.3f} Y{100 + 20 * math.sin(angle):.3f} Z{0.3 + 0.2 * i / each:.4f} E0.1\n"
        )
    return HEAD + body, [0.3 + 0.2 * i for i in range(turns)]


def spiral_from_the_bed() -> tuple[str, list[float]]:
    body, each = "G0 X120 Y100 Z0\n", 48
    for i in range(1, 40 * each + 1):
        angle = 2 * math.pi * i / each
        body += f"G1 X{100 + 20 * math.cos(angle):.3f} Y{100 + 20 * math.sin(angle):.3f} Z{0.3 * i / each:.4f} E0.1\n"
    return HEAD + body, [0.3 * max(i, 0.02) for i in range(40)]


def one_by_one() -> tuple[str, list[float]]:
    one = [0.2 * i for i in range(1, 11)]
    two = [0.2 * i for i in range(1, 8)]
    body = "".join(f"G0 Z{height:.2f}\n{square(20, 20, 20)}" for height in one) + "G0 Z20\n"
    body += "".join(f"G0 Z{height:.2f}\n{square(120, 20, 20)}" for height in two)
    return HEAD + body, one + two


MADE = {
    each.__name__: each
    for each in (
        hops_to_future_heights,
        purge_before,
        low_purge_before,
        variable_heights,
        relative_moves,
        hop_by_relative_move,
        inches,
        arcs,
        two_extruders_with_a_tower,
        lagging_tower,
        supports_micrometres_away,
        dips,
        sloped_seams,
        spiral_with_one_flat_layer,
        spiral_from_the_bed,
        one_by_one,
    )
}


@pytest.mark.parametrize("name", MADE)
def test_layers_of_made_files(name: str) -> None:
    body, heights = MADE[name]()
    assert read([body.encode()]).heights_mm == pytest.approx(heights, abs=0.011)


@pytest.mark.parametrize(
    "change",
    [
        lambda body: body.replace("\n", "\r\n"),
        lambda body: body.replace(" ", ""),
        lambda body: body.replace("\n", " ; G1 Z99 E9 X1\n"),
        lambda body: body.replace("\n", "\nM117 G1 Z77 X1 E5\n(G1 Z9 X2 E5)\n;Z:5\n"),
        lambda body: "".join(f"N{i} {line}\n" for i, line in enumerate(body.splitlines())),
    ],
    ids=["CRLF", "no spaces", "comments", "decoys", "line numbers"],
)
def test_dress_does_not_matter(change: Callable[[str], str]) -> None:
    body, heights = purge_before()
    reading = read([change(body).encode()])
    assert reading.heights_mm == pytest.approx(heights)
    assert reading.print_s == pytest.approx(read([body.encode()]).print_s)


def test_lower_case_is_read_where_the_dialect_says_so() -> None:
    body, heights = purge_before()
    lower = body.lower().encode()
    assert read([lower]).heights_mm == ()
    assert read([lower], Setup(Dialect(lower_case=True))).heights_mm == pytest.approx(heights)


def test_trouble_is_told_with_its_line() -> None:
    reading = read([b"G28\nG1 X1 ?? E1\n\xff\xfe\nN5 G1 X2*1\nM104 \0\nG1 X1e5\nG1 X12"])
    assert reading.troubles == (
        "line 2: '?? E1' is no word",
        "line 3: it is not UTF-8 text",
        "line 4: the checksum says 1 where the line gives 103",
        "line 5: it holds zero bytes, as binary files do",
        "line 6: the exponent in 'X1e5' is not read by this dialect",
    )
    assert reading.lines == 7
    many = read([b"G1 ??\n" * 25])
    assert (len(many.troubles), many.trouble_count) == (20, 25)


def test_a_byte_order_mark_hides_no_line() -> None:
    reading = read([b"\xef\xbb\xbfG28\nG1 X1\n"])
    assert reading.last.homed == frozenset("XYZ")
    assert reading.trouble_count == 0


def test_layer_times_add_up_to_the_print() -> None:
    reading = read([purge_before()[0].encode()])
    assert sum(reading.layer_s) == pytest.approx(reading.print_s - reading.begins_s[0])


def test_a_line_without_end_is_told_and_read_in_parts() -> None:
    reading = read([b"G28\n", b"X" * 3_000_000])
    assert reading.troubles[0].endswith("it is over a million bytes long, which no G-code is")


@given(st.binary(max_size=400))
@settings(max_examples=200, deadline=None)
def test_no_bytes_raise(junk: bytes) -> None:
    assert read([b"G1 X1\n", junk]).size_bytes == 6 + len(junk)


# ------------------------------------------------------------ many lines at once give what single lines give

digits = st.decimals(-300, 300, places=3).map(lambda value: f"{value:f}".rstrip("0").rstrip(".") or "0")
moves = st.builds(
    lambda code, words: code + "".join(f" {letter}{value}" for letter, value in words.items()),
    st.sampled_from(["G0", "G1", "G1", "G01", "G92"]),
    st.dictionaries(st.sampled_from("XYZEF"), digits, max_size=4),
)
arc_lines = st.builds(
    lambda code, x, y, shape, e: f"{code} X{x} Y{y} {shape} E{e}",
    st.sampled_from(["G2", "G3"]),
    digits,
    digits,
    st.sampled_from(["I3 J4", "R400", "R-250", "I-2", "", "I5 P2"]),
    digits,
)
modes = st.sampled_from(
    [
        "G90",
        "G91",
        "M82",
        "M83",
        "G20",
        "G21",
        "G10",
        "G11",
        "G28",
        "G28 X",
        "T1",
        "M220 S50",
        "G18",
        "G17",
        "G92",
        "M204 P800",
        "M204 S500 T900",
        "M203 X100",
        "M205 J0.05",
        "G4 P100",
        "M400",
        "G92.1",
        "G29",
        "M104 S200 X5",
        "g1 X5",
        "; G1 X9",
        "G1 X 5",
        "G1 X1e3",
        "G1 (X7) Y2",
        "N4 G1 X3*77",
        "M117 G1 X5",
        "X5",
        "G1 X1 X2",
        "G1 X Y5 F",
        "G28 XY",
        "",
    ]
)
programs = st.lists(st.one_of(moves, moves, moves, arc_lines, modes), max_size=40).map(
    lambda lines: "".join(line + "\n" for line in lines)
)
dialects = st.builds(
    Dialect,
    extruder_follows=st.sampled_from(["set", "over", "apart"]),
    bare_g92_zeroes=st.booleans(),
    g10_retracts=st.booleans(),
)


def singly(program: str, dialect: Dialect) -> tuple[list[State], float]:
    states, laid, now = [], 0.0, State()
    for line in program.splitlines():
        states.append(now)
        now, pieces = advance(now, parse(line, dialect), dialect)
        laid += sum(piece.filament_mm for piece in pieces)
    return [*states, now], laid


def same(one: State, two: State) -> None:
    assert place(one.position) == pytest.approx(place(two.position), abs=1e-6)
    assert place(one.offset) == pytest.approx(place(two.offset), abs=1e-6)
    assert one.primed_e == pytest.approx(two.primed_e, abs=1e-6)
    assert one.feed_mm_min == pytest.approx(two.feed_mm_min)
    for name in ("absolute", "absolute_extrusion", "retracted", "inches", "plane", "tool", "feed_factor", "known"):
        assert getattr(one, name) == getattr(two, name), name


@given(programs, dialects)
@settings(max_examples=200, deadline=None)
def test_many_lines_at_once_give_the_states_of_single_lines(program: str, dialect: Dialect) -> None:
    states, _ = singly(program, dialect)
    reading = read([program.encode()], Setup(dialect), wanted=range(len(states)))
    for line, state in reading.states.items():
        same(state, states[line])
    same(reading.last, states[-1])
    assert len(reading.states) == len(states)


dressings = st.sampled_from(
    ["{line}", "N{n} {line}", "N{n}{line}", "N{n} {line}*{sum}", "N{n} {line}*7", "N{n} {line}*{sum}\r"]
)


@given(programs, dialects, st.lists(dressings, min_size=1))
@settings(max_examples=100, deadline=None)
def test_numbers_and_checksums_of_many_lines_at_once_are_read_as_in_single_lines(
    program: str, dialect: Dialect, dress: list[str]
) -> None:
    rows = []
    for n, line in enumerate(program.splitlines()):
        row = dress[n % len(dress)].format(n=n, line=line, sum="{sum}")
        rows.append(row.replace("{sum}", str(checksum(row.partition("*")[0]))))
    numbered = "".join(f"{row}\n" for row in rows)
    states, _ = singly(numbered, dialect)
    reading = read([numbered.encode()], Setup(dialect))
    same(reading.last, states[-1])
    wrong = sum("the checksum says" in (parse(row, dialect).trouble or "") for row in rows)
    assert sum("the checksum says" in each for each in reading.troubles) == min(wrong, 20)


@given(programs, dialects)
@settings(max_examples=100, deadline=None)
def test_lines_that_take_the_slow_path_come_to_the_same_time(program: str, dialect: Dialect) -> None:
    numbered = "".join(f"(slow) {line}\n" for line in program.splitlines() if not line.startswith("N"))
    plain = "".join(f"{line}\n" for line in program.splitlines() if not line.startswith("N"))
    fast: Reading = read([plain.encode()], Setup(dialect))
    slow: Reading = read([numbered.encode()], Setup(dialect))
    # The slow path cuts arcs into chords, the fast one takes them whole.
    assert slow.print_s == pytest.approx(fast.print_s, rel=1e-3, abs=1e-6)
    assert slow.heights_mm == pytest.approx(fast.heights_mm, abs=1e-6)
