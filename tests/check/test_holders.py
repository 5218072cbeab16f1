"""Who has a camera open, from trees laid out as the kernel lays out /proc and /sys (proc(5), sysfs-bus-usb)."""

import os
import subprocess
import sys

import pytest

from lapsed.check.facts import Holder
from lapsed.check.holders import camera_nodes, daemon, holders


@pytest.fixture
def proc(tmp_path):
    def add(pid, *arguments, files=(), cwd=None):
        process = tmp_path / str(pid)
        (process / "fd").mkdir(parents=True)
        (process / "cmdline").write_bytes(b"".join(word.encode() + b"\0" for word in arguments))
        (process / "comm").write_text("viewer\n")
        (process / "cwd").symlink_to(cwd or tmp_path)
        for number, file in enumerate(files):
            (process / "fd" / str(number)).symlink_to(file)

    (tmp_path / "self").mkdir()
    add.path = tmp_path
    return add


def test_finds_who_has_a_device_open(proc):
    proc(7, "viewer", files=("/dev/null", "/dev/bus/usb/001/004"))
    proc(8, "shell", files=("/dev/null", "/dev/bus/usb/001/005"))
    (proc.path / "9").mkdir()  # gone while we looked
    assert holders({"/dev/bus/usb/001/004"}, proc.path) == (Holder(7, "viewer", "/dev/bus/usb/001/004"),)
    (proc.path / "7" / "comm").unlink()
    assert holders({"/dev/bus/usb/001/004"}, proc.path)[0].program == "a program"


def test_finds_a_real_process(tmp_path):
    file = tmp_path / "device"
    file.touch()
    program = f"import sys; file = open({str(file)!r}); print('open', flush=True); sys.stdin.read()"
    with subprocess.Popen([sys.executable, "-c", program], stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        assert process.stdout.readline() == b"open\n"
        assert [holder.pid for holder in holders({str(file)})] == [process.pid]
        process.stdin.close()


def test_finds_still_cameras_on_usb(tmp_path):
    for name, kind, number in (("1-2", "06\n", "4\n"), ("1-3", "08\n", "5\n"), ("1-4", "06\n", "not a number")):
        (tmp_path / name).mkdir()
        (tmp_path / name / "busnum").write_text("1\n")
        (tmp_path / name / "devnum").write_text(number)
        (tmp_path / f"{name}:1.0").mkdir()
        (tmp_path / f"{name}:1.0" / "bInterfaceClass").write_text(kind)
    assert camera_nodes(tmp_path) == {"/dev/bus/usb/001/004"}
    assert camera_nodes(tmp_path / "none") == frozenset()


@pytest.mark.parametrize(
    ("arguments", "runs"),
    [
        (("python", "-m", "lapsed", "run", "--config", "lapsed.toml"), True),
        (("python", "-m", "lapsed", "--verbose", "run", "--config=lapsed.toml"), True),
        (("python", "/opt/bin/lapsed", "run", "--config", "lapsed.toml"), True),
        (("lapsed", "run"), True),
        (("python", "-m", "lapsed", "run", "--config", "other.toml"), False),
        (("python", "-m", "lapsed", "takes"), False),
        (("python", "-m", "lapsed"), False),
        (("grep", "lapsed"), False),
        (("python", "-m", "lapsed", "--version", "-x"), False),
        ((), False),
    ],
)
def test_finds_a_daemon_with_the_same_configuration(proc, arguments, runs):
    config = proc.path / "lapsed.toml"
    config.touch()
    proc(4711, *arguments)
    (proc.path / "4712").mkdir()
    assert daemon(config, (proc.path / "none.toml", config), proc.path) == (4711 if runs else None)


def test_we_are_no_daemon_of_our_own(proc):
    proc(os.getpid(), "lapsed", "run")
    config = proc.path / "lapsed.toml"
    config.touch()
    assert daemon(config, (config,), proc.path) is None
