"""The soft shadow of the part on the plate."""

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lapsed.sim.lens import Lens, Singles
from lapsed.sim.light import KEY
from lapsed.sim.strands import Strands

Bed = tuple[tuple[float, float], tuple[float, float]]
"""Least and greatest X, least and greatest Y, mm."""

_AROUND_MM = 40.0
_DEEPEST = 0.26
"""How bright the plate is where the window's light can't come at all."""


@dataclass(frozen=True, slots=True)
class _Cast:
    """What the part between two heights throws: how deep it is and how soft; the higher, the softer."""

    above_mm: float
    upto_mm: float
    depth: float
    soft_mm: float
    contact: bool = False


_CASTS = (
    _Cast(-1, 8, 0.5, 2.6, contact=True),
    _Cast(-1, 3, 0.74, 0.6),
    _Cast(3, 9, 0.74, 1.1),
    _Cast(9, 20, 0.74, 2.0),
    _Cast(20, 40, 0.74, 3.4),
    _Cast(40, math.inf, 0.74, 5.4),
)


class Shadow:
    """The shadow of the strands added so far, a drawing of the plate for each cast at a pixel a millimetre."""

    def __init__(self, bed: Bed) -> None:
        self._low = (bed[0][0] - _AROUND_MM, bed[1][0] - _AROUND_MM)
        wide, deep = (int(side[1] - side[0] + 2 * _AROUND_MM) for side in bed)
        self._drawn = [np.zeros((deep, wide), np.float32) for _ in _CASTS]
        self._soft = [np.ones((deep, wide), np.float32) for _ in _CASTS]

    def add(self, strands: Strands, first: int, last: int) -> Singles:
        """Add strands `first` to `last` (exclusive); gives the corners of the changed part of the plate, (4, 3)."""
        points = _along(strands, first, last)
        low, high = np.full(2, math.inf, np.float32), np.full(2, -math.inf, np.float32)
        for number, cast in enumerate(_CASTS):
            within = points[(points[:, 2] > cast.above_mm) & (points[:, 2] <= cast.upto_mm)]
            if len(within):
                spots = within[:, :2] if cast.contact else fallen(within)
                self._mark(number, spots)
                reach = np.float32(4 * cast.soft_mm + 2)
                low, high = np.minimum(low, spots.min(axis=0) - reach), np.maximum(high, spots.max(axis=0) + reach)
        return np.array([(x, y, 0) for x in (low[0], high[0]) for y in (low[1], high[1])], np.float32)

    def _mark(self, number: int, spots: Singles) -> None:
        drawing, cast = self._drawn[number], _CASTS[number]
        place = np.round(spots - self._low).astype(int)
        inside = np.all((place >= 0) & (place < drawing.shape[::-1]), axis=1)
        drawing[place[inside, 1], place[inside, 0]] = 1.0
        full = cv2.morphologyEx(drawing, cv2.MORPH_CLOSE, np.ones((3, 3)))
        self._soft[number] = 1 - np.float32(cast.depth) * cv2.GaussianBlur(full, (0, 0), cast.soft_mm)

    def seen(self, lens: Lens) -> NDArray[np.uint8]:
        """How bright the plate is in each pixel of the picture, 255 where no shadow falls."""
        contact, *thrown = self._soft
        light = contact * np.maximum(math.prod(thrown), _DEEPEST)
        code = np.round(255 * light ** (1 / 2.2)).astype(np.uint8)
        home = lens.bed_to_picture(self._low, 1.0)
        size = (lens.width_px, lens.height_px)
        return np.asarray(cv2.warpPerspective(code, home, size, flags=cv2.INTER_LINEAR, borderValue=255), np.uint8)


def fallen(points: Singles) -> Singles:
    """Where on the plate the window throws the shadow of `points`, (n, 2)."""
    spot: Singles = points[:, :2] - KEY[:2] / KEY[2] * points[:, 2:3]
    return spot


def _along(strands: Strands, first: int, last: int) -> Singles:
    """Points along strands, half a millimetre apart."""
    start, way = strands.start[first:last], (strands.end - strands.start)[first:last]
    count = np.maximum(np.ceil(np.linalg.norm(way, axis=1) * 2).astype(int), 1)
    of = np.repeat(np.arange(last - first), count)
    share = (np.arange(len(of)) - np.repeat(np.cumsum(count) - count, count)) / count[of]
    points: Singles = start[of] + way[of] * share[:, None].astype(np.float32)
    return points
