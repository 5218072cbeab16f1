"""What a camera on a tripod beside the simulated machine sees: from the state of the print to a picture.

The still parts are drawn once. Each shot adds the strands printed since the last one and their shadow, draws the
head, and exposes; only what changed is composed anew. The same view, seed and shot give the same bytes, whatever was
shot before.
"""

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from lapsed.sim import workshop
from lapsed.sim.beads import Painter
from lapsed.sim.head import Head
from lapsed.sim.lens import Singles, aim
from lapsed.sim.sensor import Sensor
from lapsed.sim.shadow import Bed, Shadow
from lapsed.sim.strands import Strands

Bytes = NDArray[np.uint8]
Rect = tuple[int, int, int, int]
"""Left, top, right and bottom in pixels, the latter two exclusive."""

_GRID = 4
"""Pieces that are composed begin and end at multiples of so many pixels, which keeps chroma and shadow in step."""

_COARSE = 16
"""How much smaller the head's shadow is drawn, which has no sharp edge."""


@dataclass(frozen=True, slots=True)
class View:
    """What is to be seen: the lines of the file carried out, and where the head stands, mm."""

    lines_done: int
    head_mm: tuple[float, float, float]


class Scene:
    """The machine printing `strands` on `bed`, seen by a camera with a sensor of `size_px`.

    Shots may come in any order; going back in the print costs drawing it anew.
    """

    def __init__(self, strands: Strands, bed: Bed, size_px: tuple[int, int], seed: int = 1) -> None:
        self._strands = strands
        self._bed = bed
        # Small pictures are drawn larger, or layers would shimmer.
        self._over = 2 if size_px[0] < 2000 else 1
        wide, high = (-(-side // _GRID) * _GRID * self._over for side in size_px)
        self._lens = aim(*strands.box(), wide, high)
        self._painter = Painter(self._lens, strands)
        self._head = Head(self._lens, (bed[0][0] - 60, bed[0][1] + 60), _GRID * self._over)
        self._still = workshop.backdrop(self._lens, bed, seed)
        self._sensor = Sensor(size_px, seed)
        self._start_over()

    def _start_over(self) -> None:
        self._painted = 0
        self._part = np.zeros((self._lens.height_px, self._lens.width_px), np.uint32)
        self._shadow = Shadow(self._bed)
        self._planes = _planes(self._still, self._over)

    def jpeg(self, view: View, shot: int, exif: bytes = b"") -> bytes:
        """The picture of `view` as a JPEG; `shot` chooses its grain and its light, `exif` is a segment to go in."""
        self._print_on(self._strands.done(view.lines_done))
        planes = [plane.copy() for plane in self._planes]
        self._shade_head(planes[0], view.head_mm)
        drawn, corner = self._head.draw(view.head_mm)
        if drawn.size:
            _lay_planes(planes, drawn, corner, self._over)
        return self._sensor.expose(planes, shot, exif)

    def _print_on(self, count: int) -> None:
        """Bring part, shadow and planes to `count` strands."""
        if count < self._painted:
            self._start_over()
        if count == self._painted:
            return
        first, self._painted = self._painted, count
        self._painter.paint(self._part, first, count)
        ground = self._shadow.add(self._strands, first, count)
        seen = self._shadow.seen(self._lens.smaller(_GRID))
        ends = np.concatenate((self._strands.start[first:count], self._strands.end[first:count]))
        bead = math.ceil(2.0 * self._lens.focal_px / self._lens.focus_mm)
        for points, margin in ((ground, 2 * _GRID), (ends, bead)):
            self._compose(self._around(points, margin), seen)

    def _around(self, points: Singles, margin: int) -> Rect:
        """The part of the picture that holds `points` (n, 3), mm, and `margin` pixels around them."""
        places = self._lens.project(points)[0]
        return _fit(places.min(axis=0) - margin, places.max(axis=0) + margin, self._still, _GRID * self._over)

    def _compose(self, rect: Rect, seen: Bytes) -> None:
        """Bring the planes within `rect` up to date; `seen` is the plate's brightness at a pixel for each grid."""
        left, top, right, bottom = rect
        if right <= left or bottom <= top:
            return
        # Blurs need to see beyond the edges, or pieces would show where they meet.
        edge = 2 * _GRID * self._over
        x0, y0, x1, y1 = _fit(np.array([left, top]) - edge, np.array([right, bottom]) + edge, self._still, 1)
        small = seen[y0 // _GRID : y1 // _GRID, x0 // _GRID : x1 // _GRID]
        shade = cv2.cvtColor(cv2.resize(small, (x1 - x0, y1 - y0), interpolation=cv2.INTER_LINEAR), cv2.COLOR_GRAY2BGR)
        lit = np.asarray(cv2.multiply(self._still[y0:y1, x0:x1], shade, scale=1 / 255), np.uint8)
        part = self._part[y0:y1, x0:x1].view(np.uint8).reshape(y1 - y0, x1 - x0, 4)
        # No lens is sharper than its sensor; the same small blur smooths the edges of the beads.
        _lay(lit, np.asarray(cv2.GaussianBlur(part, (3, 3), 0.75), np.uint8))
        pieces = _planes(lit[top - y0 : bottom - y0, left - x0 : right - x0], self._over)
        for plane, piece, half in zip(self._planes, pieces, (1, 2, 2), strict=True):
            y, x = top // self._over // half, left // self._over // half
            plane[y : y + piece.shape[0], x : x + piece.shape[1]] = piece

    def _shade_head(self, luma: Bytes, at: tuple[float, float, float]) -> None:
        """Darken the plate under the head; the part has the light from the side."""
        ground, soft_mm = self._head.shadow(at)
        small = self._lens.smaller(_COARSE * self._over)
        mask = np.zeros((small.height_px, small.width_px), np.uint8)
        cv2.fillConvexPoly(mask, np.round(small.project(ground)[0] * 16).astype(np.int32), 255, cv2.LINE_AA, 4)
        soft = cv2.GaussianBlur(mask, (0, 0), soft_mm * small.focal_px / small.focus_mm)
        if not soft.any():  # out of the picture, or so far at its edge that nothing is left of it when blurred
            return
        x, y, wide, high = cv2.boundingRect(soft)
        size = (wide * _COARSE, high * _COARSE)
        dark = np.asarray(cv2.resize(soft[y : y + high, x : x + wide], size, interpolation=cv2.INTER_LINEAR), np.uint8)
        place = np.s_[y * _COARSE : (y + high) * _COARSE, x * _COARSE : (x + wide) * _COARSE]
        dark[self._part[:: self._over, :: self._over][place] != 0] = 0
        cv2.multiply(luma[place], 255 - dark // 3, dst=luma[place], scale=1 / 255)


def _fit(low: NDArray[Any], high: NDArray[Any], picture: Bytes, grid: int) -> Rect:
    """The smallest piece of `picture` on the grid that holds all from `low` to `high`; empty where none does."""
    most = np.array(picture.shape[1::-1])
    least = np.clip(np.floor(low / grid) * grid, 0, most).astype(int)
    last = np.clip(np.ceil(high / grid) * grid, 0, most).astype(int)
    return int(least[0]), int(least[1]), int(last[0]), int(last[1])


def _planes(bgr: Bytes, over: int) -> list[Bytes]:
    """Y, Cb and Cr of full range (ITU-T T.871, JFIF), chroma halved, all made smaller by `over`."""
    wide, high = bgr.shape[1] // over, bgr.shape[0] // over
    if over > 1:
        bgr = np.asarray(cv2.resize(bgr, (wide, high), interpolation=cv2.INTER_AREA), np.uint8)
    luma, red, blue = cv2.split(cv2.cvtColor(bgr, cv2.COLOR_BGR2YCrCb))
    half = (wide // 2, high // 2)
    small = [cv2.resize(plane, half, interpolation=cv2.INTER_AREA) for plane in (blue, red)]
    return [np.asarray(plane, np.uint8) for plane in (luma, *small)]


def _lay(under: Bytes, over: Bytes) -> None:
    """Lay premultiplied BGRA over BGR in place."""
    clear = cv2.cvtColor(cv2.bitwise_not(over[..., 3]), cv2.COLOR_GRAY2BGR)
    cv2.multiply(under, clear, dst=under, scale=1 / 255)
    cv2.add(under, cv2.cvtColor(over, cv2.COLOR_BGRA2BGR), dst=under)


def _lay_planes(planes: list[Bytes], drawn: Bytes, corner: tuple[int, int], over: int) -> None:
    """Lay premultiplied BGRA over planes in place, its corner at that pixel of the large picture."""
    left, top = (side // over for side in corner)
    pieces = _planes(np.asarray(cv2.cvtColor(drawn, cv2.COLOR_BGRA2BGR), np.uint8), over)
    for plane, piece, half in zip(planes, pieces, (1, 2, 2), strict=True):
        high, wide = piece.shape
        clear = cv2.bitwise_not(cv2.resize(drawn[..., 3], (wide, high), interpolation=cv2.INTER_AREA))
        # Chroma stands about 128, also where nothing was drawn.
        own = piece if half == 1 else cv2.subtract(piece, cv2.convertScaleAbs(clear, alpha=128 / 255))
        under = plane[top // half : top // half + high, left // half : left // half + wide]
        cv2.multiply(under, clear, dst=under, scale=1 / 255)
        cv2.add(under, own, dst=under)
