"""Where the files of a shot come down: written aside, checked, made durable, and only then given their names."""

import contextlib
import logging
import mmap
import os
import re
import shutil
from collections.abc import Iterator
from pathlib import Path

from lapsed.errors import BugError, ShotMissedError

PART = ".part"
_SUFFIX = re.compile(r"[a-z0-9]{1,8}")
_log = logging.getLogger(__name__)

# Markers of ITU-T T.81, table B.1.
_SOI, _EOI, _SOS = b"\xff\xd8", b"\xff\xd9", 0xDA
# PNG (ISO/IEC 15948), 5.2 and 11.2.5: the signature, and the type of the last chunk, which is empty, with its checksum.
_PNG, _IEND = b"\x89PNG\r\n\x1a\n", b"IEND\xaeB`\x82"


class Landing:
    """The files of one shot on their way into `folder`, all named `stem` and a suffix; `stem` may hold folders.

    First `write` or `part` for each file, which is to be written there; then `land` once, or `discard`. Or
    `stay_on_card`, and no more.
    """

    def __init__(self, folder: Path, stem: str) -> None:
        self._folder = folder
        self._stem = stem
        self._names: dict[Path, str] = {}
        self.on_card = False

    def stay_on_card(self) -> None:
        """Say that the picture stays on the camera's card, and that no file is to be waited for."""
        self.on_card = True

    def part(self, name: str) -> Path:
        """The path to write a file to that the camera calls `name`, of which the suffix is kept.

        Suffixes are in small letters and `.jpeg` becomes `.jpg`. One file for each suffix, else BugError.
        """
        suffix = name.rpartition(".")[2].lower()
        suffix = {"jpeg": "jpg"}.get(suffix, suffix)
        if not _SUFFIX.fullmatch(suffix):
            suffix = "bin"
        final = f"{self._stem}.{suffix}"
        if final in self._names.values():
            raise BugError(f"two files of one shot would be called {final}")
        path = self._folder / (final + PART)
        self._names[path] = final
        return path

    def write(self, name: str, data: bytes | bytearray) -> None:
        """Write a file that the camera calls `name`. Raises ShotMissedError where the disk refuses."""
        with self._disk():
            self.part(name).write_bytes(data)

    def copy(self, name: str, source: Path) -> None:
        """Likewise, what stands in `source`: a copy, so that whoever else holds that file can't alter the frame."""
        with self._disk():
            shutil.copyfile(source, self.part(name))

    def discard(self) -> None:
        """The shot is missed: leave nothing of it."""
        for path in self._names:
            with contextlib.suppress(OSError):
                path.unlink(missing_ok=True)

    def land(self) -> tuple[tuple[str, ...], int]:
        """Make the written files safe under their names; give those, relative to the folder, and the bytes together.

        After this returns, a power cut loses none of them. A broken file of a pair is left out; no whole file, no
        room or a name that is taken raise ShotMissedError. No existing file is ever replaced.
        """
        with self._disk():
            flaws = {path: flaw(path) for path in self._names}
            whole = [path for path, what in flaws.items() if what is None]
            for path, what in flaws.items():
                if what is not None:
                    path.unlink(missing_ok=True)
                    _log.warning("%s %s", self._names[path], what)
            if not whole:
                told = "; ".join(f"{self._names[path]} {what}" for path, what in flaws.items())
                raise ShotMissedError(f"the camera's picture is no good: {told or 'there is no file'}")
            size = sum(_flush(path) for path in whole)
            for path in whole:
                _rename(path, self._folder / self._names[path])
            _flush(whole[0].parent)
        return tuple(self._names[path] for path in whole), size

    @contextlib.contextmanager
    def _disk(self) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            raise ShotMissedError(f"the picture cannot be kept in {self._folder}: {error.strerror or error}") from error


def flaw(part: Path) -> str | None:
    """What keeps the file from being a whole picture, as the end of a sentence; None when nothing does.

    `part` ends in `.part`; the suffix before it says what to expect. Raises OSError.
    """
    if not part.exists():
        return "was not written"
    if not part.stat().st_size:
        return "is empty"
    with part.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as data:
        match part.with_suffix("").suffix:
            case ".jpg":
                return _jpeg_flaw(data)
            case ".png":
                return _png_flaw(data)
        # Raw formats have no common end mark; what unwritten blocks leave behind is zeros.
        return None if any(data[:16]) and any(data[-4096:]) else "holds zeros where a picture should be"


def _jpeg_flaw(data: mmap.mmap) -> str | None:
    # ITU-T T.81, B.1.1: segments with lengths up to the scan; in the scan FF is followed by 00 or a restart marker, so
    # FF D9 there is the end. Cameras pad and append after it, so it need not stand last.
    if data[:2] != _SOI:
        return "is not a JPEG"
    at = 2
    while at + 4 <= len(data) and data[at] == 0xFF:
        marker = data[at + 1]
        if marker == _SOS:
            return None if data.find(_EOI, at) >= 0 else "stops before its end"
        at += 1 if marker == 0xFF else 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    return "stops before its first line"


def _png_flaw(data: mmap.mmap) -> str | None:
    if data[: len(_PNG)] != _PNG:
        return "is not a PNG"
    return None if data.rfind(_IEND) >= 0 else "stops before its end"


def _flush(path: Path) -> int:
    fd = os.open(path, os.O_RDONLY)
    try:
        os.fsync(fd)
        return os.fstat(fd).st_size
    finally:
        os.close(fd)


def _rename(part: Path, final: Path) -> None:
    # One worker writes to a camera's folder, so nothing comes between the look and the rename; a hard link would
    # refuse by itself, but cards and shares formatted for other systems have none.
    if final.exists():
        part.unlink()
        raise ShotMissedError(f"{final} is there already, and frames are never replaced")
    part.rename(final)


def sweep(folder: Path) -> None:
    """Remove what a worker that was ended left half written in `folder`, as far as it can be removed."""
    for stale in folder.glob(f"*{PART}"):
        with contextlib.suppress(OSError):
            stale.unlink()
