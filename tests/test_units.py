"""The unit files, as systemd itself reads them."""

import re
import subprocess
from pathlib import Path

import pytest

UNITS = Path(__file__).parents[1] / "systemd"
SERVICES = sorted(path.name for path in UNITS.glob("*.service"))
MOST_EXPOSED = 2.5
"""Of 10, by systemd-analyze(1), "security": below 2.5 is what a service comes to that reaches only what it needs."""


@pytest.fixture
def installed(tmp_path):
    """The units, their programs replaced by one that is there."""
    for path in UNITS.iterdir():
        if path.suffix in {".service", ".slice"}:
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
def test_services_still_reach_cameras_adapters_and_capture_devices(name):
    text = (UNITS / name).read_text()
    assert "PrivateDevices=yes" not in text
    assert "DeviceAllow=char-ttyUSB rw" in text
