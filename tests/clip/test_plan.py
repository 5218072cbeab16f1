from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from lapsed.clip.editlist import Correction
from lapsed.clip.footage import Frame
from lapsed.clip.orient import Rect
from lapsed.clip.plan import Stock, account, plan
from lapsed.clip.taken import taken_at
from lapsed.errors import UserError
from lapsed.settings import Clip


def stock(**facts: Any) -> Stock:
    """Twelve frames, with `facts` as lists of what each tells."""
    frames = {
        f"{n}.jpg": Frame(Path(f"/nowhere/{n}.jpg"), **{key: values[n] for key, values in facts.items()})
        for n in range(12)
    }
    return Stock(frames, stored=(640, 480), upright=(640, 480), orientation=1)


def clip(**wish: Any) -> Clip:
    return Clip(name="c", **{"rate": 10, "hold_end_s": 0, **wish})


def test_a_plan_accounts_for_frames_holds_eases_and_crops() -> None:
    wish = clip(
        size_px=(320, 180), length_s=2.0, hold_start_s=0.3, hold_end_s=0.5, ease_in_s=0.2, end_zoom=2, every_frame=True
    )
    made = plan(wish, stock())
    assert made.edit.frames == 20
    assert made.remarks == ()
    told = made.account
    assert (told.used, told.dropped, told.mixed) == (12, 0, 0)
    assert (told.hold_start, told.hold_end, told.ease_in, told.ease_out) == (3, 5, 2, 0)
    assert (told.crop, told.end_crop, told.factor) == (Rect(0, 60, 640, 360), Rect(160, 150, 320, 180), 1.0)
    assert told.as_text() == (
        "12 frames used, 0 dropped; held 3 at the start and 5 at the end; eased 2 at the start; "
        "crop 640x360 at 0, 60 to 320x180 at 160, 150; scale 1.00"
    )


def test_frames_that_are_not_shown_and_enlarging_are_told() -> None:
    made = plan(clip(size_px=(1280, 960), length_s=0.6, enlarge=True), stock())
    assert made.account.as_text() == "6 frames used, 6 dropped; crop 640x480 at 0, 0; enlarged 2.00 times"
    assert made.remarks == ("c is enlarged 2.00 times, as asked; it gains no detail",)
    made = plan(clip(length_s=2.3, between="dissolve"), stock())
    assert "; 11 output frames dissolve; " in made.account.as_text()


def test_of_an_edit_list_alone_the_crops_and_frames_are_told() -> None:
    made = plan(clip(size_px=(320, 180), hold_end_s=1), stock())
    told = account(made.edit, 15)
    assert (told.used, told.dropped, told.hold_end) == (12, 3, 0)
    assert account(replace(made.edit, codec="master"), 12).factor == 1.0


def test_heights_and_times_of_the_journal_spread_the_frames() -> None:
    # The first ten layers are thin, and printed in a tenth of the time of the last two.
    heights = [0.1 * n for n in range(10)] + [3.0, 5.0]
    times = [f"2026-05-04T10:00:{n:02}.500+00:00" for n in range(10)] + [
        "2026-05-04T10:01:00Z",
        "2026-05-04T10:02:00Z",
    ]
    even = plan(clip(length_s=12), stock(height_mm=heights, taken_at=times)).edit
    by_height = plan(clip(length_s=12, spread="height"), stock(height_mm=heights)).edit
    by_time = plan(clip(length_s=12, spread="time"), stock(taken_at=times)).edit

    def late(made: Any) -> float:
        return sum(piece.shows for piece in made.pieces if piece.frame in ("9.jpg", "10.jpg")) / made.frames

    assert late(even) == pytest.approx(2 / 12, abs=0.01)
    assert late(by_height) == pytest.approx((5 - 0.9) / (5 * 12 / 11), abs=0.01)
    assert late(by_time) == pytest.approx((120 - 9.5) / (119.5 * 12 / 11), abs=0.01)


def test_some_frames_may_tell_nothing() -> None:
    heights = [0.1, None, *(0.1 * n for n in range(2, 12))]
    made = plan(clip(spread="height"), stock(height_mm=heights))
    assert made.remarks == ("c: 1 of 12 frames don't tell their height, and lie between others",)


@pytest.mark.parametrize(("spread", "what"), [("height", "height"), ("time", "time of exposure")])
def test_a_spread_by_what_is_not_known_is_refused(spread: str, what: str) -> None:
    with pytest.raises(UserError, match=f'the frames don\'t tell their {what}; use spread = "shots"'):
        plan(clip(spread=spread), stock())
    with pytest.raises(UserError, match="the frames don't tell"):
        plan(clip(spread="time"), stock(taken_at=["yesterday"] * 12))


