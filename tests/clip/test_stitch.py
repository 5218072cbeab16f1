import json
import signal
import subprocess
import sys
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from PIL import Image

from lapsed.__main__ import main
from lapsed.clip import delivery, work
from lapsed.clip.editlist import from_json
from lapsed.clip.examine import Wishes
from lapsed.clip.footage import Footage, Frame, Progress, Refused, Report, footage_of_folder
from lapsed.clip.stitch import stitch
from lapsed.errors import UserError
from lapsed.settings import Clip, Judge

CLIPS = (
    Clip(name="master", codec="master", hold_end_s=0.2),
    Clip(name="wide", size_px=(160, 90), preset="ultrafast", rate=Fraction(24000, 1001)),
)


def quiet(_: Progress) -> None:
    """Nobody listens."""


def test_a_folder_becomes_clips_with_edit_lists_and_a_sheet(takes_of: Callable, ffprobe: Callable) -> None:
    folder = takes_of(6)
    heard: list[Progress] = []
    report = stitch(footage_of_folder(folder), CLIPS, None, heard.append)
    master, wide = report.clips
    assert (master.path, wide.path) == (folder / "clips" / "master.mov", folder / "clips" / "wide.mp4")
    for made in report.clips:
        stream = ffprobe(made.path)
        assert (stream["width"], stream["height"], stream["codec_name"]) == (made.width, made.height, made.codec)
        assert int(stream["nb_frames"]) == made.frames
        assert float(stream["duration"]) == pytest.approx(made.seconds, abs=2e-3)
    assert (master.frames, wide.frames) == (6 + 5, 6 + 24)
    plan = from_json((folder / "clips" / "wide.edit.json").read_text())
    assert (plan.frames, plan.pieces[0].frame) == (30, "1.jpg")
    assert sorted(path.name for path in (folder / "clips").iterdir()) == [
        "judged.csv",
        "judged.jsonl",
        "judged.svg",
        "master.edit.json",
        "master.ffconcat",
        "master.mov",
        "master.otio",
        "sheet.jpg",
        "wide.edit.json",
        "wide.ffconcat",
        "wide.mp4",
        "wide.otio",
    ]
    assert cv2.imread(str(report.sheet)) is not None
    assert [(last.clip, last.done, last.total) for last in (heard[5], heard[11], heard[-1])] == [
        ("judging", 6, 6),
        ("master", 11, 11),
        ("wide", 30, 30),
    ]
    assert heard[-1].left_s == 0
    assert heard[-2].left_s == pytest.approx(1 / heard[-2].fps)
    first = json.loads(json.dumps(report.as_json()))["clips"][0]
    assert {key: first[key] for key in ("name", "width", "height", "frames", "rate", "seconds", "codec")} == {
        "name": "master",
        "width": 320,
        "height": 240,
        "frames": 11,
        "rate": 25,
        "seconds": 0.44,
        "codec": "mjpeg",
    }


def test_frames_are_never_touched(takes_of: Callable) -> None:
    folder = takes_of(6)

    def kept() -> dict[str, tuple[bytes, int]]:
        return {path.name: (path.read_bytes(), path.stat().st_mtime_ns) for path in folder.glob("*.jpg")}

    before = kept()
    stitch(footage_of_folder(folder), CLIPS, None, quiet)
    assert len(before) == 6
    assert kept() == before


def test_strays_are_left_out_with_their_reasons(takes_of: Callable, scene: Callable, save: Callable) -> None:
    folder = takes_of(5, orientation=1)
    (folder / "2.jpg").write_bytes(b"")
    save(folder / "6.jpg", scene(240, 320))
    (folder / "7.jpg").write_bytes((folder / "1.jpg").read_bytes()[:-500])
    cv2.imwrite(str(folder / "8.png"), scene(320, 240))
    save(folder / "9.jpg", scene(320, 240), orientation=3)
    report = stitch(footage_of_folder(folder), CLIPS, None, quiet)
    assert [(Path(left.frame).name, left.reason) for left in report.left_out] == [
        ("2.jpg", "is empty"),
        ("6.jpg", "is a JPEG of 240x320, most are JPEG of 320x240"),
        ("7.jpg", "is cut off: the end of the picture is missing"),
        ("8.png", "is a PNG of 320x240, most are JPEG of 320x240"),
    ]
    assert report.remarks == ("1 frame claimed another orientation than most; all are shown the way most are",)
    assert report.clips[0].frames == 5 + 5


