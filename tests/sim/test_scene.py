import cv2
import numpy as np
import pytest
import simplejpeg

from lapsed.sim.part import write_part
from lapsed.sim.scene import Scene, View
from lapsed.sim.strands import Strands, read

BED = ((0.0, 220.0), (0.0, 220.0))
SIZE = (360, 240)
PARKED = (80.0, 200.0)
LAYERS = 24


@pytest.fixture(scope="module")
def strands() -> Strands:
    return read(write_part(LAYERS).splitlines())


@pytest.fixture(scope="module")
def scene(strands: Strands) -> Scene:
    return Scene(strands, BED, SIZE)


def after(strands: Strands, layers: int, at: tuple[float, float] = PARKED) -> View:
    """What is to be seen after so many layers, the head at `at` and a little above."""
    lines = 0 if layers == 0 else int(strands.line[int(np.sum(strands.top < 0.4 * layers + 0.1)) - 1])
    return View(lines, (*at, 0.4 * layers + 2))


def seen(jpeg: bytes) -> np.ndarray:
    return cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_COLOR).astype(int)


def plastic(picture: np.ndarray) -> np.ndarray:
    """Where the picture is of the part's bright orange, but for the shelf behind."""
    blue, green, red = (picture[..., channel] for channel in range(3))
    found = (red > 90) & (red > 2.2 * green) & (red > 2.2 * blue)
    found[: SIZE[1] // 4] = False
    return found


def test_the_part_grows(scene: Scene, strands: Strands) -> None:
    areas, tops = [], []
    for layers in (0, 1, 12, 18, 24):
        found = plastic(seen(scene.jpeg(after(strands, layers), 1)))
        areas.append(int(found.sum()))
        tops.append(int(np.flatnonzero(found.any(axis=1))[0]) if found.any() else SIZE[1])
    assert areas[0] == 0
    assert areas == sorted(areas)
    assert tops == sorted(tops, reverse=True)
    assert areas[-1] > 0.04 * SIZE[0] * SIZE[1]
    assert len(set(tops)) == len(tops)


@pytest.mark.parametrize("way", [(24,), (3, 9, 24), (24, 5, 24)], ids=["at once", "in steps", "back and forth"])
def test_same_view_gives_the_same_bytes_whatever_was_shot_before(
    scene: Scene, strands: Strands, way: tuple[int, ...]
) -> None:
    expected = Scene(strands, BED, SIZE).jpeg(after(strands, 24), 5)
    pictures = [scene.jpeg(after(strands, layers), 5) for layers in way]
    assert expected == pictures[-1]


def test_shots_in_mid_layer_leave_no_trace(strands: Strands) -> None:
    last = after(strands, 7)
    scene = Scene(strands, BED, SIZE)
    for lines in range(last.lines_done - 1500, last.lines_done, 61):
        scene.jpeg(View(lines, last.head_mm), 1)
    assert Scene(strands, BED, SIZE).jpeg(last, 5) == scene.jpeg(last, 5)


def test_a_parked_head_does_not_hide_the_part(scene: Scene, strands: Strands) -> None:
    parked, gone = (
        seen(scene.jpeg(after(strands, 12, at), 1)) for at in (PARKED, (PARKED[0] - 3000, PARKED[1] + 9000))
    )
    found = plastic(gone)
    assert np.abs(parked - gone)[found].max() < 8  # what JPEG's blocks carry over from the edge of the head
    assert np.abs(parked - gone).max() > 40


def test_a_head_over_the_part_hides_some_of_it(scene: Scene, strands: Strands) -> None:
    parked, working = (seen(scene.jpeg(after(strands, 12, at), 1)) for at in (PARKED, (110.0, 96.0)))
    found = plastic(parked)
    assert (np.abs(parked - working)[found].max(axis=1) > 30).mean() > 0.05


def test_the_part_throws_a_shadow_on_the_plate(scene: Scene, strands: Strands) -> None:
    empty, printed = (seen(scene.jpeg(after(strands, layers), 1)).sum(axis=2) for layers in (0, 24))
    free = ~cv2.dilate(plastic(seen(scene.jpeg(after(strands, 24), 1))).astype(np.uint8), np.ones((9, 9))).astype(bool)
    free[: SIZE[1] // 2] = False  # the head stands elsewhere up there
    darker = (empty - printed) > 30
    right, left = (
        darker[:, SIZE[0] // 2 :] & free[:, SIZE[0] // 2 :],
        darker[:, : SIZE[0] // 2] & free[:, : SIZE[0] // 2],
    )
    assert right.sum() > 200
    assert right.sum() > 3 * left.sum()


def test_shots_differ_in_light_and_grain_only(scene: Scene, strands: Strands) -> None:
    first, second = (seen(scene.jpeg(after(strands, 24), shot)) for shot in (1, 2))
    assert np.abs(first - second).max() > 0
    assert np.abs(first - second).max() < 30
    assert first.mean() == pytest.approx(second.mean(), rel=0.06)


@pytest.mark.parametrize("size", [(64, 64), (101, 77), (90, 160), (2001, 67)])
def test_any_size(strands: Strands, size: tuple[int, int]) -> None:
    jpeg = Scene(strands, BED, size).jpeg(after(strands, 24), 1)
    height, width, _, _ = simplejpeg.decode_jpeg_header(jpeg)
    assert (width, height) == size


def test_an_idle_machine_is_a_picture_too() -> None:
    picture = seen(Scene(read([]), BED, SIZE).jpeg(View(0, (0.0, 0.0, 0.0)), 1))
    assert picture.shape == (SIZE[1], SIZE[0], 3)
    assert 30 < picture.mean() < 150


@pytest.mark.parametrize("at", [(-1e4, 212, 9), (110, -5000, 10), (1e5, 1e5, 1e5)], ids=["left", "behind", "far"])
def test_a_head_out_of_sight_is_no_trouble(scene: Scene, strands: Strands, at: tuple[float, float, float]) -> None:
    picture = seen(scene.jpeg(View(after(strands, 24).lines_done, at), 1))
    assert plastic(picture).sum() > 0.04 * SIZE[0] * SIZE[1]


@pytest.mark.parametrize("z", [3.4, 3.6, 3.8])
def test_a_breath_of_the_heads_shadow_at_the_edge_is_no_trouble(z: float) -> None:
    # At these heights of the parked head its shadow touches the edge of this size of picture, and blurs to nothing.
    picture = seen(Scene(read([]), BED, (240, 160)).jpeg(View(0, (8.0, 212.0, z)), 1))
    assert 30 < picture.mean() < 150


def test_a_part_wider_than_the_bed_is_drawn_as_far_as_it_is_seen() -> None:
    lines = ["M83"] + [f"G1 X{x} Y{y} Z{z} E4" for z in (0.3, 0.6, 0.9) for x, y in ((-500, 0), (900, 0), (900, 700))]
    assert seen(Scene(read(lines), BED, SIZE).jpeg(View(99, (0.0, 0.0, 3.0)), 1)).shape == (SIZE[1], SIZE[0], 3)
