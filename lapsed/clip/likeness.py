"""Whether something stands in a frame that neither neighbour shows, such as the head; pure."""

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

Cells = NDArray[np.float32]
"""The mean codes of cells of a frame, (rows, columns, 3)."""

_CELL: Final = 8  # px of the coarse picture
_CODES: Final = 12.0  # of 255; the part's own growth, noise and what is left of a shift stay well below
_SHARE: Final = 0.004  # of the picture; a nozzle that peeps in is larger
_LEAST: Final = 4  # cells


@dataclass(frozen=True, slots=True)
class Stranger:
    """A region that both neighbours agree on and the frame doesn't: its box and its area as shares of the picture."""

    left: float
    top: float
    right: float
    bottom: float
    area: float


def cells(coarse: NDArray[np.uint8], shift: tuple[float, float]) -> Cells:
    """The cells of a picture that stands off by `shift` px, brought back to where it should stand."""
    high, wide = coarse.shape[:2]
    step = np.array([[1, 0, shift[0]], [0, 1, shift[1]]], np.float32)
    kind = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    back = cv2.warpAffine(coarse, step, (wide, high), flags=kind, borderMode=cv2.BORDER_REPLICATE)
    size = max(wide // _CELL, 1), max(high // _CELL, 1)
    return np.asarray(cv2.resize(back, size, interpolation=cv2.INTER_AREA), np.float32)


def stranger(frame: Cells, before: Cells, after: Cells) -> Stranger | None:
    """The largest region in which `frame` is unlike `before` and `after` while these two are alike."""
    score = np.minimum(_apart(frame, before), _apart(frame, after)) - _apart(before, after)
    rows, columns = score.shape
    count, _, boxes, _ = cv2.connectedComponentsWithStats((score > _CODES).astype(np.uint8), connectivity=8)
    if count < 2:
        return None
    left, top, wide, high, area = boxes[1 + int(np.argmax(boxes[1:, cv2.CC_STAT_AREA]))].tolist()
    if area < max(_LEAST, _SHARE * rows * columns):
        return None
    return Stranger(
        round(left / columns, 3),
        round(top / rows, 3),
        round((left + wide) / columns, 3),
        round((top + high) / rows, 3),
        round(area / (rows * columns), 4),
    )


def _apart(one: Cells, two: Cells) -> NDArray[np.float32]:
    """How many codes the cells differ by, once the one is as bright as the other."""
    gain = np.median((one + 4) / (two + 4))
    return np.asarray(np.max(np.abs(one - gain * two), axis=2), np.float32)