def test_a_rotated_take_is_reported_upright(takes_of: Callable) -> None:
    report = stitch(footage_of_folder(takes_of(2, orientation=6)), CLIPS, None, quiet)
    assert [(made.width, made.height) for made in report.clips] == [(240, 320), (160, 90)]


def test_a_frame_that_breaks_while_decoding_is_reported(takes_of: Callable) -> None:
    folder = takes_of(3)
    data = bytearray((folder / "2.jpg").read_bytes())
    at = data.index(b"\xff\xc4") + 4
    data[at + 1 : at + 17] = b"\xff" * 16
    (folder / "2.jpg").write_bytes(bytes(data))
    report = stitch(footage_of_folder(folder), CLIPS[1:], None, quiet)
    assert [Path(left.frame).name for left in report.left_out] == ["2.jpg"]
    assert "can't be decoded" in report.left_out[0].reason


def test_sizes_are_never_enlarged_unasked(takes_of: Callable) -> None:
    clips = (Clip(name="big", size_px=(640, 360)), Clip(name="bigger", size_px=(640, 360), enlarge=True))
    report = stitch(footage_of_folder(takes_of(1)), clips, None, quiet)
    assert [(made.width, made.height) for made in report.clips] == [(320, 180), (640, 360)]
    assert "too few pixels for 640x360" in report.clips[0].remarks[0]
    assert "enlarged 2.00 times" in report.clips[1].remarks[0]


def test_the_report_says_what_players_may_not_take(tmp_path: Path, save: Callable) -> None:
    noise = np.random.default_rng(1)
    for number in range(1, 26):
        save(tmp_path / f"{number}.jpg", noise.integers(0, 256, (480, 640, 3), np.uint8))
    loud = Clip(name="loud", preset="ultrafast", quality=1, hold_end_s=0)
    calm = loud.model_copy(update={"name": "calm", "quality": 40})
    wide = calm.model_copy(update={"name": "wide", "size_px": (4112, 64), "enlarge": True})
    report = stitch(footage_of_folder(tmp_path), (loud, calm, wide), None, quiet, wishes=Wishes(Judge(on=False)))
    said = {made.name: " ".join(made.remarks) for made in report.clips}
    assert "Mbit/s" in said["loud"]
    assert said["calm"] == ""
    assert "common players can't decode" in said["wide"]


def test_a_master_of_frames_that_tell_their_place_is_told_of(tmp_path: Path) -> None:
    """Pillow writes the directory of places (CIPA DC-008, 4.6.6): one frame has one, one a blank in it, one none."""
    for number, letter in enumerate(("N", " ", None), start=1):
        tags = Image.Exif()
        if letter is not None:
            tags[0x8825] = {1: letter, 2: (52.0, 31.0, 12.0), 3: "E", 4: (13.0, 24.0, 18.0)}
        picture = Image.effect_noise((320, 240), 10 * number)
        picture.save(tmp_path / f"{number}.jpg", exif=tags)
    report = stitch(footage_of_folder(tmp_path), CLIPS, None, quiet)
    said = {made.name: " ".join(made.remarks) for made in report.clips}
    assert said["master"].startswith("master tells the place where 1 of the frames were shot")
    assert "place" not in said["wide"]


def test_a_take_s_sheet_names_shots(takes_of: Callable, tmp_path: Path) -> None:
    folder = takes_of(2)
    frames = (Frame(folder / "1.jpg", shot=1, layer=3, height_mm=0.6), Frame(folder / "2.jpg", shot=2))
    report = stitch(Footage("t", folder, frames, "main"), CLIPS[:1], tmp_path / "elsewhere" / "deep", quiet)
    assert report.sheet == tmp_path / "elsewhere" / "deep" / "sheet.jpg"
    assert work._caption(frames[0]) == "shot 1   layer 3   0.60 mm"
    assert work._caption(Frame(folder / "2.jpg")) == "2.jpg"


def test_no_usable_frame_is_said_with_the_first_reason(tmp_path: Path) -> None:
    (tmp_path / "1.jpg").write_bytes(b"")
    with pytest.raises(UserError, match=r"no usable frame in .*; .*1\.jpg is empty"):
        stitch(footage_of_folder(tmp_path), CLIPS, None, quiet)
    with pytest.raises(UserError, match="no usable frame"):
        stitch(Footage("t", tmp_path, ()), CLIPS, None, quiet)


