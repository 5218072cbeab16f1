import pytest
from hypothesis import given
from hypothesis import strategies as st

from lapsed.clip.orient import Rect
from lapsed.clip.shape import shape, within

CENTRE = (0.5, 0.5)


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
    result = shape(frame, wanted, focus, enlarge=False)
    assert (result.crop, result.size) == (crop, size)
    assert result.smaller == (wanted is not None and size != wanted)


def test_enlarging_when_asked_tells_the_factor() -> None:
    result = shape((1920, 1080), (3840, 2160), CENTRE, enlarge=True)
    assert (result.size, result.factor, result.smaller) == ((3840, 2160), 2.0, False)


@given(
    st.tuples(st.integers(16, 9000), st.integers(16, 9000)),
    st.tuples(st.integers(8, 2000), st.integers(8, 2000)),
    st.tuples(st.floats(0, 1), st.floats(0, 1)),
)
def test_a_crop_lies_inside_on_whole_chroma_samples_and_is_never_enlarged(
    frame: tuple[int, int], half: tuple[int, int], focus: tuple[float, float]
) -> None:
    wanted = (2 * half[0], 2 * half[1])
    result = shape(frame, wanted, focus, enlarge=False)
    crop = result.crop
    assert crop.x >= 0
    assert crop.y >= 0
    assert crop.x + crop.width <= frame[0]
    assert crop.y + crop.height <= frame[1]
    assert [side % 2 for side in (crop.x, crop.y, crop.width, crop.height, *result.size)] == [0] * 6
    assert result.size[0] <= crop.width
    assert result.size[1] <= crop.height
    assert result.factor <= 1


@pytest.mark.parametrize(
    ("frame", "size"), [((5776, 4336), (640, 480)), ((4336, 5776), (480, 640)), ((640, 400), None), ((320, 240), None)]
)
def test_a_frame_is_made_small_enough(frame: tuple[int, int], size: tuple[int, int] | None) -> None:
    assert within(640, frame) == size
