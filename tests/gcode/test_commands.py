import json
import os
import sys
from pathlib import Path

import pytest

from lapsed import __main__, gcode_files
from lapsed.errors import UserError

BODY = "G28\nG92 E0\nG1 F3000\n" + "".join(f"G1 Z{0.2 * i:.1f}\nG1 X50 Y50\nG1 X90 E{i}\n" for i in range(1, 21))


@pytest.fixture
def part(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "none"))
    monkeypatch.setenv("HOME", str(tmp_path))
    path = tmp_path / "part.gcode"
    path.write_text(BODY)
    return path


def call(*arguments: object) -> int:
    words = [str(each) for each in arguments]
    args = __main__._parser(words).parse_args(words)
    return int(args.func(args))


def test_plan_of_a_file(part: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call("plan", part, "--every", 2, "--json", "--heights", "--plot", part.with_suffix(".svg")) == 0
    document = json.loads(capsys.readouterr().out)
    assert (document["layers"], document["shots"], document["cadence"]) == (20, 10, {"every_layers": 2})
    assert document["heights_mm"][-1] == 4
    assert part.with_suffix(".svg").read_text().startswith("<svg")
    assert call("plan", part) == 0
    assert "20 layers" in capsys.readouterr().out


def test_plan_without_a_file(part: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call("plan", "--print-time", "1h55m", "--layers", 192, "--length", 12, "--json") == 0
    document = json.loads(capsys.readouterr().out)
    assert (document["print_s"], document["layers"], document["clip_s"]) == (6900, 192, 12)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["plan"], "give a file, or both --print-time and --layers"),
        (["plan", "FILE", "--layers", "3"], "not both"),
        (["plan", "nowhere.gcode"], "nowhere.gcode can't be read: No such file or directory"),
        (["plan", "FILE", "--length", "0"], "'0' is not a number from 0.01 to 36000"),
        (["plan", "FILE", "--printer", "x"], "configuration"),
        (["plan", "FILE", "--plot", "/nowhere/x.svg"], "can't be written"),
        (["mark", "FILE", "FILE"], "is the file that is read"),
        (["mark", "FILE", "/nowhere/x"], "can't be written"),
        (["mark", "FILE", "OUT", "--park", "900,1"], "lies outside the bed"),
        (["mark", "FILE", "OUT", "--undo"], "is not marked"),
        (["mark", "/dev/null", "OUT"], "has no layers"),
        (["plan", "/dev/null"], "has no layers: nothing in it feeds filament while the head moves"),
        (["plan", sys.executable], "is it G-code. line 1: it "),
        (["mark", "--watch", "FILE", "OUT"], "is no folder"),
    ],
)
def test_bad_input_is_told_in_a_sentence(part: Path, arguments: list[str], says: str) -> None:
    given = [str(part) if each == "FILE" else str(part.parent / "out") if each == "OUT" else each for each in arguments]
    with pytest.raises(UserError, match=says):
        call(*given)


@pytest.mark.parametrize(
    "arguments",
    [
        ["plan", "--print-time", "soon"],
        ["plan", "--print-time", "9" * 400 + "h"],
        ["plan", "--layers", "0"],
        ["plan", "--rate", "999"],
        ["plan", "--cycle", "-1"],
        ["plan", "--cycle=-1"],
        ["plan", "--file-mb", "nan"],
        ["plan", "--card-mb", "much"],
        ["mark", "a", "b", "--park", "here"],
        ["mark", "a", "b", "--park", "nan,1"],
    ],
)
def test_bad_arguments_are_refused(arguments: list[str]) -> None:
    with pytest.raises(UserError):
        call(*arguments)


