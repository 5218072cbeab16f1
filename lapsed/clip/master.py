"""The master: the camera's own files, byte for byte, as one movie of Motion JPEG at full size."""

from collections.abc import Callable
from pathlib import Path

from lapsed.clip.editlist import EditList
from lapsed.clip.labels import NO_TAGS, Tags
from lapsed.clip.mov import Track, head
from lapsed.clip.partial import whole_or_nothing
from lapsed.errors import UserError


def track_of(edit: EditList, folder: Path, tags: Tags = NO_TAGS) -> Track:
    """The track that `edit` asks for; sizes are read from the files in `folder`. Raises UserError."""
    try:
        sizes = tuple((folder / piece.frame).stat().st_size for piece in edit.pieces)
    except OSError as error:
        raise UserError(f"cannot read {error.filename}: {error.strerror}; run stitch again without it") from error
    given = {b"\xa9nam": tags.title, b"\xa9day": tags.taken, b"\xa9cmt": tags.comment}
    words = {code: text for code, text in given.items() if text}
    return Track(edit.stored, edit.orientation, edit.rate, sizes, tuple(piece.shows for piece in edit.pieces), words)


def write(edit: EditList, folder: Path, out: Path, tags: Tags, told: Callable[[int], None]) -> None:
    """Write the master of `edit` to `out`; `told` gets the number of output frames done, after each picture.

    Memory stays flat whatever the length. Raises UserError.
    """
    track = track_of(edit, folder, tags)
    done = 0
    with whole_or_nothing(out) as draft, draft.open("wb") as movie:
        movie.write(head(track))
        # sendfile(2) and copy_file_range(2) move 64 KiB at a time, and fresh pages want clearing: both cost more.
        buffer = memoryview(bytearray(1 << 20))
        for piece, size in zip(edit.pieces, track.sizes, strict=True):
            copied = 0
            with (folder / piece.frame).open("rb", buffering=0) as picture:
                while read := picture.readinto(buffer):
                    copied += movie.write(buffer[:read])
            if copied != size:
                raise UserError(f"{folder / piece.frame} changed while it was read; let it be and run stitch again")
            done += piece.shows
            told(done)
