"""The master: the camera's own files, byte for byte, as one movie of Motion JPEG at full size."""

import os
from collections.abc import Callable
from pathlib import Path

from lapsed.clip.editlist import EditList
from lapsed.clip.mov import Track, head
from lapsed.clip.partial import whole_or_nothing
from lapsed.errors import UserError


def track_of(edit: EditList, folder: Path) -> Track:
    """The track that `edit` asks for; sizes are read from the files in `folder`. Raises UserError."""
    try:
        sizes = tuple((folder / piece.frame).stat().st_size for piece in edit.pieces)
    except OSError as error:
        raise UserError(f"cannot read {error.filename}: {error.strerror}; run stitch again without it") from error
    return Track(edit.stored, edit.orientation, edit.rate, sizes, tuple(piece.shows for piece in edit.pieces))


def write(edit: EditList, folder: Path, out: Path, told: Callable[[int], None]) -> None:
    """Write the master of `edit` to `out`; `told` gets the number of output frames done, after each picture.

    The kernel copies from file to file, so memory stays flat whatever the length. Raises UserError.
    """
    track = track_of(edit, folder)
    done = 0
    with whole_or_nothing(out) as draft, draft.open("wb") as movie:
        movie.write(head(track))
        movie.flush()
        for piece, size in zip(edit.pieces, track.sizes, strict=True):
            with (folder / piece.frame).open("rb") as picture:
                _carry(picture.fileno(), movie.fileno(), size, folder / piece.frame)
            done += piece.shows
            told(done)


def _carry(source: int, target: int, size: int, path: Path) -> None:
    at = 0
    while at < size:
        sent = os.sendfile(target, source, at, size - at)
        if sent == 0:
            raise UserError(f"{path} shrank while it was read; leave the frames alone and run stitch again")
        at += sent
