"""A photo's files from the card into a take: copied, read back and compared, and only then given their names.

The order is that of every landing: file complete and synced, renamed, its folder synced. Cut short at any instant
and begun again, it comes to the same.
"""

import hashlib
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from lapsed.camera.landing import PART, flaw
from lapsed.errors import ShotMissedError, TakeEndedError
from lapsed.ingest.card import open_read_only
from lapsed.take.schema import sync_folder

_CHUNK = 1 << 20


def bring(sources: list[Path], take: Path, stem: str) -> tuple[tuple[str, ...], int]:
    """Copy `sources` to `stem` in the take with their own suffixes; the names relative to it, and the bytes together.

    After this they are safe, and the caller journals them. A file that is there already and is the same stays. Raises
    ShotMissedError where the card gives no whole picture or another file has the name, TakeEndedError where the disk
    refuses.
    """
    names: dict[Path, str] = {}
    for source in sources:
        suffix = {".jpeg": ".jpg"}.get(source.suffix.lower(), source.suffix.lower()) or ".bin"
        if f"{stem}{suffix}" in names.values():
            raise ShotMissedError(f"{source.name} is another {suffix[1:]} of the same photo")
        names[source] = f"{stem}{suffix}"
    with _refusals(take):
        size = sum(_copied(source, take / name) for source, name in names.items())
        sync_folder((take / stem).parent)
    return tuple(names.values()), size


def _copied(source: Path, final: Path) -> int:
    if final.exists():
        if _digest(final) != _digest(source, from_card=True):
            raise ShotMissedError(f"{final} is there already and is another picture; frames are never replaced")
        return final.stat().st_size
    part = final.with_name(final.name + PART)
    try:
        if _written(source, part) != _digest(part):
            raise ShotMissedError(f"the copy of {source} does not read back as it was written; look at the disk")
        wrong = flaw(part)
        if wrong is not None:
            raise ShotMissedError(f"{source} {wrong}")
        part.rename(final)
    finally:
        part.unlink(missing_ok=True)
    return final.stat().st_size


def _written(source: Path, part: Path) -> bytes:
    """Copy the file, make it safe, and drop it from memory, so that reading it back asks the disk."""
    digest = hashlib.sha256()
    with os.fdopen(_open_source(source), "rb") as file, part.open("wb") as out:
        for data in _chunks(file.fileno(), source):
            digest.update(data)
            out.write(data)
        out.flush()
        os.fsync(out.fileno())
        os.posix_fadvise(out.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
    return digest.digest()


def _digest(path: Path, *, from_card: bool = False) -> bytes:
    digest = hashlib.sha256()
    with os.fdopen(_open_source(path) if from_card else os.open(path, os.O_RDONLY), "rb") as file:
        for data in _chunks(file.fileno(), path if from_card else None):
            digest.update(data)
    return digest.digest()


def _chunks(fd: int, source: Path | None) -> Iterator[bytes]:
    while True:
        try:
            data = os.read(fd, _CHUNK)
        except OSError as error:
            if source is None:
                raise
            raise ShotMissedError(f"{source} cannot be read: {error.strerror}") from error
        if not data:
            return
        yield data


def _open_source(source: Path) -> int:
    try:
        return open_read_only(source)
    except OSError as error:
        raise ShotMissedError(f"{source} cannot be read: {error.strerror}") from error


@contextmanager
def _refusals(take: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise TakeEndedError(
            f"cannot write to the take {take}: {error.strerror}; free or mend the disk, then ingest again"
        ) from error
