"""How many threads and how much look-ahead a delivery can have in the memory it may take; pure.

The figures are what decoders and encoders were measured to hold (x86-64, preset medium), in bytes for each pixel.
"""

from dataclasses import dataclass
from itertools import product
from typing import Final

from lapsed.clip.codec import Codec

LIMIT_BYTES: Final = 700_000_000
"""What a delivery takes at most where it can do with less: small computers that run printers have 1 or 2 GB."""

CORE_BYTES: Final = 100_000_000
"""What it may take more for each core past two, or they would have nothing to do."""

SHARE: Final = 0.6
"""How much of the free memory a delivery takes at most, so that what runs beside it has room to grow."""

_PROGRAM: Final = 105_000_000
_STAGES: Final = 3  # scaled, summed and finished
_MOST: Final = 40  # frames of look-ahead: x264's own choice for medium


@dataclass(frozen=True, slots=True)
class Room:
    """`workers` decode and shape, and up to `waiting` shaped frames more wait; `look_ahead` counts frames.

    The encoder has `threads`. `bytes_needed` is what it takes in all.
    """

    workers: int
    waiting: int
    look_ahead: int
    threads: int
    bytes_needed: int

    @property
    def ahead(self) -> int:
        """How many frames may be under way before the encoder takes the next."""
        return self.workers + self.waiting


def room(
    codec: Codec,
    decoded_bytes: float,
    clip_pixels: int,
    cores: int,
    limit_bytes: float = LIMIT_BYTES,
    *,
    processes: int = 1,
) -> Room:
    """The most threads of the encoder, then the most workers (at most 4), then the most look-ahead that fit.

    The least of all where nothing does. `decoded_bytes` is what a frame takes while it is decoded. Several `processes`
    share out the workers; each has as many threads of the encoder as one would have, which makes other bytes by fewer.
    """
    # x264 has three threads for every two cores by its own choice, as they wait for each other.
    most = min(cores * 3 // 2 if codec.hunger.thread else cores, 8)
    for threads, workers in product(range(most, 0, -1), range(max(1, min(cores // processes, 4)), 0, -1)):
        left = limit_bytes - _need(codec, decoded_bytes, clip_pixels, threads=threads, workers=workers, look_ahead=0)
        look_ahead = _MOST
        if codec.hunger.look_ahead:
            look_ahead = min(_MOST, int(left / (codec.hunger.look_ahead * clip_pixels)))
        if left >= 0 and look_ahead >= codec.hunger.frames:
            break
    else:
        threads, workers, look_ahead = 1 if codec.hunger.thread else most, 1, codec.hunger.frames
    need = _need(codec, decoded_bytes, clip_pixels, threads=threads, workers=workers, look_ahead=look_ahead)
    return Room(workers, 1, look_ahead, threads, need)


def allowed(free_bytes: int | None, processes: int, cores: int) -> float:
    """What each of several processes may take of the memory that is free, which is None where it isn't known."""
    limit = LIMIT_BYTES + CORE_BYTES * max(0, cores - 2)
    return (limit if free_bytes is None else min(limit, SHARE * free_bytes)) / processes


def _need(codec: Codec, decoded_bytes: float, clip_pixels: int, *, threads: int, workers: int, look_ahead: int) -> int:
    shaped = codec.pixels.bytes_each * clip_pixels
    each = decoded_bytes + _STAGES * shaped
    hunger = codec.hunger
    encoder = hunger.least + threads * hunger.thread + look_ahead * hunger.look_ahead
    return int(_PROGRAM + workers * each + shaped + encoder * clip_pixels)
