"""How many workers and how much look-ahead a delivery can have in the memory it may take; pure.

The figures are what x264 and the decoders were measured to hold (x86-64, preset medium), in bytes for each pixel. The
encoder's threads share most of what they need, so they don't count.
"""

from dataclasses import dataclass
from typing import Final

LIMIT_BYTES: Final = 700_000_000
"""What a delivery may take in all: small computers that run printers have 1 or 2 GB."""

_PROGRAM: Final = 80_000_000
_DECODED: Final = 2.5  # a frame's pixel in 4:2:2 with its share of the file
_SHAPED: Final = 1.5  # a pixel of the delivery in 4:2:0
_IN_WORK: Final = 3 * _SHAPED  # scaled, summed and finished
_ENCODER: Final = 35
_LOOK_AHEAD: Final = 3.4
_LEAST, _MOST = 3, 40  # 40 is x264's own choice for medium


@dataclass(frozen=True, slots=True)
class Room:
    """`workers` decode and shape, and up to `waiting` shaped frames more wait; `look_ahead` counts frames."""

    workers: int
    waiting: int
    look_ahead: int

    @property
    def ahead(self) -> int:
        """How many frames may be under way before the encoder takes the next."""
        return self.workers + self.waiting


def room(frame_pixels: int, clip_pixels: int, cores: int, limit_bytes: int = LIMIT_BYTES) -> Room:
    """The most workers (at most 4, a core each), then the most look-ahead, that fit; one and three where none does."""
    for workers in range(max(1, min(cores, 4)), 0, -1):
        fixed = _PROGRAM + workers * (_DECODED * frame_pixels + _IN_WORK * clip_pixels)
        fixed += (_SHAPED + _ENCODER) * clip_pixels
        look_ahead = int((limit_bytes - fixed) / (_LOOK_AHEAD * clip_pixels))
        if look_ahead >= _LEAST:
            return Room(workers, 1, min(look_ahead, _MOST))
    return Room(1, 1, _LEAST)
