import numpy as np
import pytest

from lapsed.clip.likeness import cells, stranger
from tests.clip.workshop import bench

VIEW = bench((320, 240))


def seen(part: float = 0.3, gain: float = 1.0, shift: tuple[float, float] = (0.0, 0.0)) -> np.ndarray:
    return cells(VIEW.seen(part, gain, shift, np.random.default_rng(2)), shift)


def with_beam(top: int) -> np.ndarray:
    """A beam across the picture, its upper edge `top` px down."""
    picture = VIEW.seen(0.3, noise=np.random.default_rng(2))
    picture[top : top + 24, :220] = (150, 150, 150)
    return cells(picture, (0.0, 0.0))


def with_hand(beam: int) -> np.ndarray:
    """A hand as well, elsewhere."""
    picture = VIEW.seen(0.3, noise=np.random.default_rng(2))
    picture[beam : beam + 24, :220] = (150, 150, 150)
    picture[150:230, 10:70] = (120, 160, 230)
    return cells(picture, (0.0, 0.0))


def with_head(part: float = 0.3) -> np.ndarray:
    picture = VIEW.seen(part, noise=np.random.default_rng(2))
    picture[40:120, 160:240] = (40, 200, 90)
    return cells(picture, (0.0, 0.0))


def with_colour(code: int, part: float = 0.3) -> np.ndarray:
    """A surface that looks another way in each layer."""
    picture = VIEW.seen(part, noise=np.random.default_rng(2))
    picture[40:120, 160:240] = (code, 200 - code, 90)
    return cells(picture, (0.0, 0.0))


def test_a_head_that_frames_around_don_t_show_is_found_where_it_is() -> None:
    found = stranger([with_head()], [seen(0.28)], [seen(0.32)])
    assert found is not None
    assert (found.left, found.top, found.right, found.bottom) == pytest.approx((0.5, 0.167, 0.75, 0.5), abs=0.04)
    assert found.area == pytest.approx(0.25 / 3, abs=0.02)


@pytest.mark.parametrize("length", [2, 3, 4])
def test_a_head_that_stays_for_some_frames_is_found(length: int) -> None:
    run = [with_head(0.3 + 0.02 * at) for at in range(length)]
    before = [seen(0.28 - 0.02 * at) for at in range(8)]
    after = [seen(0.3 + 0.02 * (length + at)) for at in range(8)]
    found = stranger(run, before, after)
    assert found is not None
    assert (found.left, found.top) == pytest.approx((0.5, 0.167), abs=0.04)


def test_a_head_that_was_in_the_way_before_is_found_again() -> None:
    assert stranger([with_head()], [seen()] * 5 + [with_head()] + [seen()] * 2, [seen()] * 8) is not None


def test_a_hand_is_found_while_the_gantry_climbs() -> None:
    found = stranger([with_hand(72)], [with_beam(48)], [with_beam(96)])
    assert found is not None
    assert (found.left, found.top) == pytest.approx((10 / 320, 150 / 240), abs=0.04)


@pytest.mark.parametrize(
    ("run", "before", "after"),
    [
        pytest.param([seen()], [seen()], [seen()], id="nothing changes"),
        pytest.param([seen(0.3)], [seen(0.2)], [seen(0.4)], id="the part grows"),
        pytest.param([with_beam(72)], [with_beam(48)], [with_beam(96)], id="the gantry climbs by its own thickness"),
        pytest.param([with_beam(72)], [with_beam(40)], [with_beam(104)], id="the gantry climbs faster"),
        pytest.param([seen(0.5)], [seen(0.1)], [seen(0.9)], id="the part grows a lot"),
        pytest.param([seen(0.4), seen(0.5), seen(0.6)], [seen(0.1)], [seen(0.9)], id="the part grows for long"),
        pytest.param(
            [with_beam(64), with_beam(72)], [with_beam(52)], [with_beam(84)], id="the gantry climbs in small steps"
        ),
        pytest.param([seen(gain=1.4)], [seen(gain=0.8)], [seen(gain=0.8)], id="another light"),
        pytest.param([seen(shift=(5.0, -3.0))], [seen()], [seen()], id="a bump, brought back"),
        pytest.param([with_head()], [with_head()], [seen()], id="the head stays for another frame"),
        pytest.param([with_head()], [seen(), with_head()], [seen()], id="back and forth, as infill lies"),
        pytest.param(
            [with_colour(0)] * 2,
            [with_colour(90), with_colour(90), with_colour(0), with_colour(0)] * 2,
            [with_colour(90), with_colour(90), with_colour(0), with_colour(0)] * 2,
            id="back and forth, two layers at a time",
        ),
        pytest.param(
            [with_colour(0), with_colour(60), with_colour(120)],
            [with_colour(code) for code in (180, 120, 60, 0)] * 2,
            [with_colour(code) for code in (180, 0, 60, 120)] * 2,
            id="round in four directions",
        ),
    ],
)
def test_what_belongs_there_is_no_stranger(
    run: list[np.ndarray], before: list[np.ndarray], after: list[np.ndarray]
) -> None:
    assert stranger(run, before, after) is None


def test_a_speck_is_no_stranger() -> None:
    picture = VIEW.seen(noise=np.random.default_rng(2), part=0.3)
    picture[40:48, 160:170] = 255
    assert stranger([cells(picture, (0.0, 0.0))], [seen()], [seen()]) is None
