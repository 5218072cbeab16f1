import cv2
import numpy as np
import pytest

from lapsed.sim.lens import Lens, aim

LOW, HIGH = np.array([90, 95, 0], np.float32), np.array([130, 125, 48], np.float32)


@pytest.fixture
def lens() -> Lens:
    return aim(LOW, HIGH, 1200, 800)


def test_projects_as_the_reference_library_does(lens: Lens) -> None:
    points = np.random.default_rng(3).uniform(LOW, HIGH, (40, 3)).astype(np.float32)
    turn, _ = cv2.Rodrigues(lens.axes.astype(np.float64))
    inner = np.array([[lens.focal_px, 0, 600], [0, lens.focal_px, 400], [0, 0, 1]])
    expected, _ = cv2.projectPoints(points.astype(np.float64), turn, -lens.axes @ lens.eye, inner, None)
    assert lens.project(points)[0] == pytest.approx(expected[:, 0], abs=0.05)


def test_the_drawing_of_the_bed_lies_where_its_points_are_seen(lens: Lens) -> None:
    home = lens.bed_to_picture((-6, -4), 0.5)
    drawn = np.array([[[100, 120]], [[300, 260]]], np.float64)
    expected = lens.project(np.array([[44, 56, 0], [144, 126, 0]], np.float32))[0]
    assert cv2.perspectiveTransform(drawn, home)[:, 0] == pytest.approx(expected, abs=0.05)


@pytest.mark.parametrize("size", [(1200, 800), (800, 1200), (500, 500)])
def test_the_whole_part_is_in_the_picture_and_seen_from_above(size: tuple[int, int]) -> None:
    lens = aim(LOW, HIGH, *size)
    corners = np.array([(x, y, z) for x in (90, 130) for y in (95, 125) for z in (0, 48)], np.float32)
    places = lens.project(corners)[0]
    assert np.all((places > 0) & (places < size))
    assert lens.eye[2] > HIGH[2]


def test_a_smaller_picture_shows_the_same(lens: Lens) -> None:
    point = np.array([[100, 110, 20]], np.float32)
    assert lens.smaller(4).project(point)[0] * 4 == pytest.approx(lens.project(point)[0], abs=0.01)


def test_sharp_in_the_middle_and_softer_with_distance(lens: Lens) -> None:
    at = np.array([0.8, 1.0, 1.3, 2.0], np.float32) * np.float32(lens.focus_mm)
    near, middle, behind, far = lens.defocus_px(at).tolist()
    assert middle == pytest.approx(0, abs=1e-3)
    assert near > 1
    assert far > behind > 1
