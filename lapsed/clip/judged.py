"""What judging found out about each frame, as values, and how they are kept: one JSON document a line."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from pydantic import TypeAdapter, ValidationError

from lapsed.clip.likeness import Stranger
from lapsed.clip.measure import Light, Region
from lapsed.clip.partial import whole_or_nothing

FILE: Final = "judged.jsonl"
VERSION: Final = 5


@dataclass(frozen=True, slots=True)
class Judged:
    """One frame by its name in the footage's folder, size and time of change, and what was found in it.

    `broken` says why it can't be decoded, and then there is no `light`. `shift_px` is how far it stands right of and
    below the first frame, in pixels of the upright frame; None where that can't be told. `stranger` is what
    frames before and after don't show.
    """

    frame: str
    size_bytes: int
    mtime_ns: int
    broken: str | None = None
    light: Light | None = None
    shift_px: tuple[float, float] | None = None
    shift_error_px: float | None = None
    stranger: Stranger | None = None

    @property
    def key(self) -> tuple[str, int, int]:
        """What a file that was not changed keeps."""
        return self.frame, self.size_bytes, self.mtime_ns


@dataclass(frozen=True, slots=True)
class Header:
    """The first line: what was judged how, as other settings would have given other figures."""

    version: int
    region: Region
    steady_region: Region
    orientation: int
    stored: tuple[int, int]


_HEADER = TypeAdapter(Header)
_JUDGED = TypeAdapter(Judged)


def load(path: Path, header: Header) -> tuple[Judged, ...]:
    """What `path` holds of frames judged as `header` says; nothing where it holds anything else or isn't there."""
    try:
        with path.open("rb") as file:
            if _HEADER.validate_json(file.readline()) != header:
                return ()
            return tuple(map(_JUDGED.validate_json, file))
    except (OSError, ValueError, ValidationError):
        # A file that was never written, or cut short, or by another version: judging again costs only time.
        return ()


def save(path: Path, header: Header, judged: Sequence[Judged]) -> None:
    """Write `path`, whole or not at all. Raises UserError."""
    with whole_or_nothing(path) as draft, draft.open("wb") as file:
        for line in (_HEADER.dump_json(header), *map(_JUDGED.dump_json, judged)):
            file.write(line + b"\n")
