"""The frame files of a take, as they are found on disk."""

import os
from collections.abc import Callable, Iterator
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from lapsed.clock import utc_text
from lapsed.take.name import shot_of

_JPEG = (".jpg", ".jpeg")
_TAIL_BYTES = 65_536


@dataclass(frozen=True, slots=True)
class Found:
    """The whole files of one shot at one camera; `files` relative to the take's folder, the JPEG first."""

    files: tuple[str, ...]
    size_bytes: int
    utc: str


def tidy(folder: Path, wanted: Callable[[str, str], object] = lambda *_: True) -> frozenset[str]:
    """The names of files under frames/, relative to the take's folder; unfinished `.part` files are removed.

    `wanted` tells by camera and file name which are; a daemon has no room for the names of ten thousand frames.
    """
    names = set()
    for camera in _entries(folder / "frames"):
        if not camera.is_dir(follow_symlinks=False):
            continue
        for file in _entries(Path(camera.path)):
            if file.name.endswith(".part"):
                Path(file.path).unlink(missing_ok=True)
            elif file.is_file(follow_symlinks=False) and wanted(camera.name, file.name):
                names.add(f"frames/{camera.name}/{file.name}")
    return frozenset(names)


def whole_frames(
    folder: Path, names: AbstractSet[str], known: AbstractSet[tuple[int, str]]
) -> dict[tuple[int, str], Found]:
    """The shots that have whole files among `names`, leaving out those that are `known`."""
    files: dict[tuple[int, str], list[str]] = {}
    for name in sorted(names, key=lambda name: (not name.lower().endswith(_JPEG), name)):
        _, camera, file = name.split("/")
        shot = shot_of(file)
        if shot is not None and (shot, camera) not in known and is_whole(folder / name):
            files.setdefault((shot, camera), []).append(name)
    return {key: _found(folder, listed) for key, listed in files.items()}


def is_whole(path: Path) -> bool:
    """Whether a frame file is there to its end; of files other than JPEG, whether it has anything in it.

    A JPEG is whole from its SOI marker to an EOI after its first scan's header (ITU-T T.81, B.1.1 and B.2.1); cameras
    may append to it, and thumbnails in its header have an EOI of their own.
    """
    if not path.name.lower().endswith(_JPEG):
        return path.stat().st_size > 0
    with path.open("rb") as file:
        if file.read(2) != b"\xff\xd8":
            return False
        while True:
            head = file.read(4)
            if len(head) < 4 or head[0] != 0xFF:
                return False
            file.seek(int.from_bytes(head[2:]) - 2, os.SEEK_CUR)
            if head[1] == 0xDA:  # start of scan
                break
        scan = file.tell()
        end = file.seek(0, os.SEEK_END)
        file.seek(max(scan, end - _TAIL_BYTES))
        return b"\xff\xd9" in file.read()


def _found(folder: Path, files: list[str]) -> Found:
    stats = [(folder / name).stat() for name in files]
    written = datetime.fromtimestamp(stats[0].st_mtime, UTC)
    return Found(tuple(files), sum(stat.st_size for stat in stats), utc_text(written))


def _entries(folder: Path) -> Iterator[os.DirEntry[str]]:
    try:
        with os.scandir(folder) as entries:
            yield from entries
    except FileNotFoundError:
        return
