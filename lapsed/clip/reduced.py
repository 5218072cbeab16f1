"""A frame decoded small, for all that doesn't need its every pixel."""

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import cv2
import numpy as np
import simplejpeg  # type: ignore[import-untyped]  # it ships no types
from numpy.typing import NDArray

from lapsed.clip.decoding import BrokenFrameError, Decoder
from lapsed.clip.planes import upright

Bytes = NDArray[np.uint8]

FINE_PX: Final = 1024
"""The least that the longer side of a reduced picture measures, where the frame has as many pixels."""


@dataclass(frozen=True, slots=True)
class Reduced:
    """A frame, upright, BGR: `fine` enough for its sharpness, and `coarse` for all else.

    `factor` is how many pixels of the frame make one of `coarse`, along one side.
    """

    fine: Bytes
    coarse: Bytes
    factor: int


def reduced(path: Path, stored: tuple[int, int], orientation: int, first: Path) -> Reduced:
    """Decode the frame in `path`, of the size `stored` in the file; `first` is the take's first frame.

    Raises BrokenFrameError, OSError.
    """
    by = next((by for by in (8, 4, 2) if max(stored) >= by * FINE_PX), 1)
    fine = upright(_small(path, stored, by, first), orientation)
    if max(stored) < FINE_PX:
        return Reduced(fine, fine, by)
    half = fine.shape[1] // 2, fine.shape[0] // 2
    even = np.ascontiguousarray(fine[: 2 * half[1], : 2 * half[0]])
    return Reduced(fine, np.asarray(cv2.resize(even, half, interpolation=cv2.INTER_AREA), np.uint8), 2 * by)


def _small(path: Path, stored: tuple[int, int], by: int, first: Path) -> Bytes:
    """Reduced inside the JPEG's own transform, which averages blocks; whatever that can't read is decoded whole."""
    least = {"min_width": -(-stored[0] // by), "min_height": -(-stored[1] // by), "min_factor": by}
    data = path.read_bytes()
    if data.startswith(b"\xff\xd8"):
        try:
            return np.asarray(simplejpeg.decode_jpeg(data, "BGR", fastdct=True, fastupsample=True, **least), np.uint8)
        except ValueError:
            pass  # damaged, or of a kind that the delivery's decoder may know how to read: it has the last word
    decoded = Decoder(stored, by, first).decode(path)
    whole, rest = decoded.frame.to_ndarray(format="bgr24"), by // decoded.by
    cut = whole[: whole.shape[0] // rest * rest, : whole.shape[1] // rest * rest]
    size = cut.shape[1] // rest, cut.shape[0] // rest
    return np.asarray(cv2.resize(cut, size, interpolation=cv2.INTER_AREA), np.uint8)


__all__ = ["BrokenFrameError", "Reduced", "reduced"]
