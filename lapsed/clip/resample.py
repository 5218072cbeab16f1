"""Cropping and scaling on fractions of a pixel, for pictures that move slowly or are held steady.

A crop on whole pixels would jump by half a pixel of the frame now and then, which a slow move shows as a tremor. Each
output sample is a weighted mean around its exact place: a Hamming window twice its width, which is as sharp as an area
average and has no steps; or, where the picture is enlarged, a cubic curve.
"""

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from lapsed.clip.finish import Plane
from lapsed.clip.orient import Rect


def resampled(planes: list[Plane], halved: tuple[bool, bool], crop: Rect, sizes: list[tuple[int, int]]) -> list[Plane]:
    """The part `crop` of full-range planes, each at its own of `sizes`, in as many bits as they have.

    `crop` is in pixels of luma and is moved inside the picture where it sticks out; `halved` tells whether the planes'
    chroma is halved across and downwards. JPEG's chroma samples lie in the middle of the luma samples they stand for
    (ITU-T T.871, 6.1), so that one rectangle cuts both alike.
    """
    out = []
    height, width = planes[0].shape
    for n, (plane, size) in enumerate(zip(planes, sizes, strict=True)):
        across, down = (2 if n and half else 1 for half in halved)
        x = _inside(crop.x, crop.width, width) / across
        y = _inside(crop.y, crop.height, height) / down
        right = min(x + crop.width / across, plane.shape[1])
        bottom = min(y + crop.height / down, plane.shape[0])
        out.append(_part(plane, (x, y, right, bottom), size))
    return out


def _inside(start: float, length: float, whole: int) -> float:
    return min(max(start, 0.0), max(whole - length, 0.0))


def _part(plane: Plane, box: tuple[float, float, float, float], size: tuple[int, int]) -> Plane:
    # Pillow would take the whole plane through the first of its two passes; what is far outside the box is left out.
    left, top = max(0, int(box[0]) - 8), max(0, int(box[1]) - 8)
    near = plane[top : int(box[3]) + 9, left : int(box[2]) + 9]
    shrinks = box[2] - box[0] > size[0]
    kind = Image.Resampling.HAMMING if shrinks else Image.Resampling.BICUBIC
    picture = Image.fromarray(np.ascontiguousarray(near))
    moved = (box[0] - left, box[1] - top, box[2] - left, box[3] - top)
    part: NDArray[np.uint8] | NDArray[np.uint16] = np.asarray(picture.resize(size, kind, box=moved))
    return part
