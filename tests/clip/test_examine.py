import csv
import json
import re
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path

import av
import cv2
import numpy as np
import pytest
import simplejpeg

from lapsed.__main__ import main
from lapsed.clip.editlist import from_json
from lapsed.clip.examine import Wishes, unexamined
from lapsed.clip.footage import Footage, Frame, Progress, Report, footage_of_folder
from lapsed.clip.orient import Rect
from lapsed.clip.probe import Picture
from lapsed.clip.shift import prepared, shift_of
from lapsed.clip.sift import sift
from lapsed.clip.stitch import examine_only, stitch
from lapsed.errors import UserError
from lapsed.settings import Clip, Judge
from lapsed.web.takes import judged
from lapsed.web.words import JudgedFrame
from tests.clip.workshop import bench

SIZE = (256, 192)
VIEW = bench(SIZE)
CLIP = Clip(name="wide", preset="ultrafast", hold_end_s=0)
MASTER = Clip(name="master", codec="master", hold_end_s=0)


def quiet(_: Progress) -> None:
    """Nobody listens."""


@cache
def drawn() -> tuple[bytes, ...]:
    """Sixteen frames, flickering by 5 %, that stand off by (3, -1.5) px from the eleventh on; the fourth is black."""
    noise = np.random.default_rng(21)
    made = []
    for number in range(1, 17):
        gain = float(np.exp(noise.normal(0, 0.05)))
        picture = VIEW.seen(0.3 + 0.01 * number, gain, (3.0, -1.5) if number > 10 else (0.0, 0.0), noise)
        picture = np.ascontiguousarray(picture if number != 4 else picture * 0)
        made.append(simplejpeg.encode_jpeg(picture, 95, colorspace="BGR"))
    return tuple(made)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    folder = tmp_path / "frames"
    folder.mkdir()
    for number, data in enumerate(drawn(), start=1):
        (folder / f"{number}.jpg").write_bytes(data)
    return folder


def frames_of(path: Path) -> list[np.ndarray]:
    with av.open(str(path)) as movie:
        return [frame.to_ndarray(format="gray8") for frame in movie.decode(video=0)]


def test_a_clip_is_evened_and_steadied_and_a_master_is_not(folder: Path) -> None:
    report = stitch(footage_of_folder(folder), (MASTER, CLIP), None, quiet)
    master, wide = (from_json((folder / "clips" / f"{name}.edit.json").read_text()) for name in ("master", "wide"))
    assert [Path(left.frame).name for left in report.left_out] == ["4.jpg"]
    assert {(piece.gain, piece.shift_px) for piece in master.pieces} == {((1.0, 1.0, 1.0), (0.0, 0.0))}
    assert len(master.pieces) == len(wide.pieces) == 15
    assert len({piece.gain for piece in wide.pieces}) > 10
    assert [piece.shift_px for piece in wide.pieces[:9]] == [(0.0, 0.0)] * 9
    for piece in wide.pieces[9:]:
        assert piece.shift_px == pytest.approx((3.0, -1.5), abs=0.1)
    assert wide.pieces[0].crop == Rect(0, 2, 252, 190)
    shown = frames_of(report.clips[1].path)
    light = [float(np.log(((frame[40:, :60] / 255.0) ** 2.2).mean())) for frame in shown]
    assert np.diff(light).std() < 0.025
    places = [shift_of(prepared(frame), prepared(shown[0])) for frame in shown]
    assert max(abs(place.x) + abs(place.y) for place in places) < 0.15


def test_evening_and_steadying_can_be_turned_off(folder: Path) -> None:
    plain = Clip(name="wide", preset="ultrafast", even=False, steady=False)
    stitch(footage_of_folder(folder), (plain,), None, quiet)
    edit = from_json((folder / "clips" / "wide.edit.json").read_text())
    assert {(piece.gain, piece.shift_px) for piece in edit.pieces} == {((1.0, 1.0, 1.0), (0.0, 0.0))}
    assert edit.size == SIZE
    off = Wishes(Judge(on=False))
    report = stitch(footage_of_folder(folder), (CLIP,), None, quiet, wishes=off)
    assert report.examined is None
    assert report.clips[0].frames == 16


def test_colour_evens_each_channel_by_itself(folder: Path) -> None:
    coloured = Clip(name="wide", preset="ultrafast", even="colour")
    stitch(footage_of_folder(folder), (coloured,), None, quiet)
    edit = from_json((folder / "clips" / "wide.edit.json").read_text())
    assert any(len(set(piece.gain)) > 1 for piece in edit.pieces)


