import cv2
import numpy as np
import pytest

from lapsed.clip.shift import moved, prepared, shift_of
from tests.clip.workshop import bench

BENCH = bench((320, 240))


def grey(picture: np.ndarray) -> np.ndarray:
    return prepared(np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), np.uint8))


@pytest.mark.parametrize(
    ("shift", "guess"),
    [
        ((0.0, 0.0), (0.0, 0.0)),
        ((0.25, -0.25), (0.0, 0.0)),
        ((0.5, 0.5), (0.0, 0.0)),
        ((-1.75, 2.5), (0.0, 0.0)),
        ((7.25, -4.5), (0.0, 0.0)),
        ((-30.75, 22.25), (0.0, 0.0)),
        ((7.25, -4.5), (7.0, -4.0)),
        ((0.0, 0.0), (25.0, -18.0)),
    ],
)
def test_known_shifts_come_back_within_a_tenth_of_a_pixel(shift: tuple, guess: tuple) -> None:
    noise = np.random.default_rng(4)
    reference = grey(BENCH.seen(part=0.3, noise=noise))
    found = shift_of(grey(BENCH.seen(part=0.36, gain=1.06, shift_px=shift, noise=noise)), reference, guess)
    assert (found.x, found.y) == pytest.approx(shift, abs=0.1)
    assert found.sure
    assert found.error < 0.1


def test_half_a_picture_that_sees_something_else_does_not_pull_the_shift() -> None:
    noise = np.random.default_rng(5)
    reference = grey(BENCH.seen(noise=noise))
    picture = BENCH.seen(shift_px=(1.25, -0.75), noise=noise)
    picture[60:230, 30:140] = bench((320, 240), seed=9).seen(noise=noise)[60:230, 30:140]
    found = shift_of(grey(picture), reference)
    assert (found.x, found.y) == pytest.approx((1.25, -0.75), abs=0.1)


@pytest.mark.parametrize(("down", "bump"), [(-2.6, (0.0, 0.0)), (3.0, (0.0, 0.0)), (-8.0, (1.25, -0.75))])
def test_a_gantry_that_moves_with_more_contrast_than_stands_still_is_not_followed(
    down: float, bump: tuple[float, float]
) -> None:
    noise = np.random.default_rng(7)

    def seen(by: float, shift: tuple[float, float]) -> np.ndarray:
        picture = BENCH.seen(shift_px=shift, noise=noise)
        other = bench((320, 240), seed=9).seen(shift_px=(shift[0], shift[1] + by), noise=noise)
        picture[:100] = other[:100]
        picture[100:] = 96 + picture[100:] // 4  # a dark bed tells little
        return grey(picture)

    found = shift_of(seen(down, bump), seen(0, (0, 0)))
    assert (found.x, found.y) == pytest.approx(bump, abs=0.1)
    assert found.sure


@pytest.mark.parametrize("kind", ["another scene", "an empty wall", "nothing", "smaller than a tile"])
def test_what_can_t_be_told_is_not_sure(kind: str) -> None:
    noise = np.random.default_rng(6)
    wall = [(128 + noise.normal(0, 2, (240, 320))).astype(np.uint8) for _ in range(2)]
    pairs = {
        "another scene": (grey(BENCH.seen()), grey(bench((320, 240), seed=9).seen())),
        "an empty wall": (prepared(wall[0]), prepared(wall[1])),
        "nothing": (np.zeros((240, 320), np.float32),) * 2,
        "smaller than a tile": (np.zeros((12, 12), np.float32),) * 2,
    }
    assert not shift_of(*pairs[kind]).sure


def test_moving_by_a_fraction_keeps_a_wave_s_shape() -> None:
    y, x = np.mgrid[0:80, 0:100].astype(np.float32)
    for by in ((0.3, 0.0), (-0.7, 1.45), (3.0, -2.0)):
        seen = moved(np.sin(x / 3) * np.cos(y / 4), *by)
        wanted = np.sin((x + by[0]) / 3) * np.cos((y + by[1]) / 4)
        assert np.abs(seen - wanted)[10:-10, 10:-10].max() < 0.005


def test_pictures_are_left_as_they_were() -> None:
    one, two = grey(BENCH.seen()), grey(BENCH.seen(shift_px=(5, 5)))
    before = one.copy(), two.copy()
    shift_of(one, two)
    assert np.array_equal(one, before[0])
    assert np.array_equal(two, before[1])
