"""The last step of a picture's planes: from full range by BT.601, as JPEG has them, to the colour of video.

A gain is put in on the way. Planes have 8 bits, or 10 in words of 16, whose codes are four times those of 8 bits.
"""

from typing import Final, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from lapsed.clip.colour import full_601_to_limited_709
from lapsed.clip.tone import NEUTRAL, Gain, tone

Plane = NDArray[np.uint8] | NDArray[np.uint16]

_TO_VIDEO: Final = full_601_to_limited_709()
_LAST: Final = np.uint16(1019)
"""The last of the 10-bit codes for pictures; those above are for timing (BT.709-6, item 5.6)."""


def finish(planes: list[Plane], to: list[Plane], gain: Gain) -> None:
    """Fill `to`, of as many bits as `planes` or fewer."""
    luma, cb, cr = planes
    of, by = (1 if plane.dtype == np.uint8 else 4 for plane in (luma, to[0]))
    step, coloured = _TO_VIDEO, False
    if gain != NEUTRAL:
        toned = tone(gain)
        luma = cast("Plane", cv2.LUT(luma, toned.curve) if of == 1 else np.take(toned.fine, luma, mode="clip"))
        step, coloured = step.after(toned.chroma), toned.coloured
    matrix, offset = step.matrix * by / of, step.offset * by
    kind = cv2.CV_8U if by == 1 else cv2.CV_16U
    share, room, middle = _share(cb, cr, matrix)
    share = cast("Plane", cv2.resize(share, (luma.shape[1], luma.shape[0]), interpolation=cv2.INTER_LINEAR))
    mean = offset[0] + 128 * of * (matrix[0, 1] + matrix[0, 2])
    cv2.addWeighted(luma, matrix[0, 0], share, 1 / room, mean - middle / room, dst=to[0], dtype=kind)
    for row in (1, 2):
        cv2.addWeighted(cb, matrix[row, 1], cr, matrix[row, 2], offset[row], dst=to[row], dtype=kind)
    if coloured:
        half = cv2.resize(luma, (cb.shape[1], cb.shape[0]), interpolation=cv2.INTER_AREA)
        for row in (1, 2):
            cv2.addWeighted(to[row], 1, half, matrix[row, 0], 0, dst=to[row], dtype=kind)
    if kind == cv2.CV_16U:
        for plane in to:
            np.minimum(plane, _LAST, out=plane)


def _share(cb: Plane, cr: Plane, matrix: NDArray[np.float64]) -> tuple[Plane, float, float]:
    """Luma's share of chroma about its mean, summed on the small planes; spread by a factor, about a middle.

    In 8 bits it is spread so that rounding costs little: the sum's reach is about +-36 codes, so 3.5 is the room there
    is. In 16 bits there is plenty.
    """
    neutral, room, middle = (128, 3.5, 128.0) if cb.dtype == np.uint8 else (512, 32.0, 32768.0)
    add = middle - neutral * room * (matrix[0, 1] + matrix[0, 2])
    return cast("Plane", cv2.addWeighted(cb, matrix[0, 1] * room, cr, matrix[0, 2] * room, add)), room, middle
