import itertools
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lapsed.clip.orient import Rect
from lapsed.clip.shape import Shape, shape
from lapsed.settings import Clip

CENTRE = (0.5, 0.5)


def shaped(frame: tuple[int, int], **wish: Any) -> Shape:
    return shape(frame, Clip(name="c", **wish))


# Plain geometry, worked by hand.
@pytest.mark.parametrize(
    ("frame", "wanted", "focus", "crop", "size"),
    [
        ((6000, 4000), (3840, 2160), CENTRE, Rect(0, 312, 6000, 3376), (3840, 2160)),  # 6000 x 9/16 = 3375
        ((6000, 4000), (1080, 1920), CENTRE, Rect(1876, 0, 2250, 4000), (1080, 1920)),
        ((6000, 4000), (1080, 1920), (0.0, 0.0), Rect(0, 0, 2250, 4000), (1080, 1920)),
        ((6000, 4000), (1080, 1920), (0.9, 0.5), Rect(3750, 0, 2250, 4000), (1080, 1920)),
        ((1920, 1080), (3840, 2160), CENTRE, Rect(0, 0, 1920, 1080), (1920, 1080)),
        ((1920, 1080), (1080, 1920), CENTRE, Rect(656, 0, 608, 1080), (608, 1080)),
        ((4001, 3001), None, CENTRE, Rect(0, 0, 4000, 3000), (4000, 3000)),
    ],
)
def test_crop_and_size(
    frame: tuple[int, int],
    wanted: tuple[int, int] | None,
    focus: tuple[float, float],
    crop: Rect,
    size: tuple[int, int],
) -> None:
    result = shaped(frame, size_px=wanted, focus=focus)
    assert (result.crop, result.size) == (crop, size)
    assert result.end == result.crop
    assert result.place == Rect(0, 0, *size)
    assert result.smaller == (wanted is not None and size != wanted)


@pytest.mark.parametrize(
    ("wish", "crop", "size", "place"),
    [
        ({"aspect": "9:16"}, Rect(1876, 0, 2250, 4000), (2250, 4000), Rect(0, 0, 2250, 4000)),
        ({"aspect": "1:1", "zoom": 2}, Rect(2000, 1000, 2000, 2000), (2000, 2000), Rect(0, 0, 2000, 2000)),
        ({"zoom": 1.5}, Rect(1000, 668, 4000, 2666), (4000, 2666), Rect(0, 0, 4000, 2666)),
        # Whole frames of 3:2 between bars: 3240 x 2160 in the middle of UHD; 9:16 around 6000 is 10666.7 high.
        ({"size_px": (3840, 2160), "fill": False}, Rect(0, 0, 6000, 4000), (3840, 2160), Rect(300, 0, 3240, 2160)),
        ({"aspect": "9:16", "fill": False}, Rect(0, 0, 6000, 4000), (6000, 10668), Rect(0, 3334, 6000, 4000)),
        (
            {"size_px": (16000, 9000), "fill": False},
            Rect(0, 0, 6000, 4000),
            (7112, 4000),  # no enlarging unasked: 4000 x 16/9
            Rect(556, 0, 6000, 4000),
        ),
        (
            {"size_px": (16000, 9000), "fill": False, "enlarge": True},
            Rect(0, 0, 6000, 4000),
            (16000, 9000),
            Rect(1250, 0, 13500, 9000),
        ),
    ],
)
def test_aspects_zooms_and_bars(wish: dict[str, Any], crop: Rect, size: tuple[int, int], place: Rect) -> None:
    result = shaped((6000, 4000), **wish)
    assert (result.crop, result.size, result.place) == (crop, size, place)


def test_enlarging_when_asked_tells_the_factor() -> None:
    result = shaped((1920, 1080), size_px=(3840, 2160), enlarge=True)
    assert (result.size, result.factor, result.smaller) == ((3840, 2160), 2.0, False)


def test_a_push_in_ends_at_the_second_framing() -> None:
    result = shaped((6000, 4000), size_px=(1920, 1080), focus=(0.5, 0.5), end_focus=(0.25, 0.5), end_zoom=2)
    crops = list(result.crops(101))
    assert (crops[0], crops[-1]) == (Rect(0, 312.5, 6000, 3375), Rect(0, 1156.25, 3000, 1687.5))
    assert result.factor == pytest.approx(1920 / 3000)
    # Half the time, half the zoom: 6000 / sqrt(2).
    assert crops[50].width == pytest.approx(6000 / 2**0.5, abs=1e-3)
    widths = [crop.width for crop in crops]
    assert widths == sorted(widths, reverse=True)
    # Setting off and arriving slowly: the first step is a tiny part of the middle one.
    assert widths[0] - widths[1] < 0.05 * (widths[50] - widths[51])
    # The fixed point of the zoom, the left edge's middle, stays where it is.
    assert {round((2000 - crop.y) / crop.height, 4) for crop in crops} == {0.5}
    assert {crop.x for crop in crops} == {0.0}


