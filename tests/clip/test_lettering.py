from typing import Any, get_args

import numpy as np
import pytest
from av.video.frame import VideoFrame
from numpy.typing import NDArray

from lapsed.clip.caption import FIGURE_SPACE
from lapsed.clip.lettering import lettered
from lapsed.clip.planes import views
from lapsed.settings import Corner


def picture(size: tuple[int, int], code: int, pixels: str = "yuv420p") -> VideoFrame:
    frame = VideoFrame(*size, pixels)
    frame.color_range, frame.colorspace, frame.color_primaries, frame.color_trc = 1, 1, 1, 1
    scale = 4 if pixels.endswith("10le") else 1
    for plane, value in zip(views(frame), (code, 90, 160), strict=True):
        plane[:] = value * scale
    return frame


def changed(before: VideoFrame, after: VideoFrame) -> tuple[int, int, int, int]:
    """Left, top, right and bottom of what differs."""
    rows, columns = np.nonzero(views(before)[0] != views(after)[0])
    return columns.min(), rows.min(), columns.max() + 1, rows.max() + 1


@pytest.mark.parametrize("corner", get_args(Corner))
@pytest.mark.parametrize("size", [(1920, 1080), (1080, 1920)])
def test_words_keep_out_of_what_may_be_covered(corner: Any, size: tuple[int, int]) -> None:
    # EBU R 95, safe areas for 16:9 television production: graphics stay clear of the outer 5 % on each side.
    plain = picture(size, 100)
    left, top, right, bottom = changed(plain, lettered(plain, "Layer 12  3.40 mm", corner))
    width, height = size
    assert left >= 0.05 * width - 1
    assert right <= 0.95 * width + 1
    assert top >= 0.05 * height - 1
    assert bottom <= 0.95 * height + 1
    assert (left > width / 2) == ("right" in corner)
    assert (top > height / 2) == ("bottom" in corner)


@pytest.mark.parametrize("code", [16, 120, 235])
@pytest.mark.parametrize("pixels", ["yuv420p", "yuv420p10le", "yuv422p", "yuv422p10le"])
def test_letters_are_white_and_stand_out_on_any_ground(code: int, pixels: str) -> None:
    plain = picture((1280, 720), code, pixels)
    after = lettered(plain, "Layer 12", "bottom left")
    scale = 4 if pixels.endswith("10le") else 1
    left, top, right, bottom = changed(plain, after)
    luma = views(after)[0][top:bottom, left:right] / scale
    assert luma.max() == pytest.approx(235, abs=1)  # BT.709-6, item 5.6: white is 235, and there is none above
    assert luma.min() <= max(16, code * 0.62)
    for plane, ground in zip(views(after)[1:], (90, 160), strict=True):
        codes: NDArray[Any] = plane / scale
        assert codes.min() >= min(128, ground) - 1
        assert codes.max() <= max(128, ground) + 1
        assert np.abs(codes - 128).min() <= 4  # white has no colour
    assert views(plain)[0].max() == code * scale  # the picture itself is left as it was


def test_figures_don_t_move_while_they_count() -> None:
    plain = picture((1280, 720), 60)

    def right_edge(words: str) -> int:
        return changed(plain, lettered(plain, words, "bottom left"))[2]

    ends = {right_edge(f"Layer {number} m") for number in (111, 444, 800, 177)}
    assert len(ends) == 1
    assert right_edge(f"Layer {FIGURE_SPACE}{FIGURE_SPACE}7 m") in ends


def test_what_is_too_long_is_cut_off_inside_the_picture() -> None:
    plain = picture((96, 64), 60)
    left, top, right, bottom = changed(plain, lettered(plain, "Layer 12  3.40 mm  1:23:45", "top right"))
    assert 4 <= left < right <= 92
    assert 2 <= top < bottom <= 62
