"""Installing as a service below a folder of the test's, and taking it off again."""

import json
import re
import subprocess
from pathlib import Path

import pytest

from lapsed import installation
from lapsed.__main__ import main
from lapsed.errors import UserError

SYSTEMD = Path(__file__).parents[1] / "systemd"


@pytest.fixture(autouse=True)
def homes(monkeypatch):
    """The tests themselves may be run from a home folder, or by a Python that lies in one."""
    monkeypatch.setattr(installation, "HOMES", ("/home/otter", "/root/otter"))


def files(root):
    return {str(path.relative_to(root)) for path in root.rglob("*") if path.is_file()}


def test_everything_that_ships_is_written_with_the_right_paths_and_taken_off_again(tmp_path, capsys):
    (tmp_path / "kept").write_text("of someone else's")
    assert main(["install-service", "--root", str(tmp_path), "--yes", "--config", "/srv/lapsed/my.toml"]) == 0
    assert len(files(tmp_path)) == 2 + len(list(SYSTEMD.iterdir()))
    unit = (tmp_path / "etc/systemd/system/lapsed.service").read_text()
    assert f"ExecStart={installation.program()} run --config /srv/lapsed/my.toml" in unit
    job = (tmp_path / "etc/systemd/system/lapsed-stitch@.service").read_text()
    assert f"ExecStart={installation.program().parent}/python -m lapsed.stitch_job" in job
    assert "next: lapsed init --out /srv/lapsed/my.toml --store /var/lib/lapsed" in capsys.readouterr().out
    assert main(["install-service", "--root", str(tmp_path), "--yes", "--undo"]) == 0
    assert files(tmp_path) == {"kept"}


def test_what_someone_changed_is_left_by_undoing(tmp_path, capsys):
    main(["install-service", "--root", str(tmp_path), "--yes"])
    rules = tmp_path / "etc/udev/rules.d/70-lapsed.rules"
    rules.write_text("# mine now\n")
    assert main(["install-service", "--root", str(tmp_path), "--yes", "--undo"]) == 0
    assert files(tmp_path) == {"etc/udev/rules.d/70-lapsed.rules"}
    assert "it was changed since" in capsys.readouterr().out


def test_nothing_is_done_unasked(tmp_path, capsys, monkeypatch):
    assert main(["install-service", "--root", str(tmp_path)]) == 1
    assert "nothing done" in capsys.readouterr().err
    assert main(["install-service", "--root", str(tmp_path), "--show"]) == 0
    assert "[Service]" in capsys.readouterr().out
    assert files(tmp_path) == set()
    assert main(["install-service", "--root", str(tmp_path), "--undo", "--yes"]) == 2
    assert "nothing to undo" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("program", "config", "says"),
    [
        ("/home/otter/venv/bin/lapsed", "/etc/lapsed/lapsed.toml", "the program .* lies in a home folder"),
        ("/opt/lapsed/bin/lapsed", "/root/otter/lapsed.toml", "the configuration .* lies in a home folder"),
        ("/opt/my lapsed/bin/lapsed", "/etc/lapsed/lapsed.toml", "a space or a sign"),
    ],
)
def test_what_the_service_could_not_reach_is_refused(program, config, says):
    with pytest.raises(UserError, match=says):
        installation.planned(Path(program), Path(config), lambda _: "")


def test_a_python_that_the_service_could_not_reach_is_refused(tmp_path, monkeypatch):
    home, bin_ = tmp_path / "home", tmp_path / "opt" / "bin"
    for folder in (home, bin_):
        folder.mkdir(parents=True)
    (home / "python3.11").write_text("")
    (bin_ / "python").symlink_to(home / "python3.11")
    monkeypatch.setattr(installation, "HOMES", (str(home),))
    with pytest.raises(UserError, match=r"the Python of lapsed, .*/home/python3.11 lies in a home folder"):
        installation.planned(bin_ / "lapsed", Path("/etc/lapsed/lapsed.toml"), lambda _: "")


def test_it_starts_at_once_only_where_there_is_a_configuration(tmp_path):
    config = tmp_path / "lapsed.toml"
    before = installation.planned(Path("/opt/lapsed/bin/lapsed"), config, lambda _: "")
    config.write_text("")
    after = installation.planned(Path("/opt/lapsed/bin/lapsed"), config, lambda _: "")
    assert (before.commands[-1], after.commands[-1]) == (installation.ENABLE, installation.ENABLE_NOW)


def test_a_place_that_cannot_be_written_is_told_in_a_sentence(tmp_path, capsys):
    (tmp_path / "etc").write_text("a file")
    assert main(["install-service", "--root", str(tmp_path), "--yes"]) == 2
    assert "cannot write" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("installed", "stopped"),
    [
        (["lapsed.service"], ["disable --now lapsed.service"]),
        (["lapsed.service", "lapsed-stitch.socket"], ["disable --now lapsed.service", "stop lapsed-stitch.socket"]),
    ],
)
def test_undoing_stops_what_was_installed_and_asks_for_nothing_else(tmp_path, monkeypatch, installed, stopped):
    # systemctl(1) fails for a unit that isn't there, and an older version had no socket.
    record = tmp_path / "installed.json"
    record.write_text(json.dumps({"files": {installation.PLACES[name]: "changed since" for name in installed}}))
    monkeypatch.setattr(installation, "RECORD", record)
    ran = []
    monkeypatch.setattr(installation, "_run", lambda command, _: ran.append(" ".join(command)))
    installation.undo(Path("/"), lambda _: None)
    assert ran[: -len(installation.AFTER_UNDOING)] == [f"systemctl {words}" for words in stopped]


def test_devices_are_opened_by_class_and_not_by_maker():
    rules = (SYSTEMD / "lapsed.rules").read_text()
    assert not re.search(r"idVendor|idProduct|ID_VENDOR|ID_MODEL", rules)
    # USB class codes: 06 is Image; the interface string is made by udev's usb_id as ":ccsspp:".
    assert ":060101:" in rules


def test_systemd_makes_the_user_and_the_folders(tmp_path):
    for path in ("etc", "var/lib", "usr/lib/sysusers.d"):
        (tmp_path / path).mkdir(parents=True)
    groups = "plugdev:x:46:\nvideo:x:44:\ndialout:x:20:\n"
    (tmp_path / "etc/group").write_text(groups)
    made = subprocess.run(
        ["systemd-sysusers", f"--root={tmp_path}", str(SYSTEMD / "lapsed.sysusers")],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert made.returncode == 0, made.stderr
    assert re.search(r"^lapsed:x:", (tmp_path / "etc/passwd").read_text(), re.MULTILINE)
    assert re.search(r"^video:.*:lapsed$", (tmp_path / "etc/group").read_text(), re.MULTILINE)
