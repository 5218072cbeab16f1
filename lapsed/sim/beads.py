"""Paints extruded strands as beads of plastic.

The camera looks down on everything printed, so what is printed higher is never hidden by what lies lower: painting
layer by layer, and within one from far to near, needs no depth buffer and no second look at what was painted before.
A bead is splatted: its visible half is sampled more densely than the pixels, each sample knows its pixel and colour.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lapsed.sim.lens import Lens, Singles
from lapsed.sim.light import shade, shade_of
from lapsed.sim.strands import Strands

Pixels = NDArray[np.uint32]

_PIECE_MM = 0.4
_DENSE = 1.25
"""Samples for each pixel of way; less leaves holes where the bead turns."""


@dataclass(frozen=True, slots=True)
class _Pieces:
    """Strands cut into short pieces: both ends, the outward normals there, width and height of the bead; mm."""

    start: Singles
    end: Singles
    start_normal: Singles
    end_normal: Singles
    width: Singles
    height: Singles
    strand: NDArray[np.int64]


class Painter:
    """Paints `strands` as `lens` sees them; the same strand gives the same pixels in whatever steps it is painted."""

    def __init__(self, lens: Lens, strands: Strands) -> None:
        self._lens = lens
        self._strands = strands
        self._shade = shade_of(strands)
        self._grain = np.random.default_rng(5).standard_normal(len(strands.line)).astype(np.float32)
        scale = lens.focal_px / lens.focus_mm * 1.3  # the nearest of the part is not much nearer than its middle
        # Three quarters of a bead's girth are no more than twice its width.
        self._across = max(4, math.ceil(_DENSE * scale * _usual(strands.width) * 1.5))
        self._along = max(2, math.ceil(_DENSE * scale * _PIECE_MM) + 1)

    def paint(self, canvas: Pixels, first: int, last: int) -> None:
        """Paint strands `first` to `last` (exclusive) on `canvas`, whose pixels are BGRA with coverage as alpha.

        A course begun before is painted from its beginning again, as its strands overlap by distance and not by age.
        """
        course = self._strands.course
        for number in range(int(np.searchsorted(course, first, side="right")) - 1, len(course) - 1):
            begin, end = int(course[number]), int(course[number + 1])
            if begin >= last:
                return
            self._splat(canvas, _cut(self._strands, begin, end, last, self._lens), self._grain[begin:end])

    def _splat(self, canvas: Pixels, pieces: _Pieces, grain: Singles) -> None:
        lens = self._lens
        middle: Singles = (pieces.start + pieces.end) / np.float32(2)
        towards: Singles = lens.eye - middle
        normal: Singles = (pieces.start_normal + pieces.end_normal) / np.float32(2)
        facing = np.arctan2(towards[:, 2], np.sum(towards[:, :2] * normal, axis=1))
        sweep = np.linspace(-math.pi / 2, math.pi / 2, self._across, dtype=np.float32)
        angle = facing.astype(np.float32)[:, None] + sweep
        cos, sin = np.cos(angle), np.sin(angle)
        wobble = 1 + 0.02 * grain[pieces.strand, None]
        out = np.sign(cos) * np.abs(cos) ** 0.8 * (pieces.width / 2)[:, None] * wobble
        up = (np.sign(sin) * np.abs(sin) ** 0.8 - 1) * (pieces.height / 2)[:, None]
        begin, _ = lens.project(_rim(pieces.start, pieces.start_normal, out, up))
        finish, _ = lens.project(_rim(pieces.end, pieces.end_normal, out, up))
        colour = shade(self._shade, middle, normal, cos, sin, towards, grain[pieces.strand])
        way = finish - begin
        share = np.linspace(0, 1, self._along, dtype=np.float32)[:, None]
        # Pieces stay outermost: NumPy assigns in order, so the last and nearest piece wins a pixel.
        x = (begin[:, None, :, 0] + way[:, None, :, 0] * share).astype(np.int32)
        y = (begin[:, None, :, 1] + way[:, None, :, 1] * share).astype(np.int32)
        high, wide = canvas.shape
        place = y * wide + x
        paint = np.broadcast_to(colour[:, None, :], place.shape)
        inside = (x >= 0) & (x < wide) & (y >= 0) & (y < high)
        if inside.all():
            canvas.reshape(-1)[place.reshape(-1)] = paint.reshape(-1)
        else:
            canvas.reshape(-1)[place[inside]] = paint[inside]


def _normals(strands: Strands, first: int, last: int, lens: Lens) -> tuple[Singles, Singles]:
    """Level normals towards the camera at both ends of each strand, averaged with the neighbour's at gentle bends."""
    start, end = strands.start[first:last], strands.end[first:last]
    along = end[:, :2] - start[:, :2]
    along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-6)
    normal = np.stack((along[:, 1], -along[:, 0]), axis=1)
    joined = np.zeros(len(start), bool)
    joined[1:] = np.all(np.abs(start[1:] - end[:-1]) < 1e-3, axis=1)
    gentle = np.zeros(len(start), bool)
    gentle[1:] = joined[1:] & (np.sum(along[1:] * along[:-1], axis=1) > 0.8)
    at_start, at_end = normal.copy(), normal.copy()
    mean = normal[1:] + normal[:-1]
    mean /= np.maximum(np.linalg.norm(mean, axis=1, keepdims=True), 1e-6)
    at_start[1:][gentle[1:]] = mean[gentle[1:]]
    at_end[:-1][gentle[1:]] = mean[gentle[1:]]
    towards = lens.eye[:2] - (start[:, :2] + end[:, :2]) / 2
    away = np.sum(towards * normal, axis=1) < 0
    at_start[away] *= -1
    at_end[away] *= -1
    return at_start, at_end


def _cut(strands: Strands, first: int, last: int, until: int, lens: Lens) -> _Pieces:
    """The strands of a course before `until`, cut into pieces, far before near."""
    start, end = strands.start[first:last], strands.end[first:last]
    at_start, at_end = _normals(strands, first, last, lens)
    length = np.linalg.norm(end - start, axis=1)
    count = np.maximum(np.ceil(length / _PIECE_MM).astype(np.int64), 1)
    count[until - first :] = 0
    of = np.repeat(np.arange(last - first), count)
    step = np.arange(len(of)) - np.repeat(np.cumsum(count) - count, count)
    low = (step / count[of]).astype(np.float32)[:, None]
    high = ((step + 1) / count[of]).astype(np.float32)[:, None]
    way, turn = (end - start)[of], (at_end - at_start)[of]
    middle = start[of] + way * ((low + high) / 2)
    order = np.argsort(-((middle - lens.eye) @ lens.axes[2]), kind="stable")
    of, low, high, way, turn = of[order], low[order], high[order], way[order], turn[order]
    return _Pieces(
        start[of] + way * low,
        start[of] + way * high,
        at_start[of] + turn * low,
        at_start[of] + turn * high,
        strands.width[first:last][of],
        strands.height[first:last][of],
        of,
    )


def _rim(centre: Singles, normal: Singles, out: Singles, up: Singles) -> Singles:
    """Points of the bead's visible half about one end, (pieces, samples, 3); strands lie at their top."""
    points = np.empty((*out.shape, 3), np.float32)
    points[..., :2] = centre[:, None, :2] + normal[:, None, :] * out[..., None]
    points[..., 2] = centre[:, 2, None] + up
    return points


def _usual(widths: Singles) -> float:
    """The median, or a common nozzle's where there is none."""
    return float(np.median(widths)) if len(widths) else 0.4