def test_a_single_frame_needs_no_spread() -> None:
    frames = {"a.jpg": Frame(Path("/nowhere/a.jpg"))}
    assert plan(clip(spread="height"), Stock(frames, (640, 480), (640, 480), 1)).edit.frames == 1


def test_the_sharpest_are_chosen_where_it_is_known_which_they_are() -> None:
    wish = clip(length_s=0.4, choose="sharpest")
    known = replace(stock(), figures={"1.jpg": 2.0, "10.jpg": 3.0})
    assert [piece.frame for piece in plan(wish, known).edit.pieces] == ["1.jpg", "4.jpg", "7.jpg", "10.jpg"]
    blind = plan(wish, stock())
    assert [piece.frame for piece in blind.edit.pieces] == ["0.jpg", "4.jpg", "7.jpg", "11.jpg"]
    assert blind.remarks == ("c: the frames were chosen evenly, as it is not known how sharp they are",)


def test_corrections_and_captions_reach_the_pieces() -> None:
    fix = Correction((1.1, 1.0, 0.9), (0.5, 0.0))
    known = replace(stock(layer=list(range(12))), corrections={"3.jpg": fix})
    made = plan(clip(burn_in=("layer",), burn_in_corner="top right"), known).edit
    assert (made.pieces[3].gain, made.pieces[3].shift_px) == (fix.gain, fix.shift_px)
    assert made.pieces[11].caption == "Layer 11"
    assert made.caption_corner == "top right"


def test_nothing_to_burn_in_is_told() -> None:
    made = plan(clip(burn_in=("layer", "elapsed")), stock())
    assert made.remarks == ("c: nothing was burnt in, as the frames tell none of layer, elapsed",)


# Exif (CIPA DC-008), 4.6.5: DateTimeOriginal 0x9003, SubSecTimeOriginal 0x9291, OffsetTimeOriginal 0x9011.
@pytest.mark.parametrize(
    ("tags", "expected"),
    [
        ({0x9003: "2026:05:04 09:30:01"}, "2026-05-04T09:30:01"),
        ({0x9003: "2026:05:04 09:30:01", 0x9291: "25"}, "2026-05-04T09:30:01.250000"),
        ({0x9003: "2026:05:04 09:30:01", 0x9291: "25 ", 0x9011: "+02:00"}, "2026-05-04T09:30:01.250000+02:00"),
        ({0x9003: "2026:05:04 09:30:01", 0x9011: "   :  "}, "2026-05-04T09:30:01"),
        ({0x9003: "    :  :     :  :  "}, None),
        ({0x9003: "2026"}, None),
        ({}, None),
    ],
)
def test_exif_tells_when_a_picture_was_taken(tmp_path: Path, tags: dict[int, str], expected: str | None) -> None:
    picture = Image.new("RGB", (16, 16))
    exif = Image.Exif()
    exif.get_ifd(0x8769).update(tags)
    picture.save(tmp_path / "a.jpg", exif=exif)
    assert taken_at(tmp_path / "a.jpg") == expected


def test_what_is_no_picture_tells_no_time(tmp_path: Path) -> None:
    (tmp_path / "a.jpg").write_bytes(b"\xff\xd8\xff nothing")
    assert taken_at(tmp_path / "a.jpg") is None
    assert taken_at(tmp_path / "b.jpg") is None


def test_a_plain_folder_is_spread_by_the_exif_of_its_pictures(tmp_path: Path, save: Callable, scene: Callable) -> None:
    frames = {}
    for name, second in (("a", 0), ("b", 10), ("c", 40)):
        exif = Image.Exif()
        exif.get_ifd(0x8769)[0x9003] = f"2026:05:04 09:30:{second:02}"
        Image.new("RGB", (32, 32)).save(tmp_path / f"{name}.jpg", exif=exif)
        frames[name] = Frame(tmp_path / f"{name}.jpg")
    made = plan(clip(length_s=6, spread="time", burn_in=("elapsed",)), Stock(frames, (32, 32), (32, 32), 1)).edit
    assert [(piece.frame, piece.shows) for piece in made.pieces] == [("a", 10), ("b", 30), ("c", 20)]
    assert made.pieces[2].caption == "0:00:40"
    assert made.seconds == Fraction(6)
