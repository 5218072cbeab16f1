"""What can be measured in one frame by itself: its light, its clipping and its sharpness; pure.

Light is linear, 1 is the brightest that a frame can hold; frames are taken to be sRGB (IEC 61966-2-1).
"""

import hashlib
from array import array
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Final

import cv2
import numpy as np
from numpy.typing import NDArray
from pydantic import PlainSerializer, PlainValidator

from lapsed.clip.srgb import LIGHT, to_code
from lapsed.clip.tone import KNEE

Bytes = NDArray[np.uint8]

if TYPE_CHECKING:
    Numbers = array[float]
else:
    Numbers = array  # which takes no argument before Python 3.12
Tiles = Annotated[
    Numbers,
    PlainValidator(lambda listed: array("f", listed)),
    PlainSerializer(lambda tiles: [_short(value) for value in tiles]),
]
"""Numbers in an eighth of the memory that a tuple of them takes: there may be a hundred thousand frames."""

Region = tuple[float, float, float, float]
"""Left, top, right and bottom as shares of the upright picture's sides."""

WHOLE: Final[Region] = (0.0, 0.0, 1.0, 1.0)
DARK: Final = 0.004
"""The light at the 99th percentile below which a frame is black: code 13 of 255, sensor noise and no more."""

COLUMNS: Final = 8
ROWS: Final = 6

_LIGHT: Final = LIGHT.astype(np.float32)
_LUMA_BGR: Final = np.array([[0.0722, 0.7152, 0.2126]], np.float32)  # BT.709-6, item 3.2, whose primaries sRGB has
_CLIPPED: Final = 254
_CRUSHED: Final = 1
_KNEE_CODE: Final = int(255 * to_code(np.array(KNEE)))


@dataclass(frozen=True, slots=True)
class Light:
    """A frame's light in the region.

    `mean`, and the percentiles 1, 50 and 99 as `low`, `middle` and `high`, are of luminance. `clipped` and `crushed`
    are the shares of pixels with a channel at white, and with all at black. `peak` is the brightest channel of colours
    that are not as bright as a whole. `sharpness` is the root mean square of the Laplacian against the mean code; it
    only means something beside other frames of the same view. `tiles` are the means of red, green and blue of a grid
    of 6 rows and 8 columns, one after another. `digest` tells equal pictures.
    """

    mean: float
    low: float
    middle: float
    high: float
    clipped: float
    crushed: float
    peak: float
    sharpness: float
    tiles: Tiles
    digest: str


def measure(fine: Bytes, coarse: Bytes, region: Region = WHOLE) -> Light:
    """Measure a frame from two reductions of it (BGR), which may be one and the same."""
    part = np.ascontiguousarray(cut(coarse, region))
    light = np.asarray(cv2.LUT(part, _LIGHT), np.float32)
    luminance = cv2.transform(light, _LUMA_BGR)[::2, ::2].ravel()
    low, middle, high = np.percentile(luminance, (1, 50, 99))
    blue, green, red = cv2.split(part)
    most = np.asarray(cv2.max(cv2.max(blue, green), red), np.uint8)
    grid = cv2.resize(light, (COLUMNS, ROWS), interpolation=cv2.INTER_AREA).reshape(-1, 3)[:, ::-1]
    return Light(
        mean=_short(luminance.mean()),
        low=_short(low),
        middle=_short(middle),
        high=_short(high),
        clipped=_short(np.count_nonzero(most >= _CLIPPED) / most.size),
        crushed=_short(np.count_nonzero(most <= _CRUSHED) / most.size),
        peak=_short(_peak(part, most)),
        sharpness=_short(_sharpness(np.ascontiguousarray(cut(fine, region)))),
        tiles=array("f", map(_short, map(float, grid.ravel()))),
        digest=hashlib.blake2b(coarse.tobytes(), digest_size=8).hexdigest(),
    )


def cut(picture: Bytes, region: Region) -> Bytes:
    """The part of a picture that `region` names; at least 16 pixels each way, or what there is."""
    high, wide = picture.shape[:2]
    left, right = _span(region[0], region[2], wide)
    top, bottom = _span(region[1], region[3], high)
    return picture[top:bottom, left:right]


def _span(low: float, high: float, length: int) -> tuple[int, int]:
    first = min(round(low * length), max(length - 16, 0))
    return first, max(round(high * length), min(first + 16, length))


def _peak(part: Bytes, most: Bytes) -> float:
    """The 99.9th percentile of the brightest channel where a gain could clip it and luma's curve would not see it."""
    luma = cv2.cvtColor(part, cv2.COLOR_BGR2GRAY)
    bright = most[(luma < _KNEE_CODE) & (most < _CLIPPED)]
    return float(LIGHT[int(np.percentile(bright, 99.9))]) if bright.size else 0.0


def _sharpness(part: Bytes) -> float:
    grey = cv2.cvtColor(part, cv2.COLOR_BGR2GRAY)
    edges = cv2.Laplacian(grey, cv2.CV_16S)
    return float(cv2.norm(edges, cv2.NORM_L2)) / float(np.sqrt(edges.size)) / max(float(cv2.mean(grey)[0]), 1.0)


def _short(value: float | np.floating) -> float:
    """Five digits: more than a JPEG can tell, and the take's file stays small."""
    return float(f"{float(value):.5g}")
