"""How much memory is free for stitching, by Linux's own account."""

from pathlib import Path

_KIB = 1024


def free_bytes(proc: Path = Path("/proc"), groups: Path = Path("/sys/fs/cgroup")) -> int | None:
    """What can be taken without swapping, in this process's control groups and in the whole; None where none tells.

    MemAvailable is in proc(5); memory.max, memory.high, memory.current and memory.stat are in the kernel's control
    groups, version 2.
    """
    parts = [_available(proc / "meminfo"), *map(_group, _homes(proc / "self" / "cgroup", groups))]
    return min((part for part in parts if part is not None), default=None)


def _available(meminfo: Path) -> int | None:
    try:
        lines = meminfo.read_text("ascii").splitlines()
    except OSError:
        return None
    return next((int(line.split()[1]) * _KIB for line in lines if line.startswith("MemAvailable:")), None)


def _homes(mine: Path, groups: Path) -> list[Path]:
    """The group of this process and all that it lies in, as each may have a limit: a slice bounds its services."""
    try:
        names = [line.partition("::")[2] for line in mine.read_text("utf-8").splitlines() if line.startswith("0::")]
        home = groups / names[0].lstrip("/")
    except (OSError, IndexError):
        return []
    return [path for path in (home, *home.parents) if path.is_relative_to(groups)]


def _group(home: Path) -> int | None:
    """What is left of a group's limits; pages of files in it are given up for whoever wants them."""
    try:
        limits = [(home / name).read_text("ascii").strip() for name in ("memory.max", "memory.high")]
        limit = min(int(limit) for limit in limits if limit != "max")
        used = int((home / "memory.current").read_text("ascii"))
        stat = dict(line.split() for line in (home / "memory.stat").read_text("ascii").splitlines())
        return max(limit - used + int(stat["inactive_file"]) + int(stat["active_file"]), 0)
    except (OSError, KeyError, ValueError):
        return None  # no such groups, or no limit ("max")
