"""What the printed file has to say in a check."""

import pytest

from lapsed.check import place
from lapsed.check.printed import Printed
from lapsed.model import Forecast, PrintInfo
from lapsed.settings import Files

# Two objects one after another, of 0.4 and 0.6 mm: 1 mm of height in all.
TWO = Forecast(
    3725.0, 3700.0, (0.0, 60.0, 120.0, 180.0, 240.0), (0.2, 0.4, 0.2, 0.4, 0.6), (0.2, 0.4, 0.6, 0.8, 1.0), 2
)


def test_the_file_knows_better_than_the_host():
    host = PrintInfo("/tower.gcode", "run 7", layers=3, expected_s=60.0)
    told = Printed("/tower.gcode", TWO, "", named=False).told(host)
    assert told == PrintInfo("/tower.gcode", "run 7", layers=5, height_mm=1.0, expected_s=3725.0)


def test_a_file_that_nobody_could_read_leaves_what_the_host_knows():
    host = PrintInfo("tower.gcode", layers=3)
    assert Printed("tower.gcode", None, "no such file", named=False).told(host) == host


@pytest.mark.parametrize(
    ("printed", "verdict", "found"),
    [
        (
            Printed("tower.gcode", TWO, "", named=True),
            "pass",
            "tower.gcode: 5 layers, 0.60 mm high, 1 h 2 min of motion; the rule wants 6 frames",
        ),
        (Printed("a.txt", None, "it has no layers", named=True), "fail", "a.txt: it has no layers"),
        (Printed("a", None, "'a' is no file", named=False), "warn", "'a' is no file"),
    ],
)
def test_its_line(printed, verdict, found):
    line = printed.line(6)
    assert (line.verdict, line.found, bool(line.advice)) == (verdict, found, verdict != "pass")


def test_a_file_is_found_by_its_path_through_links_and_else_by_its_name_at_the_host(tmp_path):
    (tmp_path / "tower.gcode").write_text("G28\n")
    (tmp_path / "link").symlink_to(tmp_path / "tower.gcode")
    assert place.file(str(tmp_path / "link"), None) == ("tower.gcode", Files(folder=tmp_path))
    host = Files(folder=tmp_path / "share", most_mb=7)
    assert place.file("pier/tower.gcode", host) == ("pier/tower.gcode", host)
    assert place.file(str(tmp_path / "link"), host)[1].most_mb == 7
