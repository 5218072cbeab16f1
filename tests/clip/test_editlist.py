from fractions import Fraction

import pytest

from lapsed.clip.editlist import Piece, edit, from_json, to_json
from lapsed.clip.orient import Rect
from lapsed.clip.shape import shape
from lapsed.errors import UserError
from lapsed.settings import Clip


def test_an_edit_list_survives_json() -> None:
    clip = Clip(name="wide", size_px=(320, 180), rate=Fraction(24000, 1001), length_s=2.0, hold_end_s=0.5)
    form = shape((640, 480), clip.size_px, clip.focus, enlarge=False)
    plan = edit([f'frames/{n} "x".jpg' for n in range(5)], (640, 480), 1, form, clip)
    assert from_json(to_json(plan)) == plan
    assert plan.frames == 48
    assert plan.seconds == Fraction(48 * 1001, 24000)
    assert '"24000/1001"' in to_json(plan)


def test_frames_that_are_not_shown_are_not_in_it() -> None:
    clip = Clip(name="short", length_s=0.12, hold_end_s=0)
    form = shape((640, 480), None, clip.focus, enlarge=False)
    plan = edit(list("abcde"), (640, 480), 1, form, clip)
    assert [(piece.frame, piece.shows) for piece in plan.pieces] == [("a", 1), ("c", 1), ("e", 1)]


@pytest.mark.parametrize(("text", "place"), [("{", "the text"), ("{}", "clip"), ('{"clip": 3}', "clip")])
def test_what_is_no_edit_list_is_refused_in_a_sentence(text: str, place: str) -> None:
    with pytest.raises(UserError, match=f"not an edit list: {place}: "):
        from_json(text)


def test_a_piece_s_window_moves_with_the_picture_and_is_neutral_by_default() -> None:
    crop = Rect(100, 50, 320, 180)
    assert (Piece("a", 1, crop).window, Piece("a", 1, crop).gain) == (crop, (1.0, 1.0, 1.0))
    assert Piece("a", 1, crop, shift_px=(1.25, -3.5)).window == Rect(101.25, 46.5, 320, 180)
