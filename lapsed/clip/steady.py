"""Holding steady: by how much each frame is moved back, and what that costs of the picture; pure."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from lapsed.clip.orient import Rect

STILL_PX: Final = 0.1
"""A shift within what can be measured is left alone: moving by it would soften the frame for nothing."""

WORTH_PX: Final = 0.3
"""A take in which no frame stands off by more is left alone as a whole: no one sees it, and the crop costs pixels."""


@dataclass(frozen=True, slots=True)
class Steadied:
    """`shifts_px` are how far the frames stand off, (right, down), where most of them stand being zero.

    `inner` is the part of the picture that all frames show once they are moved back. `beyond` are the frames that
    stand off by more than the limit and are moved back by the limit only; `unknown` counts those whose shift could
    not be told, which are moved as the one before them.
    """

    shifts_px: tuple[tuple[float, float], ...]
    inner: Rect
    beyond: tuple[int, ...] = ()
    unknown: int = 0

    @property
    def most_px(self) -> float:
        """The farthest that a frame is moved."""
        return max((math.hypot(*shift) for shift in self.shifts_px), default=0.0)


def steady(shifts: Sequence[tuple[float, float] | None], size: tuple[int, int], limit: float) -> Steadied:
    """How to hold frames of the upright `size` steady that were found to stand at `shifts`.

    `limit` is the most to correct, as a share of the picture's longer side.
    """
    whole = Rect(0, 0, *size)
    known = np.array([shift for shift in shifts if shift is not None])
    if not len(known):
        return Steadied(((0.0, 0.0),) * len(shifts), whole, unknown=len(shifts))
    middle = np.median(known, axis=0)
    most = limit * max(size)
    moved: list[tuple[float, float]] = []
    beyond: list[int] = []
    last = (0.0, 0.0)
    for index, shift in enumerate(shifts):
        if shift is not None:
            x, y = float(shift[0] - middle[0]), float(shift[1] - middle[1])
            far = math.hypot(x, y)
            if far > most:
                beyond.append(index)
                x, y = x * most / far, y * most / far
            last = (0.0, 0.0) if far < STILL_PX else (round(x, 3), round(y, 3))
        moved.append(last)
    unknown = sum(shift is None for shift in shifts)
    if max(math.hypot(*shift) for shift in moved) < WORTH_PX:
        moved = [(0.0, 0.0)] * len(moved)
    return Steadied(tuple(moved), _inner(moved, size), tuple(beyond), unknown)


def _inner(shifts: Sequence[tuple[float, float]], size: tuple[int, int]) -> Rect:
    """What stays when each frame loses the edge that its shift leaves empty; even, as crops fall on chroma samples."""
    across, down = (_edges([shift[axis] for shift in shifts]) for axis in (0, 1))
    return Rect(across[0], down[0], size[0] - sum(across), size[1] - sum(down))


def _edges(shifts: Sequence[float]) -> tuple[int, int]:
    return 2 * math.ceil(max(0.0, -min(shifts)) / 2), 2 * math.ceil(max(0.0, *shifts) / 2)
