from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lapsed.clip.arithmetic import exact, frames_in, seconds_of, spread
from lapsed.settings import STANDARD_RATES

NTSC = Fraction(30000, 1001)


# SMPTE ST 12-1, drop-frame counting: an hour of 29.97 is 107 892 frames, ten minutes 17 982, a minute 1 800 labels
# less two. At 59.94 twice as many. The lengths are those of the labels in real time, which the standard holds to
# within 86 ms a day.
@pytest.mark.parametrize(
    ("seconds", "rate", "frames"),
    [
        (3600, NTSC, 107892),
        (600, NTSC, 17982),
        (3600, STANDARD_RATES["59.94"], 215784),
        (12, Fraction(25), 300),  # trade practice, no source: 2 h of print for a 12 s clip is a frame every 24 s
        (0.1, Fraction(25), 3),  # 2.5 frames: halves upwards
        (0.02, Fraction(25), 1),
        (0.019, Fraction(25), 0),
    ],
)
def test_length_becomes_frames(seconds: float, rate: Fraction, frames: int) -> None:
    assert frames_in(seconds, rate) == frames


def test_decimals_are_taken_as_written() -> None:
    assert exact(0.1) == Fraction(1, 10)
    assert exact(1e-7) == Fraction(1, 10_000_000)


def test_seconds_are_exact() -> None:
    assert seconds_of(1001, STANDARD_RATES["23.976"]) == Fraction(1001 * 1001, 24000)


@pytest.mark.parametrize(
    ("frames", "shows", "expected"),
    [
        (4, 4, (1, 1, 1, 1)),
        (3, 6, (2, 2, 2)),
        (3, 7, (3, 2, 2)),
        (5, 2, (1, 0, 0, 0, 1)),
        (5, 3, (1, 0, 1, 0, 1)),
        (5, 1, (0, 0, 0, 0, 1)),
        (1, 9, (9,)),
    ],
)
def test_spread(frames: int, shows: int, expected: tuple[int, ...]) -> None:
    assert spread(frames, shows) == expected


@given(st.integers(1, 200), st.integers(1, 400))
def test_spread_is_even_and_complete(frames: int, shows: int) -> None:
    counts = spread(frames, shows)
    assert sum(counts) == shows
    assert max(counts) - min(counts) <= 1
    assert counts[-1] >= 1
    if shows > 1:
        assert counts[0] >= 1
