"""How many workers and how much look-ahead a delivery can have in the memory it may take; pure.

The figures are what decoders and encoders were measured to hold (x86-64, preset medium), in bytes for each pixel. An
encoder's threads share most of what they need, so they don't count.
"""

from dataclasses import dataclass
from typing import Final

from lapsed.clip.codec import Codec

LIMIT_BYTES: Final = 700_000_000
"""What a delivery takes at most where it can do with less: small computers that run printers have 1 or 2 GB."""

SHARE: Final = 0.6
"""How much of the free memory a delivery takes at most, so that what runs beside it has room to grow."""

_PROGRAM: Final = 105_000_000
_STAGES: Final = 3  # scaled, summed and finished
_MOST: Final = 40  # frames of look-ahead: x264's own choice for medium


@dataclass(frozen=True, slots=True)
class Room:
    """`workers` decode and shape, and up to `waiting` shaped frames more wait; `look_ahead` counts frames.

    `bytes_needed` is what it takes in all.
    """

    workers: int
    waiting: int
    look_ahead: int
    bytes_needed: int

    @property
    def ahead(self) -> int:
        """How many frames may be under way before the encoder takes the next."""
        return self.workers + self.waiting


def room(codec: Codec, decoded_bytes: float, clip_pixels: int, cores: int, limit_bytes: float = LIMIT_BYTES) -> Room:
    """The most workers (at most 4, a core each), then the most look-ahead, that fit; the least of both where none does.

    `decoded_bytes` is what one frame takes while it is decoded.
    """
    for workers in range(max(1, min(cores, 4)), 0, -1):
        left = limit_bytes - _need(codec, decoded_bytes, clip_pixels, workers, 0)
        look_ahead = _MOST
        if codec.hunger.look_ahead:
            look_ahead = min(_MOST, int(left / (codec.hunger.look_ahead * clip_pixels)))
        if left >= 0 and look_ahead >= codec.hunger.frames:
            break
    else:
        workers, look_ahead = 1, codec.hunger.frames
    return Room(workers, 1, look_ahead, _need(codec, decoded_bytes, clip_pixels, workers, look_ahead))


def allowed(free_bytes: int | None, processes: int) -> float:
    """What each of several processes may take of the memory that is free, which is None where it isn't known."""
    mine = LIMIT_BYTES if free_bytes is None else min(LIMIT_BYTES, SHARE * free_bytes)
    return mine / processes


def _need(codec: Codec, decoded_bytes: float, clip_pixels: int, workers: int, look_ahead: int) -> int:
    shaped = codec.pixels.bytes_each * clip_pixels
    each = decoded_bytes + _STAGES * shaped
    encoder = (codec.hunger.least + look_ahead * codec.hunger.look_ahead) * clip_pixels
    return int(_PROGRAM + workers * each + shaped + encoder)
