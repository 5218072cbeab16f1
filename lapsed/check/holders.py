"""Who else has a camera open, and whether a daemon of ours runs, as /proc and /sys tell it."""

import os
from collections.abc import Collection, Iterator
from pathlib import Path

from lapsed.check.facts import Holder

_PROC, _USB = Path("/proc"), Path("/sys/bus/usb/devices")
_STILL_IMAGE = "06"
"""The USB class of still cameras (USB Still Image Capture Device Definition, section 3.1)."""


def camera_nodes(usb: Path = _USB) -> frozenset[str]:
    """The device nodes of the still cameras on USB."""
    nodes = set()
    for kind in usb.glob("*/bInterfaceClass"):
        try:
            if kind.read_text().strip() != _STILL_IMAGE:
                continue
            # An interface "1-2:1.0" belongs to the device "1-2" beside it (Linux, sysfs-bus-usb).
            device = usb / kind.parent.name.partition(":")[0]
            bus, number = (int((device / name).read_text()) for name in ("busnum", "devnum"))
        except (OSError, ValueError):
            continue  # unplugged while we looked
        nodes.add(f"/dev/bus/usb/{bus:03}/{number:03}")
    return frozenset(nodes)


def holders(nodes: Collection[str], proc: Path = _PROC) -> tuple[Holder, ...]:
    """The processes that have one of `nodes` open; only those that we may look into."""
    found = {
        Holder(int(process.name), _program(process), target)
        for process in _processes(proc)
        for target in _open_files(process)
        if target in nodes
    }
    return tuple(sorted(found, key=lambda holder: (holder.pid, holder.device)))


def daemon(config: Path, usual: Collection[Path], proc: Path = _PROC) -> int | None:
    """The process id of a daemon that runs with the configuration `config`; None where there is none.

    `usual` are the places where a daemon that was given none looks.
    """
    wanted = config.resolve()
    for process in _processes(proc):
        try:
            arguments = (process / "cmdline").read_bytes().decode(errors="replace").split("\0")[:-1]
            at = _run_at(arguments)
            if at is not None and _config(arguments[at:], process / "cwd", usual) == wanted:
                return int(process.name)
        except OSError:
            continue
    return None


def _run_at(arguments: list[str]) -> int | None:
    """Where "run" stands in the command line of `lapsed run` or `python -m lapsed run`."""
    for at, word in enumerate(arguments[:-1]):
        by_module = word == "lapsed" and at > 0 and arguments[at - 1] == "-m"
        if by_module or (word.endswith("/lapsed") or (word == "lapsed" and at == 0)):
            rest = [index for index in range(at + 1, len(arguments)) if not arguments[index].startswith("-")]
            return rest[0] if rest and arguments[rest[0]] == "run" else None
    return None


def _config(arguments: list[str], cwd: Path, usual: Collection[Path]) -> Path | None:
    for at, word in enumerate(arguments):
        given = arguments[at + 1] if word == "--config" and at + 1 < len(arguments) else word.partition("--config=")[2]
        if given:
            return (Path(os.readlink(cwd)) / given).resolve()  # noqa: PTH115 - the link is the kernel's, not a path's
    return next((place.resolve() for place in usual if place.is_file()), None)


def _processes(proc: Path) -> Iterator[Path]:
    return (process for process in proc.iterdir() if process.name.isdecimal() and int(process.name) != os.getpid())


def _open_files(process: Path) -> Iterator[str]:
    try:
        for file in (process / "fd").iterdir():
            try:
                yield os.readlink(file)  # noqa: PTH115 - the target need not be a path
            except OSError:
                continue
    except OSError:
        return  # another user's, or gone


def _program(process: Path) -> str:
    try:
        return (process / "comm").read_text().strip()
    except OSError:
        return "a program"
