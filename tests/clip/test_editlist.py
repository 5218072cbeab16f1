import json
from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lapsed.clip.conform import Turn
from lapsed.clip.editlist import Correction, EditList, Mix, Piece, edit, from_json, to_json
from lapsed.clip.orient import Rect
from lapsed.clip.shape import shape
from lapsed.errors import UserError
from lapsed.settings import Clip


def planned(clip: Clip, names: list[str], frame: tuple[int, int] = (640, 480), **more: Any) -> EditList:
    return edit(names, frame, 1, shape(frame, clip), clip, **more)


def test_an_edit_list_survives_json() -> None:
    clip = Clip(name="wide", size_px=(320, 180), rate=Fraction(24000, 1001), length_s=2.0, hold_end_s=0.5)
    plan = planned(clip, [f'frames/{n} "x".jpg' for n in range(5)])
    plan = replace(plan, pieces=(replace(plan.pieces[0], gain=(1.1, 1, 1), shift_px=(0.25, -3)), *plan.pieces[1:]))
    assert from_json(to_json(plan)) == plan
    assert plan.frames == 48
    assert plan.seconds == Fraction(48 * 1001, 24000)
    assert '"24000/1001"' in to_json(plan)


def test_frames_that_are_not_shown_are_not_in_it() -> None:
    plan = planned(Clip(name="short", length_s=0.12, hold_end_s=0), list("abcde"))
    assert [(piece.frame, piece.shows) for piece in plan.pieces] == [("a", 1), ("c", 1), ("e", 1)]
    assert plan.used == ("a", "c", "e")


def test_a_piece_carries_what_its_frames_need() -> None:
    clip = Clip(name="c", size_px=(320, 180), between="dissolve")
    fixes = {"b": Correction((1.5, 1.0, 0.5), (2.0, -1.0)), "a": Correction(shift_px=(1.0, 0.0))}
    turns = (Turn(0, 2), Turn(0, 1, 0.75), Turn(1, 3))
    plan = planned(clip, ["a", "b"], turns=turns, captions={"a": "one", "b": "two"}, corrections=fixes)
    crop = Rect(0, 60, 640, 360)
    assert plan.pieces == (
        Piece("a", 2, crop, shift_px=(1.0, 0.0), caption="one"),
        Piece(
            "a",
            1,
            crop,
            shift_px=(1.0, 0.0),
            mix=Mix("b", 0.75, (1.5, 1.0, 0.5), (2.0, -1.0)),
            caption="two",  # that of the frame one sees more of
        ),
        Piece("b", 3, crop, (1.5, 1.0, 0.5), (2.0, -1.0), caption="two"),
    )
    first, second = plan.pieces[1].looks
    assert (first.frame, first.window.x, first.gain) == ("a", 1, (1, 1, 1))
    assert (second.frame, second.window.x, second.window.y, second.gain) == ("b", 2, 59, (1.5, 1.0, 0.5))
    assert plan.used == ("a", "b")


def test_bars_stand_in_the_edit_list() -> None:
    plan = planned(Clip(name="c", size_px=(320, 180), fill=False, bars="#10FF20"), ["a"])
    assert (plan.place, plan.bars) == ((40, 0, 240, 180), "#10ff20")
    assert planned(Clip(name="c", size_px=(320, 180)), ["a"]).place is None


def test_a_moving_crop_makes_a_piece_of_each_output_frame() -> None:
    clip = Clip(name="c", size_px=(160, 90), end_zoom=2, hold_start_s=0.2, hold_end_s=0.2)
    plan = planned(clip, ["a", "b"])
    assert [piece.shows for piece in plan.pieces] == [1] * 12
    assert [piece.frame for piece in plan.pieces] == ["a"] * 6 + ["b"] * 6
    assert plan.pieces[-1].crop == Rect(160, 150, 320, 180)


names = st.text(st.characters(codec="utf-8", exclude_characters="/\0"), min_size=1, max_size=20).filter(
    lambda name: name not in (".", "..")
)


