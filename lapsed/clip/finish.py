"""The last step of a picture's planes: from full range by BT.601, as JPEG has them, to the colour of video.

A gain is put in on the way. Planes have 8 bits, or 10 in words of 16, whose codes are four times those of 8 bits.
"""

from typing import Any, Final, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from lapsed.clip.colour import full_601_to_limited_709
from lapsed.clip.tone import NEUTRAL, Gain, Tone, tone

Plane = NDArray[np.uint8] | NDArray[np.uint16]

_TO_VIDEO: Final = full_601_to_limited_709()
_LAST: Final = np.uint16(1019)
"""The last of the 10-bit codes for pictures; those above are for timing (BT.709-6, item 5.6)."""

_ROWS: Final = 64
"""Luma goes in bands that stay in the processor's cache; even, for 4:2:0."""


def finish(planes: list[Plane], to: list[Plane], gain: Gain) -> None:
    """Fill `to`, of as many bits as `planes` or fewer; both may be the same. Luma is rounded once."""
    luma, cb, cr = planes
    of, by = (1 if plane.dtype == np.uint8 else 4 for plane in (luma, to[0]))
    toned = None if gain == NEUTRAL else tone(gain)
    step = _TO_VIDEO if toned is None else _TO_VIDEO.after(toned.chroma)
    matrix, offset = step.matrix * by / of, step.offset * by
    kind = cv2.CV_8U if by == 1 else cv2.CV_16U
    share, room, middle = _share(cb, cr, matrix)
    mean = offset[0] + 128 * of * (matrix[0, 1] + matrix[0, 2]) - middle / room
    down = luma.shape[0] // cb.shape[0]
    for top in range(0, luma.shape[0], _ROWS):
        rows, small = slice(top, top + _ROWS), slice(top // down, (top + _ROWS) // down)
        band = luma[rows] if toned is None else _toned(luma[rows], toned)
        coloured = toned is not None and toned.coloured
        mixed = [
            cv2.addWeighted(
                cb[small],
                matrix[row, 1],
                cr[small],
                matrix[row, 2],
                offset[row],
                dtype=cv2.CV_32F if coloured else kind,
            )
            for row in (1, 2)
        ]
        if coloured:
            half = cv2.resize(band, mixed[0].shape[::-1], interpolation=cv2.INTER_AREA)
            mixed = [cv2.addWeighted(part, 1, half, matrix[row, 0], 0, dtype=kind) for row, part in enumerate(mixed, 1)]
        for plane, part in zip(to[1:], mixed, strict=True):
            plane[small] = part
        cv2.addWeighted(band, matrix[0, 0], _spread(share, small, band), 1 / room, mean, dst=to[0][rows], dtype=kind)
    if kind == cv2.CV_16U:
        for plane in to:
            np.minimum(plane, _LAST, out=plane)


def _toned(luma: Plane, toned: Tone) -> NDArray[np.float32]:
    if luma.dtype == np.uint8:
        return cast("NDArray[np.float32]", cv2.LUT(luma, toned.curve))
    return np.take(toned.fine, luma, mode="clip")


def _spread(share: Plane, rows: slice, luma: NDArray[Any]) -> Plane:
    """The `rows` of chroma's share as large as the band of luma beside them, blended over the band's limits."""
    first, last = max(rows.start - 1, 0), min(rows.stop + 1, share.shape[0])
    by = luma.shape[0] // (min(rows.stop, share.shape[0]) - rows.start)
    large = cv2.resize(share[first:last], (luma.shape[1], (last - first) * by), interpolation=cv2.INTER_LINEAR)
    start = (rows.start - first) * by
    return cast("Plane", large[start : start + luma.shape[0]])


def _share(cb: Plane, cr: Plane, matrix: NDArray[np.float64]) -> tuple[Plane, float, float]:
    """Luma's share of chroma about its mean, summed on the small planes; spread by a factor, about a middle.

    In 8 bits it is spread so that rounding costs little: the sum's reach is about +-36 codes, so 3.5 is the room there
    is. In 16 bits there is plenty.
    """
    neutral, room, middle = (128, 3.5, 128.0) if cb.dtype == np.uint8 else (512, 32.0, 32768.0)
    add = middle - neutral * room * (matrix[0, 1] + matrix[0, 2])
    return cast("Plane", cv2.addWeighted(cb, matrix[0, 1] * room, cr, matrix[0, 2] * room, add)), room, middle
