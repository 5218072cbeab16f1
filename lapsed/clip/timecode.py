"""Timecode: the label of each frame; pure. SMPTE ST 12-1.

At 29.97 and 59.94 frames a second labels count 30 and 60, and drop-frame counting leaves labels out so that they
keep step with the clock: no frame is lost. At 23.976 there is no such counting, and labels fall behind by 3.6 s an
hour.
"""

import re
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

_NTSC: Final = Fraction(1000, 1001)
_WRITTEN: Final = re.compile(r"(\d\d):(\d\d):(\d\d)[:;](\d\d)")


@dataclass(frozen=True, slots=True)
class Counting:
    """How frames are labelled: `base` labels a second, of which `dropped` are left out in nine minutes of ten."""

    base: int
    dropped: int

    @property
    def _a_minute(self) -> int:
        return 60 * self.base - self.dropped

    @property
    def _ten_minutes(self) -> int:
        return 600 * self.base - 9 * self.dropped

    def label(self, frame: int) -> str:
        """The label of a frame; they start again after 24 hours."""
        tens, rest = divmod(frame % (144 * self._ten_minutes), self._ten_minutes)
        # The first minute of ten is whole, so the others are counted from its end.
        minute = max(0, rest - self.dropped) // self._a_minute
        number = tens * 600 * self.base + rest + minute * self.dropped
        seconds, frames = divmod(number, self.base)
        minutes, seconds = divmod(seconds, 60)
        hours, minutes = divmod(minutes, 60)
        return f"{hours:02}:{minutes:02}:{seconds:02}{';' if self.dropped else ':'}{frames:02}"

    def frame(self, label: str) -> int:
        """The frame that bears `label`. Raises ValueError where none does."""
        match = _WRITTEN.fullmatch(label)
        if match is None:
            raise ValueError(f"{label!r} is no timecode: write hours, minutes, seconds and frames as 01:00:00:00")
        hours, minutes, seconds, frames = map(int, match.groups())
        dropped = self.dropped and minutes % 10 and not seconds and frames < self.dropped
        if hours > 23 or minutes > 59 or seconds > 59 or frames >= self.base or dropped:
            raise ValueError(f"no frame is labelled {label!r} at {self.base} labels a second")
        whole = 60 * hours + minutes
        return (60 * whole + seconds) * self.base + frames - self.dropped * (whole - whole // 10)


def counting(rate: Fraction) -> Counting | None:
    """How frames of `rate` are labelled; None where the standard has no way for such a rate.

    Rates over 30 are labelled as if the field for frames went on, as is common practice (no source); the tracks of
    movies hold a number of frames in any case.
    """
    if rate.denominator == 1:
        return Counting(int(rate), 0)
    base = rate / _NTSC
    if base.denominator != 1:
        return None
    return Counting(int(base), int(base) // 15 if base % 30 == 0 else 0)
