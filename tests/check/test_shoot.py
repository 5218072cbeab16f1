"""`lapsed shoot` as a person runs it."""

import json
import signal
import subprocess
import sys

import pytest

from lapsed.__main__ import main
from lapsed.clip.probe import Picture, probe
from lapsed.commands_camera import for_focus
from lapsed.settings import GphotoCamera

AWAY = "ws://127.0.0.1:9/"


def test_one_frame_lands_where_it_was_asked_for(configured, tmp_path, capsys):
    config = configured(AWAY)
    assert main(["shoot", "--config", str(config), "--out", str(tmp_path / "test.jpg")]) == 0
    assert f"{tmp_path / 'test.jpg'}, from " in capsys.readouterr().out
    assert isinstance(probe(tmp_path / "test.jpg"), Picture)
    assert main(["shoot", "--config", str(config), "--out", str(tmp_path / "b.jpg"), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["files"] == [str(tmp_path / "b.jpg")]
    assert 0 < told["exposed_s"] <= told["landed_s"]


def test_focus_updates_picture_and_figure_until_interrupted(configured, tmp_path):
    command = [sys.executable, "-m", "lapsed", "shoot", "--focus", "--config", str(configured(AWAY))]
    command += ["--out", str(tmp_path / "focus.jpg"), "--at", "0.4,0.6"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as focusing:
        lines = [focusing.stdout.readline() for _ in range(2)]
        lines.append(focusing.stdout.readline())
        first = (tmp_path / "focus.jpg").stat().st_ino
        lines.append(focusing.stdout.readline())
        assert first != (tmp_path / "focus.jpg").stat().st_ino
        focusing.send_signal(signal.SIGINT)
        rest = focusing.stdout.read()
    assert focusing.returncode == 0
    assert [line.split()[0] for line in lines[2:]] == ["sharp", "sharp"]
    assert "best" in rest
    assert isinstance(probe(tmp_path / "focus.jpg"), Picture)


def test_frames_for_focusing_are_not_kept_on_the_card():
    kept = GphotoCamera(keep_on_card=True, serial="7")
    assert for_focus(kept) == GphotoCamera(serial="7")


def test_focus_tells_a_missed_shot_and_goes_on(configured, tmp_path):
    config = configured(AWAY)
    picture = tmp_path / "card" / "DCIM" / "100OTTER" / "OTTR0001.JPG"
    whole = picture.read_bytes()
    picture.write_bytes(b"")
    command = [
        sys.executable,
        "-m",
        "lapsed",
        "shoot",
        "--focus",
        "--config",
        str(config),
        "--out",
        str(tmp_path / "f"),
    ]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as focusing:
        lines = [focusing.stdout.readline() for _ in range(3)]
        picture.write_bytes(whole)
        while not focusing.stdout.readline().startswith("sharp"):
            pass
        focusing.send_signal(signal.SIGINT)
        focusing.stdout.read()
    assert lines[2].startswith("missed: ")


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("--camera", "none"), "printer 'ottermole' has no camera 'none'; it has main, side"),
        (("--at", "2,2"), "'2,2' is not a spot"),
        (("--at", "a"), "'a' is not two numbers; write it like 0.5,0.6"),
        (("--out", "/nowhere/at/all.jpg"), "there is no folder /nowhere/at to write all.jpg to"),
        (("--out", "/proc/self/a.jpg"), "cannot write /proc/self/a.jpg: "),
    ],
)
def test_bad_input_is_told_in_a_sentence(configured, arguments, told, capsys):
    assert main(["shoot", "--config", str(configured(AWAY)), *arguments]) == 2
    assert told in capsys.readouterr().err


def test_a_camera_that_is_away_is_told_in_a_sentence(configured, monkeypatch, capsys):
    config = configured(AWAY)
    monkeypatch.delenv("VCAMERADIR")
    assert main(["shoot", "--config", str(config)]) == 1
    assert "no camera is found on USB" in capsys.readouterr().err
