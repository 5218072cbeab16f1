"""The table of a check."""

import pytest

from lapsed.check.facts import Light
from lapsed.check.table import Section, histogram, lines, summary
from lapsed.model import Check, Verdict

LONG = "x" * 20 + " and what follows it is much longer than any terminal is wide, and is broken between words"
SECTIONS = (
    Section("ottermole", "host", (Check("host", Verdict.PASS, "answers"),)),
    Section(
        "ottermole",
        "camera main",
        (Check("focus", Verdict.FAIL, "AF-S", "set manual focus"), Check("battery", Verdict.WARN, LONG, LONG)),
        Light(0, 0, 100, (0.0,) * 8 + (1.0,) + (0.0,) * 7),
    ),
    Section("ottermole", "camera side", (Check("clock", Verdict.PASS, ""),)),
)


def test_reads_like_this_at_80_columns():
    assert list(lines(SECTIONS[:1], 80)) == ["ottermole: host", "  pass host             answers"]
    table = list(lines(SECTIONS, 80))
    assert table[3] == "ottermole: camera main"
    assert table[4:6] == ["  FAIL focus            AF-S", "                      > set manual focus"]
    assert table[-3:] == ["", "ottermole: camera side", "  pass clock"]
    assert "       histogram        black [        #       ] white" in table


@pytest.mark.parametrize("width", [60, 80, 132])
def test_no_line_is_wider_than_the_terminal(width):
    assert max(map(len, lines(SECTIONS, width))) <= width


def test_a_narrow_terminal_gets_what_it_would_at_60_columns():
    assert list(lines(SECTIONS, 20)) == list(lines(SECTIONS, 60))


def test_a_histogram_of_nothing_is_blank():
    assert histogram(Light(0, 0, 0, (0.0, 0.0))) == "black [  ] white"


def test_the_last_line_counts():
    checks = [check for section in SECTIONS for check in section.checks]
    assert summary(checks) == "2 passed, 1 to look at, 1 to mend before the print"
    assert summary(checks[:1]) == "1 passed"
