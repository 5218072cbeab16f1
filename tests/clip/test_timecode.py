from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lapsed.clip.timecode import Counting, counting
from lapsed.settings import STANDARD_RATES


def at(rate: str) -> Counting:
    found = counting(STANDARD_RATES[rate])
    assert found is not None
    return found


# SMPTE ST 12-1, drop-frame: two labels are left out each minute but every tenth (four at 59.94).
@pytest.mark.parametrize(
    ("rate", "frame", "label"),
    [
        ("29.97", 0, "00:00:00;00"),
        ("29.97", 1799, "00:00:59;29"),
        ("29.97", 1800, "00:01:00;02"),
        ("29.97", 3597, "00:01:59;29"),
        ("29.97", 3598, "00:02:00;02"),
        ("29.97", 17981, "00:09:59;29"),
        ("29.97", 17982, "00:10:00;00"),
        ("29.97", 107892, "01:00:00;00"),
        ("29.97", 24 * 107892, "00:00:00;00"),
        ("59.94", 3599, "00:00:59;59"),
        ("59.94", 3600, "00:01:00;04"),
        ("59.94", 215784, "01:00:00;00"),
        ("23.976", 24 * 3600, "01:00:00:00"),
        ("25", 25 * 3600 + 26, "01:00:01:01"),
        ("60", 60 * 60, "00:01:00:00"),
    ],
)
def test_frames_have_the_labels_of_the_standard(rate: str, frame: int, label: str) -> None:
    assert at(rate).label(frame) == label
    if frame < 24 * 107892:
        assert at(rate).frame(label) == frame


@given(st.sampled_from(sorted(STANDARD_RATES)), st.integers(0, 24 * 3600 * 60 - 1))
def test_no_two_frames_of_a_day_share_a_label(rate: str, frame: int) -> None:
    count = at(rate)
    first = count.frame(count.label(frame))
    assert count.label(first) == count.label(frame)
    assert frame % (144 * (600 * count.base - 9 * count.dropped)) == first


def test_drop_frame_labels_keep_step_with_the_clock() -> None:
    # ST 12-1: within 2 frames at any time of an hour, and 3.6 ms slow after it.
    for minute in range(61):
        frame = round(minute * 60 * STANDARD_RATES["29.97"])
        hours, minutes, seconds, frames = map(int, at("29.97").label(frame).replace(";", ":").split(":"))
        assert abs((hours * 60 + minutes) * 60 + seconds + frames / 30 - minute * 60) < 2.5 / 30


@pytest.mark.parametrize(
    "wrong", ["1:0:0:0", "00:00:00:30", "00:01:00;01", "24:00:00:00", "00:60:00:00", "00:00:60:00", "now"]
)
def test_what_is_no_label_is_refused(wrong: str) -> None:
    with pytest.raises(ValueError, match=r"label|timecode"):
        at("29.97").frame(wrong)


def test_rates_without_labels_have_no_timecode() -> None:
    assert counting(Fraction(25, 2)) is None
    assert counting(Fraction(10)) == Counting(10, 0)
