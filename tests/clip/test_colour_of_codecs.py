"""Colour patches through every codec, read back by the file's own tags with arithmetic of the test's own."""

from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
import simplejpeg
from numpy.typing import NDArray

from lapsed.clip import delivery
from lapsed.clip.codec import CODECS
from lapsed.clip.editlist import edit
from lapsed.clip.labels import Tags
from lapsed.clip.shape import shape
from lapsed.settings import Clip

# The corners of the colour cube, greys, the colours of a 75 % bar signal (ITU-R BT.471), and three of workshops: RGB.
PATCHES = [
    *[(r, g, b) for r in (0, 255) for g in (0, 255) for b in (0, 255)],
    *[(v, v, v) for v in (16, 64, 128, 192, 235)],
    *[(r, g, b) for r in (0, 191) for g in (0, 191) for b in (0, 191)],
    *[(200, 120, 90), (90, 120, 200), (30, 60, 20)],
]
SIDE = 32


def patches() -> NDArray[np.uint8]:
    return np.ascontiguousarray(np.repeat(np.repeat(np.array([PATCHES], np.uint8), 8 * SIDE, 0), SIDE, 1))


def worst_error(picture: NDArray[np.float64]) -> float:
    """By the mean of each patch's middle."""
    step, middle = picture.shape[1] // len(PATCHES), picture.shape[0] // 2
    seen = [
        picture[middle - 4 : middle + 4, k * step + step // 4 : k * step + 3 * step // 4].mean((0, 1))
        for k in range(len(PATCHES))
    ]
    return float(np.abs(np.array(seen) - PATCHES).max())


def through(folder: Path, word: str, *, half: bool = False, png: bool = False) -> Path:
    """The clip of one frame of patches by the codec `word`."""
    picture = patches()
    height, width = picture.shape[:2]
    if png:
        cv2.imwrite(str(folder / "1.png"), picture[:, :, ::-1])
    else:
        (folder / "1.jpg").write_bytes(simplejpeg.encode_jpeg(picture, quality=100, colorsubsampling="444"))
    size = (width // 2, height // 2 // 2 * 2) if half else (width, height)
    clip = Clip.model_validate({"name": "c", "codec": word, "size_px": size, "quality": 1, "hold_end_s": 0})
    form = shape((width, height), clip)
    plan = edit(["1.png" if png else "1.jpg"], (width, height), 1, form, clip)
    out = folder / f"c{CODECS[word].suffix}"
    assert delivery.write(plan, folder, out, Tags("t"), lambda _: None) == ()
    return out


# Worst error of 255. DNxHR HQ and the preview are the codecs' own doing: 8 bits with coarse steps, and WebP.
WORST = {"h264": 2, "h265": 1.5, "av1": 1.5, "prores": 1.5, "dnxhr": 2.5, "dnxhr-hqx": 1.5}


@pytest.mark.parametrize("half", [False, True])
@pytest.mark.parametrize("word", WORST)
def test_patches_come_back(tmp_path: Path, read_rgb: Callable, word: str, half: bool) -> None:
    found = worst_error(read_rgb(through(tmp_path, word, half=half)))
    assert found <= WORST[word]


@pytest.mark.parametrize("word", ["h264", "prores"])
def test_patches_of_a_png_come_back(tmp_path: Path, read_rgb: Callable, word: str) -> None:
    found = worst_error(read_rgb(through(tmp_path, word, png=True)))
    assert found <= WORST[word]


def test_patches_come_back_from_a_preview(tmp_path: Path) -> None:
    data = through(tmp_path, "preview").read_bytes()
    assert data[8:12] == b"WEBP"
    picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    assert picture is not None
    found = worst_error(picture[:, :, ::-1].astype(float))
    assert found <= 6


@pytest.mark.parametrize("word", WORST)
def test_an_outside_reader_sees_the_tags(tmp_path: Path, ffprobe: Callable, word: str) -> None:
    stream = ffprobe(through(tmp_path, word))
    codec = CODECS[word]
    assert (stream["codec_name"], stream["pix_fmt"]) == (codec.track, codec.pixels.name)
    assert (stream["color_range"], stream["color_space"]) == ("tv", "bt709")
    assert (stream["color_transfer"], stream["color_primaries"]) == ("bt709", "bt709")
    assert codec.tag in {None, stream["codec_tag_string"]}