def test_mark_and_undo(part: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out, back = part.with_name("out.gcode"), part.with_name("back.gcode")
    assert call("mark", part, out, "--length", 0.2, "--park", "auto", "--json") == 0
    summary = json.loads(capsys.readouterr().out)
    assert (summary["shots"], summary["layers"], summary["refused"]) == (5, 20, 0)
    assert out.read_text().count("M118 lapsed cue") == 5
    with pytest.raises(UserError, match="marked already"):
        call("mark", out, back)
    assert not back.exists()
    assert call("mark", out, back, "--undo") == 0
    assert back.read_bytes() == part.read_bytes()
    assert not list(part.parent.glob(".*.part"))


def test_an_inbox_gives_out_complete_files_once(tmp_path: Path) -> None:
    inbox, outbox = tmp_path / "in", tmp_path / "out"
    inbox.mkdir()
    outbox.mkdir()
    box = gcode_files.Inbox(inbox, outbox)
    path = inbox / "a.gcode"
    path.write_text("G1")
    (inbox / ".hidden").write_text("G1")
    (inbox / "empty").touch()
    assert box.look() == []
    path.write_text("G1 X1")
    assert box.look() == []
    assert box.look() == [path]
    assert box.look() == []
    path.write_text("G1 X2\n")
    box.look()
    assert box.look() == [path]
    (outbox / "a.gcode").write_text("made")
    os.utime(path, ns=(1, 1))
    box.look()
    assert box.look() == []


def test_snippet(part: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call("snippet", "--layer-word", "[n]") == 0
    assert "M118 lapsed cue [n]\n" in capsys.readouterr().out


CONFIGURATION = """
[[printer]]
name = "bench"
link = {kind = "feed", url = "ws://127.0.0.1:1/"}
camera = [{kind = "gphoto", exposure_s = 1.0}]
[printer.machine]
park_point_mm = [5.0, 5.0]
"""


def test_the_configuration_is_heeded(part: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = part.with_name("lapsed.toml")
    config.write_text(CONFIGURATION)
    assert call("snippet", "--config", config) == 0
    out = capsys.readouterr().out
    assert "G1 X5 Y5 " in out
    assert "G4 P1600" in out
    with pytest.raises(UserError, match="there is no printer 'other' in the configuration; it has bench"):
        call("plan", part, "--config", config, "--printer", "other")


def test_trouble_in_a_file_is_logged_in_short(part: Path, caplog: pytest.LogCaptureFixture) -> None:
    part.write_text(BODY + "G1 ??\n" * 9)
    assert call("plan", part) == 0
    assert sum("is no word" in each.message for each in caplog.records) == 5
    assert "has 9 such lines" in caplog.text


def test_watching_marks_what_comes_and_leaves_what_it_cannot(
    part: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    inbox, outbox = part.with_name("in"), part.with_name("out")
    inbox.mkdir()
    outbox.mkdir()
    (inbox / "a.gcode").write_text(BODY)
    (inbox / "b.gcode").write_text("G28\n")
    looks: list[float] = []

    def sleep(seconds: float) -> None:
        looks.append(seconds)
        if len(looks) == 3:
            raise KeyboardInterrupt

    monkeypatch.setattr(gcode_files.time, "sleep", sleep)
    with pytest.raises(KeyboardInterrupt):
        call("mark", "--watch", inbox, outbox)
    assert [path.name for path in outbox.iterdir()] == ["a.gcode"]
    assert "b.gcode is left alone" in caplog.text
    with pytest.raises(UserError, match="must differ"):
        call("mark", "--watch", inbox, inbox)


def test_a_file_that_changes_while_it_is_marked_is_not_marked(part: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def late(*arguments: object, **more: object) -> object:
        part.write_text(BODY + "G1 X5 E90\n")
        return marking(*arguments, **more)

    marking = gcode_files.mark.marking
    monkeypatch.setattr(gcode_files.mark, "marking", late)
    with pytest.raises(UserError, match="was changed while it was read"):
        call("mark", part, part.with_name("out.gcode"))
    assert not part.with_name("out.gcode").exists()


CLIPS = CONFIGURATION.replace("park_point_mm", "keep_out_mm = [[40.0, 0.0, 60.0, 30.0]]\npark_point_mm")


def test_a_park_point_in_a_keep_out_is_refused(part: Path) -> None:
    config = part.with_name("lapsed.toml")
    config.write_text(CLIPS)
    with pytest.raises(UserError, match="lies within a rectangle of keep_out_mm"):
        call("mark", part, part.with_name("out"), "--config", config, "--park", "50,10")


def test_a_park_point_over_the_part_is_warned_of(part: Path, caplog: pytest.LogCaptureFixture) -> None:
    part.write_text("G28\nG92 E0\nG1 F3000 Z0.2\nG1 X50 Y50\nG1 X90 E1\nG1 Y90 E2\nG1 X50 E3\nG1 Y50 E4\n")
    assert call("mark", part, part.with_name("out"), "--park", "70,70") == 0
    assert "the park point 70,70 lies over the part" in caplog.text


def test_shots_between_layers_are_planned_and_marked(part: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call("plan", part, "--length", 2, "--fill", "between", "--json") == 0
    document = json.loads(capsys.readouterr().out)
    assert call("mark", part, part.with_name("out"), "--length", 2, "--fill", "between", "--json") == 0
    summary = json.loads(capsys.readouterr().out)
    assert document["shots"] == summary["shots"] > document["layers"]
    assert len(document["shot_layers"]) == len(document["shot_s"]) == len(document["shot_park_s"]) == document["shots"]


def test_a_disk_that_tells_no_room_is_passed_over(part: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(path: object) -> None:
        raise OSError

    monkeypatch.setattr(gcode_files.shutil, "disk_usage", refuse)
    config = part.with_name("lapsed.toml")
    config.write_text(CONFIGURATION + '\n[store]\nfolder = "/nowhere/at/all"\n')
    assert call("plan", part, "--config", config) == 0


def test_an_inbox_that_goes_away_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    inbox, outbox = tmp_path / "in", tmp_path / "out"
    inbox.mkdir()
    outbox.mkdir()
    monkeypatch.setattr(gcode_files.time, "sleep", lambda _: inbox.rmdir())
    with pytest.raises(UserError, match="can't be read any more: No such file"):
        call("mark", "--watch", inbox, outbox)


def test_a_file_that_goes_while_an_inbox_is_looked_at_is_passed_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "a.gcode").write_text("G1")
    box = gcode_files.Inbox(tmp_path, tmp_path)

    def gone(path: Path) -> bool:
        path.unlink()
        return True

    monkeypatch.setattr(Path, "is_file", gone)
    assert box.look() == []


def test_a_full_bed_has_no_free_point(part: Path) -> None:
    part.write_text("G28\nG92 E0\nG1 F3000 Z0.2\nG1 X220 E5\nG1 Y220 E9\nG1 X0 E12\n")
    with pytest.raises(UserError, match="there is no free spot"):
        call("mark", part, part.with_name("out"), "--park", "auto")


def test_a_part_too_high_cannot_be_marked(part: Path, caplog: pytest.LogCaptureFixture) -> None:
    part.write_text("G28\nG92 E0\nG1 F3000 Z249.9\nG1 X20 Y20 E5\n")
    with pytest.raises(UserError, match="can't be marked: travelling above the print"):
        call("mark", part, part.with_name("out"))
    assert "there is no shot after layer 1" in caplog.text
