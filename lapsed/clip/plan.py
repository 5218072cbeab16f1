"""From a clip's settings and what is known of the frames to its edit list, and what was decided on the way."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from lapsed.clip.caption import Facts, captions
from lapsed.clip.codec import CODECS
from lapsed.clip.conform import axis_of, conform
from lapsed.clip.editlist import Correction, EditList, edit
from lapsed.clip.footage import Account, Frame
from lapsed.clip.orient import Rect
from lapsed.clip.shape import Shape, shape
from lapsed.clip.taken import taken_at
from lapsed.errors import UserError
from lapsed.settings import Clip

_MM, _S = 0.001, 0.001
"""What heights and times are told apart by: a micrometre, a millisecond."""


@dataclass(frozen=True, slots=True)
class Stock:
    """The frames that clips are planned from, by name and in order, all of one size and orientation.

    `figures` tell how sharp each frame is and `corrections` what is to be corrected, both by name, where known.
    `inner` is the part of the upright picture that all of them show once they are moved back; None for all of it.
    """

    frames: Mapping[str, Frame]
    stored: tuple[int, int]
    upright: tuple[int, int]
    orientation: int
    figures: Mapping[str, float] | None = None
    corrections: Mapping[str, Correction] | None = None
    inner: Rect | None = None


@dataclass(frozen=True, slots=True)
class Plan:
    """One clip, decided; `remarks` are sentences."""

    edit: EditList
    account: Account
    remarks: tuple[str, ...]


def plan(clip: Clip, stock: Stock) -> Plan:
    """Decide `clip`. Raises UserError where what it asks for doesn't go together, or isn't known of the frames."""
    names = list(stock.frames)
    wants_time = clip.spread == "time" or "elapsed" in clip.burn_in
    facts = [_facts(name, frame, wants_time=wants_time) for name, frame in stock.frames.items()]
    figures = None if stock.figures is None else [stock.figures.get(name) for name in names]
    turns = conform(clip, len(names), _axis(clip, facts), figures)
    form = form_of(clip, stock.upright, stock.inner)
    words = captions(facts, clip.burn_in)
    decided = edit(
        names,
        stock.stored,
        stock.orientation,
        form,
        clip,
        turns=turns,
        captions=words,
        corrections=stock.corrections,
    )
    remarks = (*_about_shape(form, clip), *_about_frames(clip, facts, words, figures, len(turns) < len(names)))
    return Plan(decided, account(decided, len(names), clip), remarks)


def form_of(clip: Clip, upright: tuple[int, int], inner: Rect | None = None) -> Shape:
    """The shape of `clip` for frames of a size, or for the part `inner` of them, as its codec allows."""
    codec = CODECS.get(clip.codec)
    most = codec.most if codec is not None else None
    if inner is None:
        return shape(upright, clip, most)
    form = shape((int(inner.width), int(inner.height)), clip, most)
    return replace(form, crop=_within(form.crop, inner), end=_within(form.end, inner))


def _within(crop: Rect, inner: Rect) -> Rect:
    return replace(crop, x=crop.x + inner.x, y=crop.y + inner.y)


def account(edit_list: EditList, frames: int, clip: Clip | None = None) -> Account:
    """What an edit list makes of `frames` frames; without the clip's settings nothing is known of eases and holds."""
    rate = float(edit_list.rate)
    first, last = edit_list.pieces[0].crop, edit_list.pieces[-1].crop
    inner = edit_list.size if edit_list.place is None else edit_list.place[2:]
    widths = [piece.crop.width for piece in edit_list.pieces]
    heights = [piece.crop.height for piece in edit_list.pieces]
    master = edit_list.codec == "master"
    return Account(
        used=len(edit_list.used),
        dropped=frames - len(edit_list.used),
        mixed=sum(piece.shows for piece in edit_list.pieces if piece.mix is not None),
        crop=first,
        end_crop=last,
        factor=1.0 if master else round(max(inner[0] / min(widths), inner[1] / min(heights)), 4),
        hold_start=0 if clip is None else round(clip.hold_start_s * rate),
        hold_end=0 if clip is None else round(clip.hold_end_s * rate),
        ease_in=0 if clip is None else round(clip.ease_in_s * rate),
        ease_out=0 if clip is None else round(clip.ease_out_s * rate),
    )


def _facts(name: str, frame: Frame, *, wants_time: bool) -> Facts:
    moment = frame.taken_at
    if moment is None and wants_time:
        moment = taken_at(Path(frame.path))
    return Facts(name, frame.layer, frame.height_mm, None if moment is None else _seconds(moment))


def _seconds(moment: str) -> float | None:
    try:
        at = datetime.fromisoformat(moment)
    except ValueError:
        return None
    return (at if at.tzinfo else at.replace(tzinfo=UTC)).timestamp()


def _axis(clip: Clip, facts: Sequence[Facts]) -> tuple[int, ...] | None:
    if clip.spread == "shots" or len(facts) < 2:
        return None
    if clip.spread == "height":
        axis = axis_of([fact.height_mm for fact in facts], _MM)
        what = "height"
    else:
        axis = axis_of([fact.at_s for fact in facts], _S)
        what = "time of exposure"
    if axis is None:
        raise UserError(
            f"clip {clip.name!r} is to be spread by {clip.spread}, but the frames don't tell their {what}; "
            'use spread = "shots"'
        )
    return axis


def _about_shape(form: Shape, clip: Clip) -> Iterator[str]:
    if form.smaller and form.wanted is not None:
        yield (
            f"{clip.name} is {form.size[0]}x{form.size[1]}: the frames have too few pixels for "
            f"{form.wanted[0]}x{form.wanted[1]}; enlarge = true would blow them up without gaining detail"
        )
    elif form.factor > 1.0005:
        yield f"{clip.name} is enlarged {form.factor:.2f} times, as asked; it gains no detail"


def _about_frames(
    clip: Clip,
    facts: Sequence[Facts],
    words: Mapping[str, str],
    figures: Sequence[float | None] | None,
    chosen: bool,
) -> Iterator[str]:
    if clip.spread != "shots":
        silent = sum((fact.height_mm if clip.spread == "height" else fact.at_s) is None for fact in facts)
        if silent:
            yield f"{clip.name}: {silent} of {len(facts)} frames don't tell their {clip.spread}, and lie between others"
    if clip.burn_in and not words:
        yield f"{clip.name}: nothing was burnt in, as the frames tell none of {', '.join(clip.burn_in)}"
    if clip.choose == "sharpest" and chosen and figures is None:
        yield f"{clip.name}: the frames were chosen evenly, as it is not known how sharp they are"