def test_a_pan_moves_the_crop_and_keeps_its_size() -> None:
    result = shaped((6000, 4000), size_px=(1080, 1920), focus=(0.0, 0.5), end_focus=(1.0, 0.5))
    crops = list(result.crops(51))
    assert {(crop.width, crop.height, crop.y) for crop in crops} == {(2250, 4000, 0)}
    assert (crops[0].x, crops[25].x, crops[50].x) == (0, 1875, 3750)
    assert next(iter(result.crops(1))) == result.crop


def test_a_push_in_beyond_the_frame_s_pixels_gives_a_smaller_clip_unless_asked() -> None:
    push = {"size_px": (3840, 2160), "end_zoom": 2.0}
    assert shaped((6000, 4000), **push).size == (3000, 1686)
    result = shaped((6000, 4000), **push, enlarge=True)
    assert (result.size, result.factor) == ((3840, 2160), pytest.approx(1.28))


sides = st.tuples(st.integers(64, 9000), st.integers(64, 9000))
shares = st.tuples(st.floats(0, 1), st.floats(0, 1))


@given(sides, st.tuples(st.integers(8, 2000), st.integers(8, 2000)), shares, st.floats(1, 4), st.booleans())
def test_a_crop_lies_inside_on_whole_chroma_samples_and_is_never_enlarged(
    frame: tuple[int, int], half: tuple[int, int], focus: tuple[float, float], zoom: float, fill: bool
) -> None:
    result = shaped(frame, size_px=(2 * half[0], 2 * half[1]), focus=focus, zoom=zoom, fill=fill)
    crop, place = result.crop, result.place
    assert crop.x >= 0
    assert crop.y >= 0
    assert crop.x + crop.width <= frame[0]
    assert crop.y + crop.height <= frame[1]
    assert [side % 2 for side in (crop.x, crop.y, crop.width, crop.height, *result.size)] == [0] * 6
    assert [side % 2 for side in (place.x, place.y, place.width, place.height)] == [0] * 4
    assert place.x >= 0
    assert place.y >= 0
    assert place.x + place.width <= result.size[0]
    assert place.y + place.height <= result.size[1]
    assert result.factor <= 1


framings = st.tuples(shares, st.floats(1, 4))


@given(sides, framings, framings, st.sampled_from(["9:16", "1:1", "21:9"]))
def test_a_moving_crop_stays_inside_and_keeps_its_aspect(
    frame: tuple[int, int],
    start: tuple[tuple[float, float], float],
    end: tuple[tuple[float, float], float],
    aspect: str,
) -> None:
    result = shaped(frame, aspect=aspect, focus=start[0], zoom=start[1], end_focus=end[0], end_zoom=end[1])
    across, down = map(int, aspect.split(":"))
    for crop, following in itertools.pairwise(result.crops(20)):
        assert crop.x >= -1e-3
        assert crop.y >= -1e-3
        assert crop.x + crop.width <= frame[0] + 1e-3
        assert crop.y + crop.height <= frame[1] + 1e-3
        assert crop.width * down == pytest.approx(crop.height * across, rel=1e-4)
        assert abs(following.x - crop.x) < frame[0] / 5
    assert result.factor <= 1 + 1e-9


@pytest.mark.parametrize(
    ("frame", "wish", "size"),
    [
        ((5776, 4336), {}, (640, 480)),
        ((4336, 5776), {}, (480, 640)),
        ((640, 400), {}, (640, 400)),
        ((5776, 4336), {"size_px": (1280, 720)}, (1280, 720)),
        ((6000, 4000), {"aspect": "16:9", "fill": False}, (640, 360)),
    ],
)
def test_a_frame_is_made_small_enough(frame: tuple[int, int], wish: dict[str, Any], size: tuple[int, int]) -> None:
    result = shape(frame, Clip(name="c", **wish), most=640)
    assert result.size == size
    assert result.place.width <= size[0]
    assert result.place.width / result.place.height == pytest.approx(frame[0] / frame[1], rel=0.02) or "size_px" in wish


def test_a_master_shows_the_whole_frame_as_it_carries_it() -> None:
    result = shaped((333, 241), codec="master")
    assert (result.crop, result.end, result.size) == (Rect(0, 0, 333, 241), Rect(0, 0, 333, 241), (333, 241))
