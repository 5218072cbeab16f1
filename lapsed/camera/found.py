"""What there is to photograph with on this computer: still cameras, capture devices, serial adapters.

The camera library may hang, so it is asked in a child (`python -m lapsed.camera.found`) that is given some seconds.
"""

import json
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

WITHIN_S = 15.0


@dataclass(frozen=True, slots=True)
class Device:
    """A device by a name that stays the same, and what it calls itself."""

    path: str
    name: str


@dataclass(frozen=True, slots=True)
class Found:
    """All that was found; `still_cameras` are the names that the cameras give themselves."""

    still_cameras: tuple[str, ...]
    capture_devices: tuple[Device, ...]
    serial_ports: tuple[Device, ...]


def find(dev: Path = Path("/dev"), sysfs: Path = Path("/sys/class/video4linux")) -> Found:
    """Look for all of them; takes some seconds."""
    return Found(_still_cameras(), capture_devices(dev, sysfs), serial_ports(dev))


def capture_devices(dev: Path, sysfs: Path) -> tuple[Device, ...]:
    """The first node of each capture device, which is the one that gives pictures (kernel docs, V4L2, 1.1.1)."""
    names = {path.name: _text(path / "name") for path in sorted(sysfs.glob("video*")) if _text(path / "index") == "0"}
    stable = _stable(dev / "v4l" / "by-id")
    return tuple(Device(stable.get(name, str(dev / name)), called) for name, called in sorted(names.items()))


def serial_ports(dev: Path) -> tuple[Device, ...]:
    """Serial adapters on USB."""
    nodes = sorted([*dev.glob("ttyUSB*"), *dev.glob("ttyACM*")])
    stable = _stable(dev / "serial" / "by-id")
    return tuple(Device(stable.get(node.name, str(node)), node.name) for node in nodes)


def _stable(folder: Path) -> dict[str, str]:
    """The stable names in a folder of links, by the device they lead to."""
    links = sorted(folder.iterdir()) if folder.is_dir() else []
    return {link.resolve().name: str(link) for link in reversed(links)}


def _text(path: Path) -> str:
    try:
        return path.read_text().strip()
    except OSError:
        return ""


def _still_cameras() -> tuple[str, ...]:
    try:
        command = [sys.executable, "-P", "-m", __name__]
        told = subprocess.run(command, capture_output=True, timeout=WITHIN_S, check=True)  # noqa: S603 - our own module
        return tuple(map(str, json.loads(told.stdout)))
    except (OSError, ValueError, subprocess.SubprocessError):
        return ()


def main() -> None:
    """Print the still cameras as JSON."""
    import gphoto2 as gp  # noqa: PLC0415 - only the child loads it

    seen = gp.Camera.autodetect()
    ports = [(str(seen.get_name(at)), str(seen.get_value(at))) for at in range(seen.count())]
    print(json.dumps([name for name, port in ports if not port.startswith("disk:")]))  # noqa: T201 - it is the answer


if __name__ == "__main__":
    main()
