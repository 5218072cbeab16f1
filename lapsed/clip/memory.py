"""How much memory is free for stitching, by Linux's own account."""

from pathlib import Path

_KIB = 1024


def free_bytes(proc: Path = Path("/proc"), groups: Path = Path("/sys/fs/cgroup")) -> int | None:
    """What can be taken without swapping, in this process's control group and in the whole; None where none tells.

    MemAvailable is in proc(5); memory.max and memory.current are in the kernel's control groups, version 2.
    """
    found = [
        part for part in (_available(proc / "meminfo"), _group(proc / "self" / "cgroup", groups)) if part is not None
    ]
    return min(found, default=None)


def _available(meminfo: Path) -> int | None:
    try:
        lines = meminfo.read_text("ascii").splitlines()
    except OSError:
        return None
    return next((int(line.split()[1]) * _KIB for line in lines if line.startswith("MemAvailable:")), None)


def _group(mine: Path, groups: Path) -> int | None:
    try:
        names = [line.partition("::")[2] for line in mine.read_text("utf-8").splitlines() if line.startswith("0::")]
        home = groups / names[0].lstrip("/")
        return int((home / "memory.max").read_text("ascii")) - int((home / "memory.current").read_text("ascii"))
    except (OSError, IndexError, ValueError):
        return None  # no such groups, or no limit ("max")
