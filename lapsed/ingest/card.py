"""A card or a copy of one, read and never written to."""

import os
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC
from pathlib import Path

from lapsed.clip import exif
from lapsed.errors import UserError
from lapsed.ingest import dcf

_JPEG = b"\xff\xd8\xff"
_CALLED_JPEG = (".jpg", ".jpeg")
_TIFFS = (b"II", b"MM")
_BOXED = b"ftyp"
_FINEST_S = 0.01


@dataclass(frozen=True, slots=True)
class Photo:
    """One photo: its files relative to the card's folder, the one that tells the time first, and what Exif tells."""

    files: tuple[str, ...]
    told: exif.Exif


@dataclass(frozen=True, slots=True)
class Card:
    """The photos of a card in the order they were taken.

    `times` are seconds since 1970 as the camera's clock reads, in UTC where all photos tell their offset from it
    (`zoned`), else in its local time. `step_s` is what the clock's reading is rounded down to. `unread` are files that
    are called photos and hold none, or don't tell when it was taken.
    """

    folder: Path
    photos: tuple[Photo, ...]
    times: tuple[float | None, ...]
    step_s: float
    zoned: bool
    unread: tuple[str, ...] = ()

    @property
    def cameras(self) -> tuple[str, ...]:
        """What tells the cameras apart that took the photos, in the order of their first."""
        return tuple(dict.fromkeys(photo.told.camera for photo in self.photos if photo.told.taken is not None))

    def times_of(self, camera: str) -> tuple[float | None, ...]:
        """The times of this camera's photos, None for all others."""
        own = (photo.told.camera == camera for photo in self.photos)
        return tuple(time if mine else None for time, mine in zip(self.times, own, strict=True))


def read(folder: Path) -> Card:
    """The card in `folder`, which may be its root, one of its folders, or a copy. Raises UserError."""
    if not folder.is_dir():
        raise UserError(f"{folder} is not a folder; name the card, or the folder with the photos on it")
    try:
        heads = {name: _head(folder / name) for name in _names(folder)}
    except OSError as error:
        raise UserError(f"cannot read {error.filename}: {error.strerror}; look at the card and its reader") from error
    photos = tuple(photo for files in dcf.photos(heads) if (photo := _photo(files, heads)) is not None)
    timed = [photo.told for photo in photos if photo.told.taken is not None]
    if not timed:
        what = "no photo in it tells when it was taken (Exif)" if photos else "there is no photo in it"
        raise UserError(f"nothing in {folder} can be matched: {what}; name the folder with the camera's own files")
    zoned = all(told.offset is not None for told in timed)
    times = tuple(_seconds(photo.told, zoned=zoned) for photo in photos)
    known = {name for photo in photos if photo.told.taken is not None for name in photo.files}
    unread = sorted(name for name in heads if name.lower().endswith(_CALLED_JPEG) and name not in known)
    return Card(folder, photos, times, _step_s(timed), zoned, tuple(unread))


def open_read_only(path: Path) -> int:
    """A descriptor to read with, leaving the time of last access as it is where we may."""
    try:
        return os.open(path, os.O_RDONLY | os.O_NOATIME)
    except PermissionError:
        return os.open(path, os.O_RDONLY)


def _names(folder: Path) -> Iterator[str]:
    """The files below `folder`, but for hidden ones, relative to it."""
    for place, folders, files in os.walk(folder, onerror=_raise):
        folders[:] = [name for name in folders if not name.startswith(".")]
        for name in files:
            path = Path(place) / name
            if not name.startswith(".") and path.is_file() and not path.is_symlink():
                yield path.relative_to(folder).as_posix()


def _raise(error: OSError) -> None:
    raise error


def _head(path: Path) -> bytes:
    """As much of the file as holds Exif; of one that is no picture, only its first bytes."""
    fd = open_read_only(path)
    with os.fdopen(fd, "rb") as file:
        first = file.read(12)
        if first[:3] == _JPEG:
            return first + file.read((1 << 17) - len(first))
        return first + file.read(exif.HEAD_BYTES - len(first)) if first[:2] in _TIFFS else first


def _photo(files: tuple[str, ...], heads: dict[str, bytes]) -> Photo | None:
    """The photo that files of one name are, if there is a JPEG or a raw laid out as TIFF among them."""
    jpegs = [name for name in files if heads[name][:3] == _JPEG]
    tiffs = [name for name in files if heads[name][:2] in _TIFFS]
    boxed = [name for name in files if heads[name][4:8] == _BOXED] if jpegs else []
    listed = (*jpegs, *tiffs, *boxed)
    if not jpegs and not tiffs:
        return None
    told = next((one for name in listed if (one := exif.read(heads[name])).taken is not None), exif.Exif())
    return Photo(listed, told)


def _seconds(told: exif.Exif, *, zoned: bool) -> float | None:
    if told.taken is None:
        return None
    reading = told.taken.replace(tzinfo=UTC).timestamp()
    return reading - told.offset.total_seconds() if zoned and told.offset is not None else reading


def _step_s(timed: list[exif.Exif]) -> float:
    """The clock's resolution; a camera that writes the same decimals into every photo has none."""
    parts = {told.taken.microsecond for told in timed if told.taken is not None}
    if len(parts) < 2 and (len(timed) > 3 or parts == {0}):
        return 1.0
    fewest = min(told.digits for told in timed)
    return max(10.0**-fewest, _FINEST_S)
