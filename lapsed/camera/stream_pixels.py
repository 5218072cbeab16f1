"""A decoded picture of a stream as a file."""

from typing import Any

from lapsed.camera import raw_pixels
from lapsed.camera.link_budget import Mode
from lapsed.camera.v4l2 import Layout

_BT709, _UNTOLD = 1, 2  # ITU-T H.273, table 4, matrix coefficients
_FULL = 2  # AVCOL_RANGE_JPEG of libavutil
_HD_LINES = 720
"""From so many lines on, a stream that does not tell its matrix is taken for BT.709; common practice, no source."""


def picture(frame: Any, suffix: str) -> bytes:
    """An `av.VideoFrame` as a file of that suffix, its colours by the matrix and range that it tells."""
    planar = frame if frame.format.name in ("yuv420p", "yuvj420p") else frame.reformat(format="yuv420p")
    is_709 = frame.colorspace == _BT709 or (frame.colorspace == _UNTOLD and frame.height >= _HD_LINES)
    full = frame.color_range == _FULL or frame.format.name.startswith("yuvj")
    width, height = frame.width // 2 * 2, frame.height // 2 * 2  # one of odd size is scaled by a pixel
    if (width, height) != (frame.width, frame.height):
        planar = planar.reformat(width, height)
    layout = Layout(Mode("YU12", width, height, ()), width, encoding=2 if is_709 else 1, quantization=1 if full else 2)
    return raw_pixels.encoded(raw_pixels.to_rgb(planar.to_ndarray().tobytes(), layout), suffix)
