import argparse
import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import pytest

from lapsed import clip_options, settings
from lapsed.__main__ import main
from lapsed.settings import Clip


def parsed(*words: str) -> Any:
    parser = argparse.ArgumentParser()
    clip_options.add(parser)
    return clip_options.given(parser.parse_args(words))


def test_options_stand_in_for_the_keys_of_a_clip() -> None:
    words = "--aspect 9:16 --fit --bars #203040 --focus .2,.3 --zoom 1.5 --end-focus 0.5,0.5 --end-zoom 2 --enlarge"
    words += " --codec h265 --burn-in layer,elapsed --rate 29.97 --length 12 --hold-start 1 --hold-end 2.5 --ease-in 1"
    words += " --ease-out 2 --spread time --choose sharpest --between dissolve"
    made = clip_options.changed(Clip(name="wide", size_px=(320, 180)), parsed(*words.split()))
    assert made == Clip(
        name="wide",
        codec="h265",
        aspect="9:16",
        fill=False,
        bars="#203040",
        focus=(0.2, 0.3),
        zoom=1.5,
        end_focus=(0.5, 0.5),
        end_zoom=2,
        enlarge=True,
        burn_in=("layer", "elapsed"),
        rate=settings.STANDARD_RATES["29.97"],
        length_s=12,
        hold_start_s=1,
        hold_end_s=2.5,
        ease_in_s=1,
        ease_out_s=2,
        spread="time",
        choose="sharpest",
        between="dissolve",
    )
    assert clip_options.changed(Clip(name="a", aspect="1:1"), parsed("--size", "64x36")).aspect is None


def test_a_preview_for_once_has_the_clip_s_shape_and_its_own_size() -> None:
    wide = Clip(name="wide", size_px=(3840, 2160))
    made = clip_options.changed(wide, parsed("--codec", "preview"))
    assert (made.size_px, made.aspect) == (None, "16:9")
    assert clip_options.changed(wide, parsed("--codec", "preview", "--size", "1280x720")).size_px == (1280, 720)
    assert clip_options.changed(wide, parsed("--codec", "av1")).size_px == (3840, 2160)


