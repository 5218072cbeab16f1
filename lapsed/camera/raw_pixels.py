"""Uncompressed frames of a capture device as RGB, and pictures made of RGB."""

from typing import Any

import cv2
import numpy as np
import simplejpeg  # type: ignore[import-untyped]  # ships no types

from lapsed.camera.v4l2 import Layout

Pixels = np.ndarray[Any, np.dtype[np.uint8]]
Plane = np.ndarray[Any, np.dtype[Any]]

QUALITY = 97
"""Of a JPEG made here: losses below what a later encoder takes."""

_REC709_SPACE, _JPEG_SPACE = 3, 7  # V4L2_COLORSPACE_REC709, V4L2_COLORSPACE_JPEG
_ENCODING_709, _FULL, _LIMITED = 2, 1, 2  # V4L2_YCBCR_ENC_709, V4L2_QUANTIZATION_FULL_RANGE and _LIM_RANGE


def to_rgb(data: bytes, layout: Layout) -> Pixels:
    """The frame as height x width x 3."""
    mode = layout.mode
    width, height, stride = mode.width, mode.height, layout.line_bytes
    flat = np.frombuffer(data, np.uint8)
    lines = flat[: stride * height].reshape(height, stride)
    match mode.pixels:
        case "RGB3" | "BGR3":
            rgb = lines[:, : width * 3].reshape(height, width, 3)
            return rgb if mode.pixels == "RGB3" else np.ascontiguousarray(rgb[:, :, ::-1])
        case "GREY":
            return np.repeat(lines[:, :width, None], 3, axis=2)
        case "YUYV" | "UYVY":
            first = 0 if mode.pixels == "YUYV" else 1
            luma = lines[:, first : 2 * width : 2]
            other = lines[:, 1 - first : 2 * width : 2]
            cb, cr = np.repeat(other[:, 0::2], 2, axis=1), np.repeat(other[:, 1::2], 2, axis=1)
        case "NV12":
            luma = lines[:, :width]
            pairs = flat[stride * height : stride * height * 3 // 2].reshape(height // 2, stride)
            cb, cr = _doubled(pairs[:, 0:width:2]), _doubled(pairs[:, 1:width:2])
        case _:  # YU12
            luma = lines[:, :width]
            planes = flat[stride * height : stride * height * 3 // 2].reshape(2, height // 2, stride // 2)
            cb, cr = (_doubled(plane[:, : width // 2]) for plane in planes)
    return _matrixed(luma, cb, cr, layout)


def _doubled(plane: Plane) -> Plane:
    return np.repeat(np.repeat(plane, 2, axis=0), 2, axis=1)


def _matrixed(luma: Plane, cb: Plane, cr: Plane, layout: Layout) -> Pixels:
    # ITU-R BT.601-7, 2.5, and BT.709-6, items 3.2 to 3.5. Where a driver says nothing, V4L2's own defaults hold:
    # BT.709 for its colour space, full range for the JPEG one (linux/videodev2.h, V4L2_MAP_YCBCR_ENC_DEFAULT and
    # V4L2_MAP_QUANTIZATION_DEFAULT).
    is_709 = layout.encoding == _ENCODING_709 or (layout.encoding == 0 and layout.colorspace == _REC709_SPACE)
    red, blue = (0.2126, 0.0722) if is_709 else (0.299, 0.114)
    full = layout.quantization == _FULL or (layout.quantization == 0 and layout.colorspace == _JPEG_SPACE)
    black, luma_span, chroma_span = (0, 255, 255) if full else (16, 219, 224)
    y = (luma.astype(np.float32) - black) * (255 / luma_span)
    u = (cb.astype(np.float32) - 128) * (255 / chroma_span)
    v = (cr.astype(np.float32) - 128) * (255 / chroma_span)
    r = y + 2 * (1 - red) * v
    b = y + 2 * (1 - blue) * u
    g = (y - red * r - blue * b) / (1 - red - blue)
    rgb: Pixels = np.clip(np.rint(np.stack([r, g, b], axis=2)), 0, 255).astype(np.uint8)
    return rgb


def decoded(jpeg: bytes) -> Pixels:
    """A JPEG as RGB; ValueError for one that is broken."""
    rgb: Pixels = simplejpeg.decode_jpeg(jpeg, "RGB")
    return rgb


def mean(frames: list[Pixels]) -> Pixels:
    """The average, rounded to the nearest."""
    total = np.zeros(frames[0].shape, np.uint32)
    for frame in frames:
        total += frame
    rounded: Pixels = ((total + len(frames) // 2) // len(frames)).astype(np.uint8)
    return rounded


def encoded(rgb: Pixels, suffix: str) -> bytes:
    """RGB as a picture file: "png" loses nothing, "jpg" keeps the colours of each pixel (no subsampling)."""
    if suffix == "jpg":
        data: bytes = simplejpeg.encode_jpeg(
            np.ascontiguousarray(rgb), QUALITY, colorspace="RGB", colorsubsampling="444"
        )
        return data
    # The fastest of zlib's levels; a frame of a stream is noise for the most part, which no level makes small.
    _, png = cv2.imencode(".png", rgb[:, :, ::-1], [cv2.IMWRITE_PNG_COMPRESSION, 1])
    return bytes(png.tobytes())
