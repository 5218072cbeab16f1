"""Edit lists as files: our own JSON, OpenTimelineIO for editors, and FFmpeg's concat list."""

import os
from collections.abc import Iterator, Sequence
from fractions import Fraction
from itertools import groupby, takewhile, tee, zip_longest
from pathlib import Path
from urllib.parse import quote

import opentimelineio as otio

from lapsed.clip.editlist import EditList, Piece, from_json, json_lines
from lapsed.clip.partial import whole_or_nothing
from lapsed.errors import UserError

ENDINGS = (".edit.json", ".otio", ".ffconcat")


def read(path: Path) -> EditList:
    """The edit list in a file. Raises UserError."""
    try:
        text = path.read_text("utf-8")
    except OSError as error:
        raise UserError(f"cannot read {path}: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise UserError(f"{path} is not an edit list: it is not text in UTF-8") from error
    try:
        return from_json(text)
    except UserError as error:
        raise UserError(f"{path}: {error}") from error


def keep(edit: EditList, folder: Path, target: Path) -> tuple[str, ...]:
    """Write the edit list of a clip from the frames in `folder` to `target`, in all three ways.

    A take keeps it as well, whatever the target; where it can't be written to, a sentence says so. Raises UserError
    where the target refuses.
    """
    own = folder / "clips"
    _write(edit, folder, target)
    if not (folder / "take.db").is_file() or own.resolve() == target.resolve():
        return ()
    try:
        own.mkdir(exist_ok=True)
        _write(edit, folder, own)
    except (OSError, UserError):
        return (f"the edit list of {edit.clip} is in {target} only: the take can't be written to",)
    return ()


def _write(edit: EditList, folder: Path, target: Path) -> None:
    texts = (json_lines(edit), _otio_lines(edit, folder, target), _concat_lines(edit, folder, target))
    for ending, lines in zip(ENDINGS, texts, strict=True):
        with whole_or_nothing(target / f"{edit.clip}{ending}") as draft, draft.open("w", encoding="utf-8") as file:
            file.writelines(lines)


def _otio_lines(edit: EditList, folder: Path, target: Path) -> Iterator[str]:
    """An OpenTimelineIO timeline that lies in `target`: one video track, a clip for each turn of a frame.

    What the format has no word for (crop, gain, shift, the exact share of a mix, caption) is in the clips' metadata
    under "lapsed".
    """
    timeline = otio.schema.Timeline(edit.clip, metadata={"lapsed": {"size": list(edit.size), "codec": edit.codec}})
    timeline.tracks.append(otio.schema.Track(edit.clip, kind=otio.schema.TrackKind.Video))
    # A hundred thousand clips in one document took 500 MB: each is put where the empty track has its children.
    head, _, tail = timeline.to_json_string(indent=1).rpartition("[]")
    between = f"{head}["
    for item in _items(edit, folder, target):
        yield between + f"\n{item.to_json_string(indent=1)}".replace("\n", "\n     ")
        between = ","
    yield f"\n    ]{tail}\n"


def _items(edit: EditList, folder: Path, target: Path) -> Iterator[otio.core.Item | otio.schema.Transition]:
    """Clips and transitions in order; frames are named relative to `target`.

    A frame that dissolves into the one after it does so by a transition that ends at the cut; the clip after it has as
    much more before it, as the format's transitions want.
    """
    rate = float(edit.rate)
    turns, ahead = tee((frame, list(run)) for frame, run in groupby(edit.pieces, lambda piece: piece.frame))
    next(ahead)
    lead = 0
    for (frame, pieces), after in zip_longest(turns, ahead):
        shows = sum(piece.shows for piece in pieces)
        url = quote(os.path.relpath(folder / frame, target))
        media = otio.schema.ExternalReference(target_url=url, available_range=_range(0, lead + shows, rate))
        details = {"lapsed": {"pieces": [_details(piece) for piece in pieces]}}
        yield otio.schema.Clip(Path(frame).stem, media, _range(lead, shows, rate), metadata=details)
        lead = 0 if after is None else _dissolving(pieces, after[0])
        if lead:
            kind = otio.schema.TransitionTypes.SMPTE_Dissolve
            ends = (otio.opentime.RationalTime(frames, rate) for frames in (lead, 0))
            yield otio.schema.Transition("dissolve", kind, *ends)


def _range(first: int, frames: int, rate: float) -> otio.opentime.TimeRange:
    return otio.opentime.TimeRange(otio.opentime.RationalTime(first, rate), otio.opentime.RationalTime(frames, rate))


def _dissolving(pieces: Sequence[Piece], into: str) -> int:
    """How many output frames at the end of a turn have the frame `into` mixed in."""
    mixed = takewhile(lambda piece: piece.mix is not None and piece.mix.frame == into, reversed(pieces))
    return sum(piece.shows for piece in mixed)


def _details(piece: Piece) -> dict[str, object]:
    crop = piece.crop
    return {
        "shows": piece.shows,
        "crop": [crop.x, crop.y, crop.width, crop.height],
        "gain": list(piece.gain),
        "shift_px": list(piece.shift_px),
        "caption": piece.caption,
        **({} if piece.mix is None else {"mix": {"frame": piece.mix.frame, "share": piece.mix.share}}),
    }


def _concat_lines(edit: EditList, folder: Path, target: Path) -> Iterator[str]:
    """A list for FFmpeg's concat demuxer that lies in `target`: frames and how long each is shown, whole and as shot.

    Words are quoted by FFmpeg's rules ("Quoting and escaping"): a quote ends the quoting, stands alone, and begins it
    again. The last frame is named twice, as the demuxer leaves the last duration to what reads it.
    """
    yield "ffconcat version 1.0\n"
    named = ""
    for frame, run in groupby(edit.pieces, lambda piece: piece.frame):
        shown = Fraction(sum(piece.shows for piece in run)) / edit.rate
        name = os.path.relpath(folder / frame, target).replace("'", r"'\''")
        # Or a percent sign would be taken for the pattern of numbered names ("image2").
        named = f"file '{name}'\n" + ("option pattern_type none\n" if "%" in name else "")
        yield f"{named}duration {float(shown):.9f}\n"
    yield named