@settings(deadline=None, max_examples=40)  # the machine may be busy
@given(
    st.lists(names, min_size=1, max_size=12, unique=True),
    st.fixed_dictionaries(
        {
            "length_s": st.floats(1, 3),
            "between": st.sampled_from(["hold", "dissolve"]),
            "end_zoom": st.none() | st.floats(1, 3),
            "fill": st.booleans(),
        }
    ),
    st.data(),
)
def test_any_edit_list_survives_json_and_has_the_wished_length(
    frames: list[str], wishes: dict[str, Any], data: st.DataObject
) -> None:
    wish = Clip(name="c", size_px=(64, 48), hold_end_s=0.5, **wishes)
    plan = planned(wish, frames, captions={name: data.draw(st.text(max_size=5)) for name in frames})
    assert from_json(to_json(plan)) == plan
    assert abs(plan.frames - Fraction(str(wish.length_s)) * 25) <= Fraction(1, 2)
    order = [frames.index(piece.frame) for piece in plan.pieces]
    assert order == sorted(order)


GOOD = json.loads(to_json(planned(Clip(name="c", size_px=(320, 180)), ["a", "b"])))


def change(**values: Any) -> str:
    return json.dumps({**GOOD, **values})


def piece(**values: Any) -> str:
    return change(pieces=[GOOD["pieces"][0], {**GOOD["pieces"][1], **values}])


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("{", "not an edit list: the text: "),
        ("[" * 100_000, "not an edit list: the text: "),
        ("[]", "not an edit list: the text: "),
        ("{}", "not an edit list: clip is missing"),
        ('{"clip": 3}', "not an edit list: clip is 3 and has to be a text in quotes"),
        (change(version=2), "an edit list of version 2, and this lapsed reads version 1"),
        (change(colour=1), "not an edit list: colour is not a key"),
        (change(clip="../x"), "not an edit list: clip: "),
        (change(rate="0/0"), "not an edit list: rate: .*not a frame rate"),
        (change(size=[321, 180]), "size: 321x180 is not even"),
        (change(orientation=9), "not an edit list: orientation is 9 and has to be 8 or less"),
        (change(pieces=[]), "not an edit list: pieces is empty"),
        (change(place=[0, 0, 320, 182]), "place: 320x182 at 0, 0 is not on even pixels within the 320x180"),
        (change(place=[1, 0, 318, 180]), "place: 318x180 at 1, 0"),
        (change(bars="red"), "not an edit list: bars: "),
        (piece(shows=0), r"not an edit list: pieces\.1\.shows is 0 and has to be 1 or more"),
        (piece(shows=1.5), r"not an edit list: pieces\.1\.shows is 1\.5 and has to be a whole number"),
        (piece(show=1), r"not an edit list: pieces\.1\.show is not a key"),
        (piece(gain=[1, 1, float("nan")]), r"not an edit list: pieces\.1\.gain\.2 is nan and has to be "),
        (piece(frame="/etc/passwd"), r"pieces\.1\.frame: '/etc/passwd' is not the name of a file in the folder"),
        (piece(frame="x/../../y"), r"pieces\.1\.frame"),
        (piece(frame=""), r"pieces\.1\.frame"),
        (piece(mix={"frame": "../y", "share": 0.5}), r"pieces\.1\.frame: '\.\./y'"),
        (piece(mix={"frame": "y", "share": 1}), r"pieces\.1\.mix\.share"),
        (
            piece(crop={"x": 0, "y": 0, "width": 640.5, "height": 360}),
            "crop: 640.5x360 at 0, 0 is not within the frame",
        ),
        (piece(crop={"x": float("nan"), "y": 0, "width": 64, "height": 36}), r"pieces\.1\.crop"),
        (piece(crop={"x": 0, "y": 0, "width": 0, "height": 36}), r"pieces\.1\.crop"),
    ],
)
def test_what_can_t_be_stitched_is_refused_in_a_sentence(text: str, says: str) -> None:
    with pytest.raises(UserError, match=says) as refused:
        from_json(text)
    assert "\n" not in str(refused.value)


def test_a_list_made_by_hand_needs_no_more_than_frames_and_crops() -> None:
    assert set(GOOD["pieces"][1]) == {"frame", "shows", "crop"}
    assert from_json(json.dumps(GOOD)).pieces[1] == Piece("b", 26, Rect(0, 60, 640, 360))
