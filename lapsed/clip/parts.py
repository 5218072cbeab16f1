"""The finished segments of a clip on disk, kept so that an interrupted clip goes on where it was."""

import hashlib
import json
import shutil
from collections.abc import Sequence
from pathlib import Path

import av

from lapsed.clip.cut import Segment
from lapsed.clip.editlist import EditList, to_json
from lapsed.clip.rendering import Broken


class Parts:
    """The segments of `edit` in a hidden folder beside the clip `out`; those of another edit list are thrown away.

    A power cut or a kill leaves the folder; whatever else ends the clip ends with `clear`.
    """

    def __init__(self, out: Path, edit: EditList, folder: Path) -> None:
        self._home = out.with_name(f".{out.stem}.unfinished")
        self._suffix = out.suffix
        key = _key(edit, folder)
        note = self._home / "key"
        if not note.is_file() or note.read_text("utf-8") != key:
            self.clear()
            self._home.mkdir()
            note.write_text(key, "utf-8")

    def path(self, segment: Segment) -> Path:
        """Where the track of a segment is when it is finished."""
        return self._home / f"{segment.number:05}{self._suffix}"

    def draft(self, segment: Segment) -> Path:
        """Where it is written before."""
        return self._home / f"{segment.number:05}.draft{self._suffix}"

    def has(self, segment: Segment) -> bool:
        """Whether a segment is finished."""
        return self.path(segment).is_file()

    def keep(self, segment: Segment, broken: Sequence[Broken]) -> None:
        """Take in a segment's draft, and which of its frames were broken."""
        self._note(segment).write_text(json.dumps([[bad.frame, bad.reason] for bad in broken]), "utf-8")
        self.draft(segment).replace(self.path(segment))

    def broken(self, segment: Segment) -> list[Broken]:
        """The broken frames of a finished segment."""
        return [Broken(frame, reason) for frame, reason in json.loads(self._note(segment).read_text("utf-8"))]

    def clear(self) -> None:
        """Remove everything."""
        shutil.rmtree(self._home, ignore_errors=True)

    def _note(self, segment: Segment) -> Path:
        return self._home / f"{segment.number:05}.json"


def _key(edit: EditList, folder: Path) -> str:
    """What the segments depend on: the edit list, the frames as they are, and the encoders' version."""
    digest = hashlib.sha256(f"{av.__version__}\n{to_json(edit)}".encode())
    for name in dict.fromkeys(piece.frame for piece in edit.pieces):
        path = folder / name
        state = path.stat() if path.exists() else None
        digest.update(f"{name}\0{state and (state.st_size, state.st_mtime_ns)}\n".encode())
    return digest.hexdigest()
