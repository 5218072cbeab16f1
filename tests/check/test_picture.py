"""What is seen in a test frame."""

import cv2
import numpy as np
import pytest

from lapsed.check import picture


@pytest.fixture
def write(tmp_path):
    def writing(pixels, name="a.jpg"):
        cv2.imwrite(str(tmp_path / name), pixels, [cv2.IMWRITE_JPEG_QUALITY, 95])
        return tmp_path / name

    return writing


def test_light_is_spread_as_it_is_in_the_picture(write):
    pixels = np.full((160, 320, 3), 128, np.uint8)
    pixels[:40], pixels[40:56] = 0, 255  # a quarter black, a tenth white
    light = picture.look(write(pixels)).light
    assert (light.black, light.white) == (pytest.approx(0.25, abs=0.01), pytest.approx(0.1, abs=0.01))
    assert light.middle == pytest.approx(128, abs=1)
    assert light.bins[8] == pytest.approx(0.65, abs=0.02)


def test_a_file_that_is_no_picture_tells_nothing(tmp_path):
    (tmp_path / "a.jpg").write_bytes(b"\xff\xd8\xff")
    assert picture.look(tmp_path / "a.jpg") is None
    assert picture.magnified(tmp_path / "a.jpg", (0.5, 0.5)) is None


def test_a_picture_that_cannot_be_decoded_is_no_crash(write):
    path = write(np.zeros((64, 64, 3), np.uint8))
    data = path.read_bytes()
    path.write_bytes(data.replace(b"\xff\xc4", b"\xff\xc9\0\2", 1).replace(b"\xff\xc4", b"\xff\xe3"))
    assert picture.light(path) is None
    assert picture.magnified(path, (0.5, 0.5)) is None


def test_sharpness_falls_as_the_picture_blurs_and_not_with_the_lamps(write):
    noise = np.random.default_rng(4).integers(60, 190, (600, 800, 3)).astype(np.uint8)
    shots = [cv2.GaussianBlur(noise, (0, 0), sigma) for sigma in (1, 1.5, 2, 3)]
    figures = [picture.magnified(write(shot), (0.5, 0.5)).sharpness for shot in shots]
    assert figures == sorted(figures, reverse=True)
    dimmed = picture.magnified(write((shots[0] // 2).astype(np.uint8)), (0.5, 0.5)).sharpness
    assert dimmed == pytest.approx(figures[0], rel=0.1)


@pytest.mark.parametrize(("at", "grey"), [((0.0, 0.0), 0), ((1.0, 0.0), 80), ((1.0, 1.0), 240)])
def test_the_crop_is_of_the_spot_that_was_asked_for(write, at, grey, tmp_path):
    pixels = np.zeros((400, 400, 3), np.uint8)
    pixels[:200, 200:], pixels[200:, :200], pixels[200:, 200:] = 80, 160, 240
    crop = picture.magnified(write(pixels), at, size=100, factor=3)
    assert crop.picture.shape == (300, 300, 3)
    assert crop.picture.mean() == pytest.approx(grey, abs=2)
    picture.write(crop, tmp_path / "focus.jpg")
    assert cv2.imread(str(tmp_path / "focus.jpg")).shape == (300, 300, 3)
    assert not list(tmp_path.glob("*.part"))