def test_pngs_have_no_master_but_other_clips(tmp_path: Path, scene: Callable) -> None:
    cv2.imwrite(str(tmp_path / "1.png"), scene(320, 240))
    report = stitch(footage_of_folder(tmp_path), CLIPS, None, quiet)
    assert [made.name for made in report.clips] == ["wide"]
    assert report.not_made == (Refused("master", "a master carries JPEGs, and these frames are PNGs"),)


def test_a_target_that_can_t_be_made_asks_for_out(takes_of: Callable) -> None:
    folder = takes_of(1)
    (folder / "clips").write_text("in the way")
    with pytest.raises(UserError, match=r"cannot make .*clips.*--out"):
        stitch(footage_of_folder(folder), CLIPS, None, quiet)


def test_too_little_space_is_said_before_starting(takes_of: Callable, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = takes_of(3)
    monkeypatch.setattr(work.shutil, "disk_usage", lambda _: SimpleNamespace(free=100))
    with pytest.raises(UserError, match="0 MB free; make room"):
        stitch(footage_of_folder(folder), CLIPS, None, quiet)
    assert [path.name for path in (folder / "clips").iterdir() if not path.name.startswith("judged")] == []


def test_space_is_reckoned_for_all_clips_before_the_first_is_made(
    takes_of: Callable, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, said = takes_of(3), []
    frames = sum(path.stat().st_size for path in folder.iterdir())
    # The master's frames fit, and 160x90 pixels at half a bit, twice, for 3 frames need 5400 bytes more.
    monkeypatch.setattr(work.shutil, "disk_usage", lambda _: SimpleNamespace(free=frames + 5000))
    clips = tuple(clip.model_copy(update={"hold_end_s": 0}) for clip in CLIPS)
    report = stitch(footage_of_folder(folder), clips, None, quiet, said=lambda report: said.extend(report.not_made))
    assert [made.name for made in report.clips] == ["master"]
    assert [each.clip for each in said] == ["wide"]
    assert "MB of other clips and" in said[0].reason
    # What is there already makes room when it is made again.
    monkeypatch.setattr(work.shutil, "disk_usage", lambda _: SimpleNamespace(free=frames + 1000))
    assert len(stitch(footage_of_folder(folder), clips, None, quiet).clips) == 2


def test_clips_that_can_t_be_made_are_found_before_the_first_is_encoded(
    takes_of: Callable, monkeypatch: pytest.MonkeyPatch
) -> None:
    clips = (
        CLIPS[1],
        Clip(name="short", length_s=0.1),
        Clip(name="edit", codec="dnxhr", size_px=(160, 90)),
        Clip(name="heights", spread="height"),
        Clip(name="huge", size_px=(16_000, 12_000), enlarge=True),
    )
    monkeypatch.setattr(delivery, "free_bytes", lambda: 1_000_000_000)
    told: list[str] = []

    def hear(report: Report) -> None:
        told.extend(each.clip for each in report.not_made)

    report = stitch(footage_of_folder(takes_of(3)), clips, None, lambda progress: told.append(progress.clip), said=hear)
    assert [made.name for made in report.clips] == ["wide"]
    assert [name for name in dict.fromkeys(told) if name != "judging"] == ["short", "edit", "heights", "huge", "wide"]
    reasons = {each.clip: each.reason for each in report.not_made}
    assert reasons["short"].startswith("a length of 0.1 s leaves nothing")
    assert "don't tell their height" in reasons["heights"]
    assert "MB of memory" in reasons["huge"]


def test_a_clip_that_fails_in_its_turn_keeps_no_other_from_being_made(
    takes_of: Callable, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise UserError("cannot write master.mov: No space left on device")

    monkeypatch.setattr(work.master, "write", refuse)
    report = stitch(footage_of_folder(takes_of(3)), CLIPS, None, quiet)
    assert [made.name for made in report.clips] == ["wide"]
    assert report.not_made == (Refused("master", "cannot write master.mov: No space left on device"),)


def test_where_no_clip_can_be_made_the_first_reason_is_said(takes_of: Callable) -> None:
    clips = (Clip(name="short", length_s=0.1), Clip(name="heights", spread="height"))
    with pytest.raises(UserError, match=r"^short can't be made: a length of 0\.1 s .*; nor can heights$"):
        stitch(footage_of_folder(takes_of(3)), clips, None, quiet)


def test_no_master_is_missed_that_nobody_asked_for(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    cv2.imwrite(str(tmp_path / "1.png"), np.full((240, 320, 3), 90, np.uint8))
    assert main(["stitch", str(tmp_path), "--size", "64x36", "--json"]) == 0
    report = json.loads(capsys.readouterr().out)
    assert [clip["name"] for clip in report["clips"]] == ["wide"]
    assert report["not_made"] == []


def test_the_command_says_what_is_missing_even_when_quiet(takes_of: Callable, capsys: pytest.CaptureFixture) -> None:
    folder = takes_of(1)
    (folder / "1.jpg").rename(folder / "1.txt")
    cv2.imwrite(str(folder / "1.png"), np.full((240, 320, 3), 90, np.uint8))
    for words, stream in ((["--quiet"], "err"), ([], "out")):
        assert main(["stitch", str(folder), "--size", "64x36", "--clip", "master", "--clip", "wide", *words]) == 1
        told = getattr(capsys.readouterr(), stream)
        assert "not made master: a master carries JPEGs, and these frames are PNGs\n" in told


def test_a_sheet_that_can_t_be_written_leaves_the_clips(takes_of: Callable, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise UserError("cannot write sheet.jpg: No space left on device")

    monkeypatch.setattr(work.sheet, "write", full)
    report = stitch(footage_of_folder(takes_of(3)), CLIPS, None, quiet)
    assert [made.name for made in report.clips] == [clip.name for clip in CLIPS]
    assert report.sheet is None
    assert report.remarks == ("there is no contact sheet: cannot write sheet.jpg: No space left on device",)


CHILD = """
import signal, sys
from pathlib import Path
from types import SimpleNamespace
from lapsed.clip.footage import footage_of_folder
from lapsed.clip.stitch import stitch
from lapsed.settings import Clip, Judge
def told(progress):
    if progress.clip != "c":
        return
    print(progress.done, flush=True)
    if progress.done == 3:
        sys.stdin.readline()
signal.signal(signal.SIGINT, signal.default_int_handler)  # ignored where a shell runs the tests in the background
stitch(footage_of_folder(Path(sys.argv[1])), [Clip(name="c", length_s=60.0)], None, told)
"""


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_stitch_that_is_ended_leaves_no_debris(takes_of: Callable, number: signal.Signals) -> None:
    folder = takes_of(4)
    with subprocess.Popen(
        [sys.executable, "-c", CHILD, str(folder)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    ) as child:
        assert child.stdout is not None
        assert [child.stdout.readline() for _ in range(3)] == ["1\n", "2\n", "3\n"]
        child.send_signal(number)
        child.communicate(timeout=20)
    assert child.returncode != 0
    left = sorted(path.name for path in (folder / "clips").iterdir())
    assert left == ["c.edit.json", "c.ffconcat", "c.otio", "judged.csv", "judged.jsonl", "judged.svg"]


def test_every_codec_makes_a_clip_that_an_outside_reader_counts(takes_of: Callable, ffprobe: Callable) -> None:
    folder = takes_of(5, (320, 240))
    clips = [
        Clip.model_validate({"name": word, "codec": word, "preset": "ultrafast", "hold_end_s": 0.2})
        for word in ("h264", "h265", "av1", "prores", "dnxhr", "dnxhr-hqx")
    ]
    report = stitch(footage_of_folder(folder), clips, None, quiet)
    assert [made.name for made in report.clips] == [clip.name for clip in clips]
    for made in report.clips:
        stream = ffprobe(made.path, "-count_frames")
        assert (stream["codec_name"], stream["nb_frames"], stream["nb_read_frames"]) == (made.codec, "10", "10")
        assert (stream["r_frame_rate"], float(stream["start_time"])) == ("25/1", 0)


def test_a_preview_is_small_and_moves(takes_of: Callable) -> None:
    folder = takes_of(3, (1280, 960))
    report = stitch(footage_of_folder(folder), [Clip(name="p", codec="preview", hold_end_s=0.08)], None, quiet)
    made = report.clips[0]
    assert (made.path.name, made.width, made.height) == ("p.webp", 640, 480)
    _, animation = cv2.imreadanimation(str(made.path))
    assert (len(animation.frames), animation.loop_count) == (3, 0)
    assert list(animation.durations) == [40, 40, 120]


def test_a_codec_that_takes_no_such_size_is_said(takes_of: Callable) -> None:
    clips = [Clip(name="edit", codec="dnxhr", size_px=(160, 90)), CLIPS[1]]
    report = stitch(footage_of_folder(takes_of(2)), clips, None, quiet)
    assert [made.name for made in report.clips] == ["wide"]
    assert report.not_made == (Refused("edit", "DNxHR HQ takes no less than 256x120, and it is 160x90"),)
