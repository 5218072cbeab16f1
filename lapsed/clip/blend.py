"""Two pictures of video mixed into one, in linear light, and pictures between bars.

Light adds up, code values don't: half a white and half a black frame give what one exposure over both would, code 188
of 255 and not 128. Frames come from a camera's sRGB files, so the curve is that of IEC 61966-2-1.
"""

from collections.abc import Sequence
from typing import Final

import numpy as np
from av.video.frame import VideoFrame
from numpy.typing import NDArray

from lapsed.clip.finish import Plane
from lapsed.clip.planes import like, views
from lapsed.clip.srgb import to_code, to_light

_ROWS: Final = 64
"""Rows are mixed in bands that stay in the processor's cache, which also keeps memory flat; even, for 4:2:0."""

Values = NDArray[np.float32]
_STEPS: Final = 4096


# Codes are looked up evenly in the square root of light, as the curve is steep near black.
_LIGHT: Final[Values] = to_light(np.linspace(0, 1, _STEPS)).astype(np.float32)
_CODE: Final[Values] = to_code(np.linspace(0, 1, _STEPS) ** 2).astype(np.float32)


def mixed(first: VideoFrame, second: VideoFrame, share: float) -> VideoFrame:
    """A new picture, `share` of whose light is the second's; both of one size and format, BT.709 limited range."""
    out = like(first)
    sources, targets = (views(first), views(second)), views(out)
    scale = float(1 << (first.format.components[0].bits - 8))
    down, across = (targets[0].shape[axis] // targets[1].shape[axis] for axis in (0, 1))
    for top in range(0, targets[0].shape[0], _ROWS):
        rows, small = slice(top, top + _ROWS), slice(top // down, (top + _ROWS) // down)
        bands = [[plane[rows if n == 0 else small] for n, plane in enumerate(planes)] for planes in sources]
        if all(np.array_equal(a, b) for a, b in zip(*bands, strict=True)):
            mix: Sequence[Plane] = bands[0]
        else:
            lights = [_light(band, scale, down, across) for band in bands]
            lights[0] += (lights[1] - lights[0]) * np.float32(share)
            mix = _video(lights[0], scale, down, across)
        for n, values in enumerate(mix):
            targets[n][rows if n == 0 else small] = values
    return out


def _light(band: Sequence[Plane], scale: float, down: int, across: int) -> Values:
    """Linear R, G and B, 0 to 1, of limited-range planes (ITU-R BT.709-6, items 3.2 to 3.4)."""
    y = (band[0].astype(np.float32) - np.float32(16 * scale)) / np.float32(219 * scale)
    cb, cr = (
        ((plane.astype(np.float32) - np.float32(128 * scale)) / np.float32(224 * scale))
        .repeat(down, 0)
        .repeat(across, 1)
        for plane in band[1:]
    )
    r, b = y + np.float32(1.5748) * cr, y + np.float32(1.8556) * cb
    g = (y - np.float32(0.2126) * r - np.float32(0.0722) * b) / np.float32(0.7152)
    rgb = np.stack([r, g, b])
    index = np.clip(rgb * np.float32(_STEPS - 1) + np.float32(0.5), 0, _STEPS - 1).astype(np.int32)
    return np.asarray(_LIGHT[index])


def _video(light: Values, scale: float, down: int, across: int) -> Sequence[Plane]:
    r, g, b = _CODE[(np.sqrt(light) * np.float32(_STEPS - 1) + np.float32(0.5)).astype(np.int32)]
    y = np.float32(0.2126) * r + np.float32(0.7152) * g + np.float32(0.0722) * b
    kind = np.uint8 if scale == 1 else np.uint16
    planes = [np.rint(np.float32(16 * scale) + np.float32(219 * scale) * y)]
    for difference in ((b - y) / np.float32(1.8556), (r - y) / np.float32(1.5748)):
        rows, columns = difference.shape
        small = difference.reshape(rows // down, down, columns // across, across).mean((1, 3))
        planes.append(np.rint(np.float32(128 * scale) + np.float32(224 * scale) * small))
    return [plane.astype(kind) for plane in planes]


def barred(picture: VideoFrame, size: tuple[int, int], place: tuple[int, int, int, int], colour: str) -> VideoFrame:
    """A new picture of `size` in `colour` ("#rrggbb") with `picture` at `place`: x, y, width, height, all even."""
    out = like(picture, size)
    fine = 1 << (picture.format.components[0].bits - 8)
    planes = views(out)
    down, across = (planes[0].shape[axis] // planes[1].shape[axis] for axis in (0, 1))
    x, y, width, height = place
    for n, (plane, code, inner) in enumerate(zip(planes, _codes(colour), views(picture), strict=True)):
        by, along = (1, 1) if n == 0 else (down, across)
        plane[:] = round(code * fine)
        plane[y // by : (y + height) // by, x // along : (x + width) // along] = inner
    return out


def _codes(colour: str) -> tuple[float, float, float]:
    """Limited-range BT.709 codes, on the scale of 8 bits, of a colour."""
    r, g, b = (int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5))
    y = 0.2126 * r + 0.7152 * g + 0.0722 * b
    return 16 + 219 * y, 128 + 224 * (b - y) / 1.8556, 128 + 224 * (r - y) / 1.5748
