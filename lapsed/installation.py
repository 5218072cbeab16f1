"""Installing lapsed as a service, and taking it off again: what would be done is a value, shown before it is done."""

import hashlib
import json
import shutil
import subprocess
import sys
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from importlib import resources
from pathlib import Path, PurePosixPath

from lapsed.errors import UserError

RECORD = PurePosixPath("/etc/lapsed/installed.json")
"""What was written and what it was then, so that taking it off leaves alone what someone has changed."""

PLACES: Mapping[str, str] = {
    "lapsed.service": "/etc/systemd/system/lapsed.service",
    "lapsed.slice": "/etc/systemd/system/lapsed.slice",
    "lapsed-stitch.socket": "/etc/systemd/system/lapsed-stitch.socket",
    "lapsed-stitch@.service": "/etc/systemd/system/lapsed-stitch@.service",
    "stitching.slice": "/etc/systemd/system/stitching.slice",
    "lapsed-bridge@.service": "/etc/systemd/system/lapsed-bridge@.service",
    "lapsed.sysusers": "/etc/sysusers.d/lapsed.conf",
    "lapsed.tmpfiles": "/etc/tmpfiles.d/lapsed.conf",
    "lapsed.rules": "/etc/udev/rules.d/70-lapsed.rules",
}

AFTERWARDS = (
    ("systemd-sysusers", "/etc/sysusers.d/lapsed.conf"),
    ("systemd-tmpfiles", "--create", "/etc/tmpfiles.d/lapsed.conf"),
    ("udevadm", "control", "--reload"),
    ("udevadm", "trigger", "--subsystem-match=usb", "--subsystem-match=video4linux", "--subsystem-match=tty"),
    ("systemctl", "daemon-reload"),
)
ENABLE = ("systemctl", "enable", "lapsed.service")
ENABLE_NOW = ("systemctl", "enable", "--now", "lapsed.service")
BEFORE_UNDOING: Mapping[str, tuple[str, ...]] = {
    "lapsed.service": ("systemctl", "disable", "--now", "lapsed.service"),
    "lapsed-stitch.socket": ("systemctl", "stop", "lapsed-stitch.socket"),
}
"""How each of those that were installed is stopped; an older version may not have had it."""
AFTER_UNDOING: tuple[tuple[str, ...], ...] = (("systemctl", "daemon-reload"), ("udevadm", "control", "--reload"))

HOMES = ("/home", "/root", "/run/user")
"""What ProtectHome=yes hides from a service (systemd.exec(5))."""


@dataclass(frozen=True, slots=True)
class Installation:
    """Files to write, by their places, and commands to run after that."""

    files: Mapping[str, str]
    commands: tuple[tuple[str, ...], ...]


def planned(program: Path, config: Path, read: Callable[[str], str | None]) -> Installation:
    """What installing comes to; `read` gives the text of a unit file. Raises UserError.

    `program` is the `lapsed` to be run, `config` the configuration. A virtual environment borrows its Python from
    elsewhere, which the service has to reach as well.
    """
    python = (program.parent / "python").resolve()
    for what, path in (("the program", program), ("the configuration", config), ("the Python of lapsed,", python)):
        if any(str(path).startswith(f"{home}/") for home in HOMES):
            raise UserError(
                f"{what} {path} lies in a home folder, which the service is kept from: install lapsed in /opt/lapsed"
                " (python3 -m venv /opt/lapsed) and keep its configuration in /etc/lapsed"
            )
        if any(letter.isspace() or letter in "%\"'\\$" for letter in str(path)):
            raise UserError(f"{what} {path} has a space or a sign in its path that a unit can't hold; move it")
    files = {}
    for name, place in PLACES.items():
        text = read(name)
        if text is not None:
            text = text.replace("/opt/lapsed/bin/", f"{program.parent}/")
            files[place] = text.replace("/etc/lapsed/lapsed.toml", str(config))
    # Without a configuration it would only end with what is missing.
    return Installation(files, (*AFTERWARDS, ENABLE_NOW if config.is_file() else ENABLE))


def shipped(name: str) -> str | None:
    """A unit file as it came with lapsed: in the installed package, or beside it in a checkout."""
    inside = resources.files("lapsed").joinpath("systemd", name)
    beside = Path(__file__).parents[1] / "systemd" / name
    if inside.is_file():
        return inside.read_text("utf-8")
    return beside.read_text("utf-8") if beside.is_file() else None


def program() -> Path:
    """The `lapsed` of this environment. Raises UserError if it has none."""
    found = Path(sys.prefix) / "bin" / "lapsed"
    if not found.is_file():
        raise UserError(f"there is no {found}: install lapsed with pip into a virtual environment first")
    return found


def install(plan: Installation, root: Path, tell: Callable[[str], None]) -> None:
    """Write the files under `root` and, where that is this machine's own, run the commands. Raises UserError."""
    written: dict[str, str] = {}
    for place, text in plan.files.items():
        _write(root / place.lstrip("/"), text)
        written[place] = _digest(text)
        tell(f"wrote {place}")
    _write(root / str(RECORD).lstrip("/"), json.dumps({"files": written}, indent=2) + "\n")
    if root == Path("/"):
        for command in plan.commands:
            _run(command, tell)


def undo(root: Path, tell: Callable[[str], None]) -> None:
    """Take off what `install` wrote and nobody has changed since; takes and configuration stay. Raises UserError."""
    record = root / str(RECORD).lstrip("/")
    try:
        written = json.loads(record.read_text())["files"]
    except (OSError, ValueError, KeyError) as error:
        raise UserError(f"nothing to undo: {record} does not say what was installed") from error
    own = root == Path("/")
    for name, command in BEFORE_UNDOING.items() if own else ():
        if PLACES[name] in written:
            _run(command, tell)
    for place, digest in written.items():
        path = root / place.lstrip("/")
        if place not in PLACES.values() or not path.is_file():
            continue
        if _digest(path.read_text("utf-8", errors="replace")) != digest:
            tell(f"left {place}: it was changed since")
            continue
        path.unlink()
        tell(f"removed {place}")
    record.unlink()
    for command in AFTER_UNDOING if own else ():
        _run(command, tell)
    tell("takes, configuration and the user lapsed are left as they are")


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _write(path: Path, text: str) -> None:
    part = path.with_name(f".{path.name}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        part.write_text(text, "utf-8")
        part.chmod(0o644)
        part.replace(path)
    except OSError as error:
        with suppress(OSError):
            part.unlink()
        raise UserError(f"cannot write {path}: {error.strerror}; run this with sudo") from error


def _run(command: tuple[str, ...], tell: Callable[[str], None]) -> None:
    said = " ".join(command)
    if shutil.which(command[0]) is None:
        tell(f"skipped {said}: {command[0]} is not on this machine")
        return
    done = subprocess.run(command, capture_output=True, text=True, check=False)  # noqa: S603 - the commands above
    if done.returncode:
        why = (done.stderr.strip().splitlines() or [f"status {done.returncode}"])[-1]
        raise UserError(f"{said} failed: {why}; mend that and run this again")
    tell(f"ran {said}")
