import csv
import io
import tracemalloc
from xml.etree import ElementTree as ET

from lapsed.clip.chart import Row, svg, table

ROWS = (
    Row(1, "a, b.jpg", used=True, light_ev=-3.0, trend_ev=-2.9, shift_x_px=0.0, shift_y_px=0.0),
    Row(2, 'c "d".jpg', used=False, said="left out: is <black>"),
    Row(
        3,
        "e.jpg",
        used=True,
        light_ev=-2.8,
        trend_ev=-2.9,
        gain_red=0.93,
        shift_x_px=1.5,
        shift_y_px=-2.0,
        said="x & y",
    ),
)


def test_the_table_reads_back() -> None:
    lines = list(csv.DictReader(io.StringIO("".join(table(ROWS)), newline="")))
    assert [line["frame"] for line in lines] == ["a, b.jpg", 'c "d".jpg', "e.jpg"]
    assert (lines[1]["light_ev"], lines[1]["used"], lines[2]["gain_red"]) == ("", "False", "0.93")


def test_the_picture_is_well_formed_and_marks_what_is_said() -> None:
    space = "{http://www.w3.org/2000/svg}"
    picture = ET.fromstring("".join(svg(ROWS, "a <title>")))  # noqa: S314 - our own text
    assert picture.findtext(f"{space}title") == "a <title>"
    dots = picture.findall(f"{space}circle")
    assert [dot.get("r") for dot in dots] == ["2", "4"]
    assert dots[1].findtext(f"{space}title") == "3: x & y"
    lines = [line.get("points", "").split() for line in picture.findall(f"{space}polyline")]
    assert [len(points) for points in lines] == [2, 2, 2]


def test_no_frames_make_an_empty_picture() -> None:
    assert ET.fromstring("".join(svg((), "none"))) is not None  # noqa: S314 - our own text


def test_the_table_is_never_in_memory_as_a_whole() -> None:
    rows = [*ROWS] * 2000
    lines = table(rows)
    tracemalloc.start()
    whole = sum(map(len, lines))
    most = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert most < whole / 2  # of which the writer itself has 128 kB
