"""Uncompressed frames as RGB, against OpenCV's conversions and worked values of the standards."""

import cv2
import numpy as np
import pytest

from lapsed.camera import raw_pixels
from lapsed.camera.link_budget import Mode
from lapsed.camera.v4l2 import Layout

WIDTH, HEIGHT = 16, 8
SEEN = np.random.default_rng(7).integers(30, 220, (HEIGHT // 2, WIDTH // 2, 3), np.uint8).repeat(2, 0).repeat(2, 1)
CODES = {
    "YUYV": cv2.COLOR_YUV2RGB_YUY2,
    "UYVY": cv2.COLOR_YUV2RGB_UYVY,
    "NV12": cv2.COLOR_YUV2RGB_NV12,
    "YU12": cv2.COLOR_YUV2RGB_I420,
}


def layout(pixels, line_bytes, **told):
    return Layout(Mode(pixels, WIDTH, HEIGHT, (30.0,)), line_bytes, **told)


def padded(rows, line_bytes):
    """Rows with the bytes that a driver may leave between them."""
    return np.pad(rows, ((0, 0), (0, line_bytes - rows.shape[1])), constant_values=99).tobytes()


@pytest.mark.parametrize("extra", [0, 8])
@pytest.mark.parametrize("pixels", CODES)
def test_colours_are_those_of_opencv(pixels, extra):
    noise = np.random.default_rng(3).integers(16, 235, (HEIGHT * 3 // 2, WIDTH), np.uint8)
    if pixels in ("YUYV", "UYVY"):
        packed = np.random.default_rng(4).integers(16, 235, (HEIGHT, WIDTH, 2), np.uint8)
        expected = cv2.cvtColor(packed, CODES[pixels])
        data, line_bytes = padded(packed.reshape(HEIGHT, -1), 2 * WIDTH + extra), 2 * WIDTH + extra
    else:
        expected = cv2.cvtColor(noise, CODES[pixels])
        line_bytes = WIDTH + extra
        if pixels == "NV12":
            data = padded(noise, line_bytes)
        else:
            chroma = noise[HEIGHT:].reshape(HEIGHT, WIDTH // 2)
            data = padded(noise[:HEIGHT], line_bytes) + padded(chroma, line_bytes // 2)
    rgb = raw_pixels.to_rgb(data, layout(pixels, line_bytes))
    assert not layout(pixels, line_bytes).short(len(data))
    assert layout(pixels, line_bytes).short(len(data) - 1)
    assert np.abs(rgb.astype(int) - expected).max() <= 2


def test_rgb_and_grey_are_taken_as_they_are():
    rgb = SEEN[:HEIGHT, :WIDTH]
    assert np.array_equal(raw_pixels.to_rgb(rgb.tobytes(), layout("RGB3", 3 * WIDTH)), rgb)
    assert np.array_equal(raw_pixels.to_rgb(rgb[:, :, ::-1].tobytes(), layout("BGR3", 3 * WIDTH)), rgb)
    grey = np.ascontiguousarray(rgb[:, :, 1])
    assert np.array_equal(raw_pixels.to_rgb(grey.tobytes(), layout("GREY", WIDTH))[:, :, 0], grey)


# Colour bars at 75 %, limited range: ITU-R BT.601-7 and BT.709-6 by their luminance coefficients; green has R and B 0.
# BT.601: Y = 16 + 219 x 0.75 x 0.587 = 112, Cb = 128 - 224 x 0.331 x 0.75 = 72, Cr = 128 - 224 x 0.419 x 0.75 = 58.
# BT.709: Y = 16 + 219 x 0.75 x 0.7152 = 133, Cb = 128 - 224 x 0.385 x 0.75 = 63, Cr = 128 - 224 x 0.454 x 0.75 = 52.
# BT.601 in full range (JFIF): Y = 191 x 0.587 = 112, Cb = 128 - 0.331 x 191 = 65, Cr = 128 - 0.419 x 191 = 48.
BARS = {
    "as V4L2 has it where nothing is told": ({}, (112, 72, 58)),
    "BT.709 by the colour space": ({"colorspace": 3}, (133, 63, 52)),
    "BT.709 by the encoding": ({"encoding": 2}, (133, 63, 52)),
    "full range by the colour space": ({"colorspace": 7}, (112, 65, 48)),
    "full range by the quantization": ({"quantization": 1}, (112, 65, 48)),
}


@pytest.mark.parametrize(("told", "ycc"), BARS.values(), ids=BARS.keys())
def test_a_green_bar_is_green_by_whatever_standard_the_driver_names(told, ycc):
    y, cb, cr = ycc
    data = bytes([y, cb, y, cr]) * (WIDTH // 2) * HEIGHT
    rgb = raw_pixels.to_rgb(data, layout("YUYV", 2 * WIDTH, **told))
    assert np.abs(rgb[0, 0].astype(int) - (0, 191, 0)).max() <= 2


def test_four_frames_averaged_have_half_the_noise():
    # The deviation of a mean of n independent values falls with the square root of n.
    made = np.random.default_rng(5)
    frames = [np.clip(made.normal(128, 16, (200, 200, 3)), 0, 255).astype(np.uint8) for _ in range(4)]
    assert raw_pixels.mean(frames).std() == pytest.approx(frames[0].std() / 2, rel=0.03)
    assert np.array_equal(raw_pixels.mean(frames[:1]), frames[0])


def test_a_png_loses_nothing_and_a_jpeg_little():
    rgb = SEEN[:HEIGHT, :WIDTH]
    png = cv2.imdecode(np.frombuffer(raw_pixels.encoded(rgb, "png"), np.uint8), cv2.IMREAD_COLOR)
    assert np.array_equal(png[:, :, ::-1], rgb)
    jpg = raw_pixels.decoded(raw_pixels.encoded(rgb, "jpg"))
    assert np.abs(jpg.astype(int) - rgb).mean() < 3
    with pytest.raises(ValueError, match="JPEG"):
        raw_pixels.decoded(b"\xff\xd8 no picture")