def test_a_master_takes_what_concerns_its_pace_alone() -> None:
    made = clip_options.changed(Clip(name="m", codec="master"), parsed("--size", "64x36", "--every-frame", "--fit"))
    assert made == Clip(name="m", codec="master", every_frame=True)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ("--size 7x7", "argument --size: 7x7 can't be a clip's size: both sides are even numbers from 16 to 16384"),
        ("--size 7", "argument --size: '7' is not a size; write it like 3840x2160"),
        ("--size 99999999999999999999x2", "argument --size: '99999999999999999999x2' is not a size"),
        ("--rate 0", "argument --rate: '0' is not a frame rate: write 23.976, 24"),
        ("--rate 1e999999999", "argument --rate: '1e999999999' is not a frame rate"),
        ("--length -2", "argument --length: '-2' has to be more than 0 s"),
        ("--length soon", "argument --length: 'soon' has to be a number, in s"),
        ("--length nan", "argument --length: 'nan' has to be 3600 s or less"),
        ("--ease-in 601", "argument --ease-in: '601' has to be 600 s or less"),
        ("--codec mpeg", "argument --codec: invalid choice: 'mpeg' (choose from 'h264', "),
        ("--workers 0", "argument --workers: '0' is not a whole number from 1 to 64"),
        ("--workers 1.5", "argument --workers: '1.5' is not a whole number"),
        ("--aspect 9/16", "argument --aspect: '9/16' is not an aspect: write width and height as in 9:16"),
        ("--aspect 999:1", "argument --aspect: '999:1' is not an aspect"),
        ("--zoom 0.5", "argument --zoom: '0.5' has to be 1 or more"),
        ("--end-zoom x", "argument --end-zoom: 'x' has to be a number"),
        ("--bars red", "argument --bars: 'red' is not a colour; write it like #203040"),
        ("--focus 2,0", "argument --focus: '2,0' has to be 1 or less"),
        ("--end-focus 2", "argument --end-focus: '2' is not a spot; write it like 0.5,0.4"),
        ("--burn-in speed", "argument --burn-in: 'speed' has to be 'layer', 'height' or 'elapsed'"),
        ("--size 320x240 --aspect 9:16", "--size and aspect both say the shape; leave one of them out"),
        ("--every-frame --between dissolve", "frames between output frames; leave --every-frame out"),
    ],
)
def test_a_value_that_makes_no_sense_is_one_sentence_with_its_option(
    words: str, says: str, takes_of: Callable, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = takes_of(1)
    status, out, error = run(capsys, str(folder), *words.split())
    assert (status, out, error.count("\n")) == (2, "", 1)
    assert says in error
    assert not (folder / "clips").exists()


def test_a_store_and_a_folder_of_pictures_are_no_takes(takes_of: Callable, capsys: pytest.CaptureFixture[str]) -> None:
    folder = takes_of(1)
    assert "has no cameras: leave --camera out" in run(capsys, str(folder), "--camera", "main")[2]
    (folder / "take.db").touch()
    assert f"{folder.parent} holds takes; name one of them, such as {folder}" in run(capsys, str(folder.parent))[2]


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    status = main(["stitch", *words])
    out, error = capsys.readouterr()
    return status, out, error


CONFIG = """
[[printer]]
name = "workbench"
link = { kind = "feed", url = "ws://127.0.0.1:1/" }
cadence = { every_layers = 1, park = false }

[[printer.camera]]
kind = "gphoto"
exposure_s = 0.1

[[clip]]
name = "wide"
size_px = [160, 90]
hold_end_s = 0.0
preset = "ultrafast"
"""


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "lapsed.toml"
    path.write_text(CONFIG)
    return path


def test_an_edit_list_gives_the_same_clip_again_byte_for_byte(
    takes_of: Callable, config: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, again = takes_of(5), tmp_path / "again"
    words = "--length 1 --between dissolve --end-zoom 1.5 --fit --bars #102030 --json --quiet"
    status, out, _ = run(capsys, str(folder), "--config", str(config), *words.split())
    assert status == 0
    (made,) = json.loads(out)["clips"]
    assert (made["frames"], made["account"]["used"]) == (25, 5)
    assert made["account"]["end_crop"]["width"] == pytest.approx(320 / 1.5, abs=1e-3)
    saved = folder / "clips" / "wide.edit.json"
    status, out, _ = run(capsys, str(folder), "--edit-list", str(saved), "--out", str(again), "--json", "--quiet")
    assert status == 0
    assert json.loads(out)["sheet"] is None
    digests = {hashlib.sha256((place / "wide.mp4").read_bytes()).digest() for place in (folder / "clips", again)}
    assert len(digests) == 1
    assert (again / "wide.edit.json").read_bytes() == saved.read_bytes()


def test_an_edit_list_changed_by_hand_is_stitched_as_it_says(
    takes_of: Callable, config: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], ffprobe: Callable
) -> None:
    folder = takes_of(4)
    assert run(capsys, str(folder), "--config", str(config), "--quiet")[0] == 0
    plain = json.loads((folder / "clips" / "wide.edit.json").read_text())
    plain["clip"] = "short"
    plain["pieces"] = [{**plain["pieces"][2], "shows": 7}, plain["pieces"][0]]
    mine = tmp_path / "mine.json"
    mine.write_text(json.dumps(plain))
    status, out, _ = run(capsys, str(folder), "--edit-list", str(mine))
    assert status == 0
    assert "short    160x90, 8 frames at 25 a second" in out
    assert "2 frames used, 2 dropped; crop 320x180 at 0, 30; scale 0.50" in out
    assert ffprobe(folder / "clips" / "short.mp4")["nb_frames"] == "8"


def test_what_an_edit_list_can_t_do_is_said_in_a_sentence(
    takes_of: Callable, save: Callable, scene: Callable, config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = takes_of(2)
    assert run(capsys, str(folder), "--config", str(config), "--quiet")[0] == 0
    saved = str(folder / "clips" / "wide.edit.json")

    def refused(*words: str) -> str:
        status, _, error = run(capsys, str(folder), "--edit-list", saved, *words)
        assert status == 2
        assert error.count("\n") == 1
        return error

    assert "an edit list says all of its clip" in refused("--size", "64x36")
    assert "an edit list says all of its clip" in refused("--clip", "wide")
    save(folder / "2.jpg", scene(240, 320))
    assert "is for frames of 320x240, and" in refused()
    (folder / "2.jpg").unlink()
    assert "2.jpg, which is missing" in refused()


def test_an_edit_list_of_a_master_carries_no_png(
    takes_of: Callable, scene: Callable, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    folder = tmp_path / "pngs"
    folder.mkdir()
    cv2.imwrite(str(folder / "1.png"), scene(320, 240))
    text = (
        '{"clip": "m", "codec": "master", "size": [320, 240], "rate": "25", "stored": [320, 240], "orientation": 1,'
        ' "quality": 18, "preset": "medium", "pieces": [{"frame": "1.png", "shows": 2,'
        ' "crop": {"x": 0, "y": 0, "width": 320, "height": 240}}]}'
    )
    (folder / "m.json").write_text(text)
    status, _, error = run(capsys, str(folder), "--edit-list", str(folder / "m.json"))
    assert status == 2
    assert "a master carries JPEGs" in error
