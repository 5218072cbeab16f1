"""Whether something stands in a few frames that those before and after don't show, such as the head; pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from lapsed.clip.srgb import FOOT

Cells = NDArray[np.float32]
"""The mean codes of cells of a frame, (rows, columns, 3)."""

_CELL: Final = 8  # px of the coarse picture
_CODES: Final = 20.0  # of 255; growth, noise, what is left of a shift and the sheen of a layer stay below
_SHARE: Final = 0.005  # of the picture; a head that is seen at all covers more
_LEAST: Final = 4  # cells
_ALIKE: Final = 0.2  # the share of the frames around up to which something may be in them too
_AROUND: Final = np.ones((7, 7), np.uint8)  # three cells to each side
_FOOT: Final = np.float32(255 * FOOT)  # with it, a gain in light is a factor of codes: see lapsed.clip.tone


@dataclass(frozen=True, slots=True)
class Stranger:
    """A region that frames before and after agree on and this one doesn't: its box and its area, as shares."""

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


def stranger(run: Sequence[Cells], before: Sequence[Cells], after: Sequence[Cells]) -> Stranger | None:
    """The largest region in which all frames of a `run` are unlike those around it while these are alike.

    `before` and `after` begin with the nearest, and there has to be one of each. What grows or goes on moving, as part
    and gantry do, changes from the one to the other too, close by. And what either of the next but one shows, or more
    than a few of the frames farther off, comes back by itself: where the infill lies one way in one layer and the other
    way in the next, every frame is unlike its neighbours but like the next but one.
    """
    change = _apart(before[0], after[0])
    unlike = _least(run[:1], before[:1])
    if np.count_nonzero(unlike - change > _CODES) < _fewest(change):
        return None  # as most often: the rest need not be looked at
    unlike = np.minimum(unlike, _least(run, (*before[:2], *after[:2])))
    clear = unlike - change > _CODES
    if np.count_nonzero(clear) < _fewest(change):
        return None
    farther = [_least(run, (other,)) <= _CODES for other in (*before[2:], *after[2:])]
    if farther:
        clear &= np.sum(farther, axis=0) <= _ALIKE * (len(before) + len(after))
    _, labels, boxes, _ = cv2.connectedComponentsWithStats(clear.astype(np.uint8), connectivity=8)
    areas = boxes[:, cv2.CC_STAT_AREA]
    for region in 1 + np.argsort(-areas[1:], kind="stable"):
        area = int(areas[region])
        if area < _fewest(change):
            return None
        near = cv2.dilate((labels == region).astype(np.uint8), _AROUND) > 0
        if np.count_nonzero(change[near] > _CODES) < area:
            return _placed(boxes[region], area, (change.shape[0], change.shape[1]))
    return None


def _fewest(cells: NDArray[np.float32]) -> float:
    return max(_LEAST, _SHARE * cells.size)


def _least(run: Sequence[Cells], others: Sequence[Cells]) -> NDArray[np.float32]:
    """How many codes the cells of any frame of the run differ by from any of the others, at the least."""
    return np.asarray(np.min([_apart(frame, other) for frame in run for other in others], axis=0), np.float32)


def _placed(box: NDArray[np.int32], area: int, shape: tuple[int, int]) -> Stranger:
    rows, columns = shape
    left, top, wide, high = box[:4].tolist()
    return Stranger(
        round(left / columns, 3),
        round(top / rows, 3),
        round((left + wide) / columns, 3),
        round((top + high) / rows, 3),
        round(area / (rows * columns), 4),
    )


def _apart(one: Cells, two: Cells) -> NDArray[np.float32]:
    """How many codes the cells differ by, once the one is as bright as the other."""
    lit = one + _FOOT, two + _FOOT
    wanted = np.minimum(np.median(lit[0] / lit[1]) * lit[1], 255 + _FOOT)  # what the gain clips is alike
    return np.asarray(np.max(np.abs(lit[0] - wanted), axis=2), np.float32)