def test_what_it_costs_is_said_before_a_clip_is_made(folder: Path) -> None:
    said: list[Report] = []
    order: list[str] = []

    def hear(report: Report) -> None:
        said.append(report)
        order.append("said")

    stitch(footage_of_folder(folder), (CLIP,), None, lambda progress: order.append(progress.clip), said=hear)
    assert order.index("said") < order.index("wide")
    examined = said[0].examined
    assert examined is not None
    assert (examined.size, examined.inner) == (SIZE, Rect(0, 2, 252, 190))
    assert "costs 4 px of 256 across and 2 of 192 down" in " ".join(examined.as_text())
    assert 0.02 < examined.flicker < 0.1
    assert (folder / "clips" / "judged.svg").read_text().startswith("<svg")


def test_examining_alone_makes_no_clip_and_goes_where_it_is_told(folder: Path, tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    report = examine_only(footage_of_folder(folder), elsewhere, quiet)
    assert (report.clips, report.sheet) == ((), None)
    assert sorted(path.name for path in elsewhere.iterdir()) == ["judged.csv", "judged.jsonl", "judged.svg"]
    assert not (folder / "clips").exists()
    assert json.loads(json.dumps(report.as_json()))["examined"]["inner"]["width"] == 252


def test_a_person_decides_by_number(folder: Path) -> None:
    footage = footage_of_folder(folder)
    report = examine_only(footage, None, quiet, wishes=Wishes(keep=frozenset({4}), drop=frozenset({6, 7})))
    assert [(Path(left.frame).name, left.reason) for left in report.left_out] == [
        ("6.jpg", "was dropped on request"),
        ("7.jpg", "was dropped on request"),
    ]
    table = list(csv.DictReader((folder / "clips" / "judged.csv").read_text().splitlines()))
    said = [(row["number"], row["used"], row["fault"], row["said"]) for row in table if row["said"]]
    assert said == [
        ("4", "True", "black", "kept on request: is black"),
        ("6", "False", "dropped", "left out: was dropped on request"),
        ("7", "False", "dropped", "left out: was dropped on request"),
    ]
    shots = Footage("t", folder, tuple(replace(frame, shot=100 + at) for at, frame in enumerate(footage.frames)))
    report = examine_only(shots, None, quiet, wishes=Wishes(drop=frozenset({100})))
    assert [Path(left.frame).name for left in report.left_out] == ["1.jpg", "4.jpg"]
    with pytest.raises(UserError, match=r"no frame 17 to keep or drop; they are 1 to 16"):
        examine_only(footage, None, quiet, wishes=Wishes(drop=frozenset({17})))
    with pytest.raises(UserError, match=r"all 16 frames of .* would be left out"):
        examine_only(footage, None, quiet, wishes=Wishes(drop=frozenset(range(1, 17))))


def test_frames_that_their_headers_rule_out_stand_in_the_table_with_the_others(folder: Path) -> None:
    (folder / "2.jpg").write_bytes(b"")
    (folder / "8.jpg").write_bytes(simplejpeg.encode_jpeg(np.zeros((64, 64, 3), np.uint8), 95, colorspace="BGR"))
    footage = Footage("t", folder, tuple(Frame(folder / f"{n}.jpg") for n in range(1, 17)))
    examine_only(footage, None, quiet, wishes=Wishes(keep=frozenset({2})))
    table = list(csv.DictReader((folder / "clips" / "judged.csv").read_text().splitlines()))
    assert [int(row["number"]) for row in table] == list(range(1, 17))
    assert [tuple(row[key] for key in ("frame", "used", "fault", "said")) for row in table if row["said"]] == [
        ("2.jpg", "False", "unfit", "left out: is empty"),
        ("4.jpg", "False", "black", "left out: is black"),
        ("8.jpg", "False", "unfit", "left out: is a JPEG of 64x64, most are JPEG of 256x192"),
    ]


def test_with_judging_off_the_table_tells_of_what_headers_and_people_leave_out(folder: Path) -> None:
    (folder / "2.jpg").write_bytes(b"")
    footage = Footage("t", folder, tuple(Frame(folder / f"{n}.jpg") for n in range(1, 17)))
    off = Wishes(Judge(on=False), drop=frozenset({5}))
    report = stitch(footage, (CLIP,), None, quiet, wishes=off)
    assert [(Path(left.frame).name, left.reason) for left in report.left_out] == [
        ("2.jpg", "is empty"),
        ("5.jpg", "was dropped on request"),
    ]
    assert report.clips[0].frames == 14
    assert judged(folder / "clips" / "judged.csv", "") == (
        JudgedFrame(shot=2, left_out=True, by_hand=False, broken=True, reason="is empty"),
        JudgedFrame(shot=5, left_out=True, by_hand=True, broken=False, reason="was dropped on request"),
    )
    table = csv.DictReader((folder / "clips" / "judged.csv").read_text().splitlines())
    assert [int(row["number"]) for row in table] == list(range(1, 17))
    with pytest.raises(UserError, match=r"no frame 17 to keep or drop"):
        stitch(footage, (CLIP,), None, quiet, wishes=Wishes(Judge(on=False), drop=frozenset({17})))
    with pytest.raises(UserError, match=r"all 15 frames of .* would be left out; drop fewer"):
        stitch(footage, (CLIP,), None, quiet, wishes=Wishes(Judge(on=False), drop=frozenset(range(1, 17))))


def test_what_sticks_out_is_proposed_and_can_be_left_out_by_the_configuration(folder: Path) -> None:
    picture = cv2.imread(str(folder / "9.jpg"))
    assert picture is not None
    (folder / "9.jpg").write_bytes(simplejpeg.encode_jpeg(cv2.GaussianBlur(picture, (0, 0), 2.5), 95, colorspace="BGR"))
    footage = Footage("t", folder, tuple(Frame(folder / f"{n}.jpg") for n in range(1, 17)))
    (soft,) = examine_only(footage, None, quiet).proposed
    assert (soft.number, Path(soft.frame).name, soft.fault) == (9, "9.jpg", "soft")
    report = examine_only(footage, None, quiet, wishes=Wishes(Judge(leave_out=("soft",))))
    assert [Path(left.frame).name for left in report.left_out] == ["9.jpg"]
    assert [each.fault for each in report.proposed] == ["black"]


def test_sums_of_what_can_t_be_done_are_said(tmp_path: Path, takes_of: Callable) -> None:
    footage = footage_of_folder(takes_of(6))
    examined = examine_only(footage, tmp_path / "out", quiet, wishes=Wishes(Judge(even_limit_ev=0.01))).examined
    assert examined is not None
    words = " ".join(examined.as_text())
    assert "can't be evened in full" in words
    assert "too little keeps its place in 5 of 6 frames to tell whether they moved: they stay as they are" in words


@pytest.mark.parametrize(
    ("moved_px", "unplaced", "said"),
    [(0.0, 30, None), (0.0, 31, "they stay as they are"), (4.0, 0, None), (4.0, 1, "they are moved as the one before")],
)
def test_frames_whose_place_is_unknown_are_told_of_where_it_matters(
    folder: Path, moved_px: float, unplaced: int, said: str | None
) -> None:
    examined = examine_only(footage_of_folder(folder), None, quiet).examined
    assert examined is not None
    last = replace(examined, moved_px=moved_px, frames=120, unplaced=unplaced).as_text()[-1]
    assert ("to tell whether they moved" in last, said is None or said in last) == (said is not None, True)


def test_the_command_tells_what_it_found(folder: Path, capsys: pytest.CaptureFixture) -> None:
    assert main(["judge", str(folder), "--drop", "2,5-6", "--quiet"]) == 0
    told = capsys.readouterr().out
    assert re.findall(r"^left out .*/(\d+)\.jpg", told, re.MULTILINE) == ["2", "4", "5", "6"]
    assert "holding them steady costs" in told
    assert main(["judge", str(folder), "--json", "--quiet"]) == 0
    assert json.loads(capsys.readouterr().out)["left_out"][0]["reason"] == "is black"
    assert main(["stitch", str(folder), "--even", "no", "--steady", "no", "--size", "64x48", "--clip", "wide"]) == 0
    heard = capsys.readouterr()
    assert "found    the light flickers" in heard.err
    assert "left out" in heard.out
    assert from_json((folder / "clips" / "wide.edit.json").read_text()).pieces[0].gain == (1.0, 1.0, 1.0)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--drop", "x"], "'x' is no list of frames; write it like 3,7-9"),
        (["--drop", "3-"], "is no list of frames"),
        (["--keep", "3", "--drop", "2-4"], "frame 3 can't be both kept and dropped"),
    ],
)
def test_bad_numbers_get_a_sentence(
    folder: Path, options: list[str], words: str, capsys: pytest.CaptureFixture
) -> None:
    assert main(["judge", str(folder), *options]) == 2
    assert words in capsys.readouterr().err
    assert main(["stitch", str(folder), "--even", "perhaps"]) == 2
    assert "neither yes nor no" in capsys.readouterr().err


def test_numbers_to_drop_are_not_sought_among_all_others_one_by_one(tmp_path: Path) -> None:
    compared: list[object] = []

    class Shot(int):
        __hash__ = int.__hash__

        def __eq__(self, other: object) -> bool:
            compared.append(other)
            return int(self) == other

    frames = tuple(Frame(tmp_path / f"{n}.jpg", Shot(n)) for n in range(1, 301))
    looks = [
        Picture(each.path, "jpeg", 64, 48, 1, 100, 3, 8, progressive=False, profile=None, located=False)
        for each in frames
    ]
    left = unexamined(Footage("t", tmp_path, frames), sift(looks), frozenset(range(1, 201)), tmp_path)
    assert len(left.kept) == 100
    assert len(compared) < 10 * len(frames)
