import cv2
import numpy as np
import pytest

from lapsed.clip.measure import COLUMNS, ROWS, WHOLE, cut, measure
from lapsed.clip.srgb import LIGHT
from tests.clip.workshop import bench


def flat(code: int, size: tuple[int, int] = (96, 72)) -> np.ndarray:
    return np.full((size[1], size[0], 3), code, np.uint8)


@pytest.mark.parametrize("code", [0, 12, 118, 188, 255])
def test_a_flat_frame_has_the_light_of_its_code(code: int) -> None:
    light = measure(flat(code), flat(code))
    want = pytest.approx(float(LIGHT[code]), rel=1e-3, abs=1e-6)
    assert (light.mean, light.low, light.middle, light.high) == (want,) * 4
    assert list(light.tiles) == [want] * (3 * COLUMNS * ROWS)
    assert light.sharpness == 0.0


def test_percentiles_clipping_and_black_are_shares_of_the_pixels() -> None:
    picture = flat(118)
    picture[:9] = 0
    picture[-18:] = 255
    light = measure(picture, picture)
    assert (light.crushed, light.clipped) == (0.125, 0.25)
    assert (light.low, light.high) == (0.0, pytest.approx(1.0))


def test_light_is_measured_in_its_region_only() -> None:
    picture = flat(60)
    picture[:, :48] = 250
    assert measure(picture, picture, (0.5, 0.0, 1.0, 1.0)).mean == pytest.approx(float(LIGHT[60]), rel=1e-3)
    assert measure(picture, picture, WHOLE).mean > 0.4
    assert cut(picture, (0.999, 0.999, 1.0, 1.0)).shape == (16, 16, 3)
    assert cut(picture[:8, :8], (0.9, 0.0, 1.0, 0.1)).shape == (8, 8, 3)


def test_tiles_run_in_rows_and_hold_red_green_and_blue() -> None:
    picture = flat(0)
    picture[:12, 84:] = (10, 100, 200)  # BGR, the last tile of the first row
    tiles = measure(picture, picture).tiles
    last = 3 * COLUMNS
    assert list(tiles[last - 3 : last]) == pytest.approx([float(LIGHT[code]) for code in (200, 100, 10)], rel=1e-3)
    assert list(tiles[last : last + 3]) == [0, 0, 0]


def test_the_peak_is_a_colour_s_that_is_not_bright_as_a_whole() -> None:
    picture = flat(100)
    picture[:20] = 250  # a bright grey, which a curve bends
    assert measure(picture, picture).peak == pytest.approx(float(LIGHT[100]), rel=1e-3)
    picture[30:50] = (20, 40, 240)
    assert measure(picture, picture).peak == pytest.approx(float(LIGHT[240]), rel=1e-3)
    assert measure(flat(255), flat(255)).peak == 0.0


def test_a_sharper_frame_measures_sharper_and_equal_frames_have_one_digest() -> None:
    view = bench((160, 120))
    sharp = view.seen()
    soft = np.asarray(cv2.GaussianBlur(sharp, (0, 0), 1.5), np.uint8)
    assert measure(soft, soft).sharpness < 0.8 * measure(sharp, sharp).sharpness
    assert measure(sharp, sharp).digest == measure(sharp.copy(), sharp.copy()).digest
    assert measure(soft, soft).digest != measure(sharp, sharp).digest
