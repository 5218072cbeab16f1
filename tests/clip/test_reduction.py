"""What the page tells of a frame: histogram, clipping, brightness and sharpness, against other libraries' figures."""

import json
import os
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from lapsed.clip.reduction import BINS, answer, measure
from tests.clip.workshop import bench


def chart(path: Path, block: int) -> Path:
    """Ten by ten fields in known colours, each a square of `block` pixels, as a JPEG that keeps them."""
    fields = np.full((10, 10, 3), 130, np.uint8)
    fields[0, :5] = 255  # 5 % white
    fields[1, :3] = 0  # 3 % black
    fields[2, :2] = (255, 90, 90)  # 2 % clipped in red alone
    fields[3, :4] = (0, 0, 200)  # 4 % with two channels at the bottom, which isn't black
    fields[4, :] = 42
    Image.fromarray(np.kron(fields, np.ones((block, block, 1), np.uint8))).save(path, quality=100, subsampling=0)
    return path


@pytest.mark.parametrize("block", [24, 96])
def test_clipping_is_the_share_of_pixels_at_the_ends_of_the_scale(tmp_path: Path, block: int) -> None:
    head, _ = answer({"path": str(chart(tmp_path / "chart.jpg", block)), "width": 256})
    # The fields are counted in `chart`; blocks that are averaged over an edge between two of them are of neither.
    assert head["measure"]["white"] == pytest.approx(0.07, abs=0.01)
    assert head["measure"]["black"] == pytest.approx(0.03, abs=0.005)


@pytest.mark.parametrize(
    ("size", "spot"),
    [((1920, 1080), 1), ((4800, 3200), 3)],  # 3/8 of the larger are the first eighths that fill 1280 pixels
)
def test_specks_are_counted_before_neighbours_are_averaged(tmp_path: Path, size: tuple[int, int], spot: int) -> None:
    pixels = np.full((size[1], size[0], 3), 110, np.uint8)
    speck = 1 if spot == 1 else 8
    for at in range(speck):
        for across in range(speck):
            pixels[at::40, across::40] = 255
            pixels[at + 16 :: 40, across + 16 :: 40] = 0
    path = tmp_path / "specks.jpg"
    Image.fromarray(pixels).save(path, quality=100, subsampling=0)
    found = answer({"path": str(path), "width": 1280})[0]["measure"]
    counted = np.array(Image.open(path).convert("L").histogram()) / (size[0] * size[1])  # Pillow decodes at full size
    assert counted[254:].sum() == pytest.approx((speck / 40) ** 2, rel=0.05)
    assert found["white"] == pytest.approx(counted[254:].sum(), rel=0.02 if spot == 1 else 0.3)
    assert found["black"] == pytest.approx(counted[:2].sum(), rel=0.02 if spot == 1 else 0.3)
    assert found["spot"] == spot


def test_the_histogram_is_the_one_that_another_library_counts(tmp_path: Path) -> None:
    path = chart(tmp_path / "chart.jpg", 24)
    head, _ = answer({"path": str(path), "width": 256})
    # Pillow's luma is that of ITU-R 601-2 (its handbook, Image.convert); its 256 bins are taken four by four.
    counted = np.array(Image.open(path).convert("L").histogram()).reshape(BINS, -1).sum(axis=1)
    assert list(head["measure"]["histogram"]) == counted.tolist()
    assert head["measure"]["mean"] == pytest.approx(np.asarray(Image.open(path).convert("L")).mean(), abs=0.5)


def test_every_figure_is_what_numpy_makes_of_the_pixels() -> None:
    pixels = np.random.default_rng(7).integers(0, 256, (60, 80, 3), np.uint8)
    pixels[:6] = 255
    pixels[6:9] = 0
    found = measure(pixels, pixels, 1)
    luma = (pixels.astype(int) * (299, 587, 114)).sum(axis=2)  # thousandths: ITU-R BT.601-7, 2.5.1
    assert list(found.histogram) == np.bincount(luma.ravel() // 4000, minlength=BINS).tolist()
    assert found.white == sum(max(pixel) >= 254 for pixel in pixels.reshape(-1, 3).tolist()) / 4800
    assert found.black == sum(max(pixel) <= 1 for pixel in pixels.reshape(-1, 3).tolist()) / 4800
    assert found.mean == pytest.approx(luma.mean() / 1000, rel=1e-5)
    # OpenCV's Laplacian of aperture 1 has the kernel 0 1 0, 1 -4 1, 0 1 0 (its handbook).
    second = cv2.Laplacian(luma / 1000, cv2.CV_64F, ksize=1)[1:-1, 1:-1]
    assert found.sharpness == pytest.approx((second**2).mean(), rel=1e-4)


@pytest.mark.parametrize("size", [(640, 480), (1920, 1080), (3100, 2300)])
def test_a_frame_measures_the_same_whatever_width_is_asked_for(tmp_path: Path, size: tuple[int, int]) -> None:
    # The page draws one line through figures of frames that came at 256 and at 1280 pixels.
    scene = cv2.resize(bench((640, 480)).seen(0.5, 1.0, (0.0, 0.0), np.random.default_rng(3)), size)
    cv2.imwrite(str(tmp_path / "frame.jpg"), scene)
    told = [answer({"path": str(tmp_path / "frame.jpg"), "width": width})[0]["measure"] for width in (256, 1280)]
    assert told[0]["sharpness"] == pytest.approx(told[1]["sharpness"], rel=0.02)
    assert told[0]["mean"] == pytest.approx(told[1]["mean"], abs=0.2)


def test_it_ends_without_a_word_when_the_daemon_is_gone(tmp_path: Path) -> None:
    order = json.dumps({"path": str(chart(tmp_path / "chart.jpg", 24)), "width": 256}).encode()
    mine, its = os.pipe()
    child = subprocess.Popen(
        [sys.executable, "-m", "lapsed.clip.reduction"], stdin=subprocess.PIPE, stdout=its, stderr=subprocess.PIPE
    )
    os.close(its)
    os.close(mine)
    _, said = child.communicate(order + b"\n", timeout=60)
    assert (child.returncode, said) == (0, b"")
