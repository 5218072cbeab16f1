"""The unit files, as systemd itself reads them."""

import re
import subprocess
from pathlib import Path

import pytest

from lapsed import stitch_job

UNITS = Path(__file__).parents[1] / "systemd"
SERVICES = sorted(path.name for path in UNITS.glob("*.service"))
MOST_EXPOSED = 2.5
"""Of 10, by systemd-analyze(1), "security": below 2.5 is what a service comes to that reaches only what it needs."""


@pytest.fixture
def installed(tmp_path):
    """The units, their programs replaced by one that is there."""
    for path in UNITS.iterdir():
        if path.suffix in {".service", ".slice", ".socket"}:
            text = re.sub(r"^(Exec\w+)=\S+", r"\1=/bin/true", path.read_text(), flags=re.MULTILINE)
            (tmp_path / path.name).write_text(text)
    return tmp_path


def analyze(*words):
    return subprocess.run(["systemd-analyze", *words], capture_output=True, text=True, check=False)


def test_systemd_has_nothing_against_the_units(installed):
    told = analyze("verify", "--man=no", *map(str, sorted(installed.iterdir())))
    assert (told.returncode, told.stderr) == (0, "")


@pytest.mark.parametrize("name", SERVICES)
def test_services_reach_little_more_than_they_need(installed, name):
    told = analyze("security", "--offline=true", str(installed / name))
    found = re.search(r"Overall exposure level for \S+: ([0-9.]+)", told.stdout)
    assert found is not None, told.stderr
    assert float(found[1]) <= MOST_EXPOSED, told.stdout


@pytest.mark.parametrize("name", SERVICES)
def test_a_call_that_is_kept_from_a_service_fails_and_kills_nobody(name):
    # systemd.exec(5), SystemCallFilter=: without an error number the process is killed, as the bridge was by the linear
    # algebra under NumPy, which binds its memory to a node when it is loaded.
    text = (UNITS / name).read_text()
    assert ("SystemCallFilter=" in text, "SystemCallErrorNumber=EPERM" in text) == (True, True)


@pytest.mark.parametrize("name", ["lapsed.service", "lapsed-bridge@.service"])
def test_services_still_reach_cameras_adapters_and_capture_devices(name):
    text = (UNITS / name).read_text()
    assert "PrivateDevices=yes" not in text
    assert "DeviceAllow=char-ttyUSB rw" in text


def test_a_stitch_reaches_no_device_and_no_network_and_is_otherwise_kept_as_the_daemon_is():
    def lines(name):
        return {line for line in (UNITS / name).read_text().splitlines() if re.match(r"[A-Z]\w+=", line)}

    kept = re.compile(
        r"(Protect|Restrict|SystemCall|NoNew|Capab|Ambient|Lock|ReadWrite|Private|Device|UMask|User|Group)"
    )
    missing = {line for line in lines("lapsed.service") - lines("lapsed-stitch@.service") if kept.match(line)}
    loose = {line for line in missing if not line.startswith(("DeviceAllow", "PrivateDevices", "RestrictAddress"))}
    assert loose == set()
    assert {"PrivateDevices=yes", "PrivateNetwork=yes", "RestrictAddressFamilies=AF_UNIX"} <= lines(
        "lapsed-stitch@.service"
    )


def test_a_stitch_gets_what_time_the_whole_computer_has_left():
    # systemd.slice(5): a name with a dash lies within the slice before the dash; systemd.resource-control(5): "idle" is
    # against siblings alone. Within lapsed.slice a stitch got a third of a core that the host wanted (measured).
    (slice_,) = re.findall(r"^Slice=(.+)$", (UNITS / "lapsed-stitch@.service").read_text(), re.MULTILINE)
    assert "-" not in slice_.removesuffix(".slice")
    assert re.search(r"^CPUWeight=idle$", (UNITS / slice_).read_text(), re.MULTILINE)


def test_the_socket_is_the_one_that_the_daemon_calls_and_its_own_user_s_alone():
    text = (UNITS / "lapsed-stitch.socket").read_text()
    assert f"ListenStream={stitch_job.SOCKET}" in text
    assert "SocketMode=0600" in text
    assert "SocketUser=lapsed" in text
    assert "Wants=network-online.target lapsed-stitch.socket" in (UNITS / "lapsed.service").read_text()
