"""Where a clip is cut into segments that are encoded by themselves and joined again; pure."""

from dataclasses import dataclass
from typing import Final

from lapsed.clip.editlist import EditList

SEGMENT_FRAMES: Final = 96
"""What a segment has at least. Each begins anew, which costs bits; what an interruption costs is at most a segment."""


@dataclass(frozen=True, slots=True)
class Segment:
    """The pieces of an edit list from `start` to before `stop`, which make `frames` output frames."""

    number: int
    start: int
    stop: int
    frames: int


def cut(edit: EditList, least: int = SEGMENT_FRAMES) -> tuple[Segment, ...]:
    """The segments of a clip, whose limits depend on nothing but the edit list; a short rest goes to the last."""
    found: list[Segment] = []
    start = frames = 0
    for stop, piece in enumerate(edit.pieces, 1):
        frames += piece.shows
        if frames >= least:
            found.append(Segment(len(found), start, stop, frames))
            start, frames = stop, 0
    if start < len(edit.pieces):
        if found:
            last = found.pop()
            found.append(Segment(last.number, last.start, len(edit.pieces), last.frames + frames))
        else:
            found.append(Segment(0, 0, len(edit.pieces), frames))
    return tuple(found)
