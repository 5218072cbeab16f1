"""Which frame each output frame of a clip shows: spread, eased, held, chosen and dissolved; pure.

Frames lie on an axis of whole numbers: their count, or the height or time that has passed at each. Everything is
exact, so a length comes out to the frame.
"""

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import groupby, pairwise
from math import lcm

from lapsed.clip.arithmetic import exact, frames_in
from lapsed.errors import UserError
from lapsed.settings import Clip


@dataclass(frozen=True, slots=True)
class Turn:
    """The frame `index` shown for `shows` output frames, with `share` of the frame after it mixed in."""

    index: int
    shows: int
    share: float = 0.0


def conform(
    clip: Clip, frames: int, axis: Sequence[int] | None = None, figures: Sequence[float | None] | None = None
) -> tuple[Turn, ...]:
    """The turns of `frames` frames, in order, that make up `clip`.

    `axis` is where the frames lie, as `axis_of` makes it; left out, they are evenly apart. `figures` tell how sharp
    each is, where that is known. A wished length includes the holds; without one, each frame has one output frame at
    full speed. Raises UserError where length, holds, eases and the number of frames don't go together.
    """
    where = tuple(axis) if axis is not None else tuple(range(frames))
    rate = clip.rate
    start, end = frames_in(clip.hold_start_s, rate), frames_in(clip.hold_end_s, rate)
    speed = _Speed(_moving(clip, frames, start + end), exact(clip.ease_in_s) * rate, exact(clip.ease_out_s) * rate)
    _check(clip, frames, speed)
    if clip.between == "dissolve" and speed.moving > frames > 1:
        turns = _dissolved(speed, where)
    else:
        shown = _held(speed, where, figures if clip.choose == "sharpest" else None)
        turns = [(index, 0.0) for index in (_every(shown, frames) if clip.every_frame else shown)]
    runs = [Turn(index, len(list(run)), share) for (index, share), run in groupby(turns)]
    # What stands still is the first and the last picture as they are, without anything mixed in.
    runs[0] = replace(runs[0], shows=runs[0].shows + start)
    runs[-1] = replace(runs[-1], shows=runs[-1].shows + end)
    return tuple(runs)


def axis_of(values: Sequence[float | None], unit: float) -> tuple[int, ...] | None:
    """Where frames lie by their heights or times, in whole `unit`s from the first; None where that can't be told.

    Going back counts as standing still: objects printed one after another each begin at the bed. Frames that tell
    nothing lie evenly between their neighbours that do.
    """
    known = [(index, round(value / unit)) for index, value in enumerate(values) if value is not None]
    if len(known) < 2:
        return None
    steps: list[Fraction] = [Fraction(0)] * (known[0][0] + 1)
    for (i, low), (j, high) in pairwise(known):
        steps += [Fraction(max(0, high - low), j - i)] * (j - i)
    steps += [Fraction(0)] * (len(values) - len(steps))
    at, places = Fraction(0), []
    for step in steps:
        at += step
        places.append(round(at))
    return tuple(places) if places[-1] else None


Share = tuple[int, int]
"""Numerator and denominator: a Fraction would look for common factors at each step, ten times slower."""


class _Speed:
    """A clip's way through its frames: speed grows evenly over `ease_in` output frames and falls over `ease_out`."""

    def __init__(self, moving: int, ease_in: Fraction, ease_out: Fraction) -> None:
        self.moving = moving
        self.eased = ease_in + ease_out
        # All in ticks, which are whole for both eases.
        self._ticks = lcm(ease_in.denominator, ease_out.denominator)
        self._ease_in, self._ease_out = int(ease_in * self._ticks), int(ease_out * self._ticks)
        self._way = 2 * moving * self._ticks - self._ease_in - self._ease_out

    def share(self, t: int, by: int) -> Share:
        """How much of the way is done after `t / by` output frames: constant acceleration, then constant speed."""
        done = t * self._ticks
        left = self.moving * self._ticks * by - done
        if done < self._ease_in * by:
            return done * done, self._way * self._ease_in * by * by
        if left < self._ease_out * by:
            whole = self._way * self._ease_out * by * by
            return whole - left * left, whole
        return 2 * done - self._ease_in * by, self._way * by

    def middles(self) -> Iterator[Share]:
        """The share at the middle of each output frame."""
        return (self.share(2 * k + 1, 2) for k in range(self.moving))

    def ends(self) -> Iterator[Share]:
        """A share for each output frame, from 0 for the first to 1 for the last; 1 where there is only one."""
        steps = self.moving - 1
        return (self.share(self.moving * k, steps) if steps else (1, 1) for k in range(self.moving))


def _moving(clip: Clip, frames: int, still: int) -> int:
    """How many output frames are not in the holds."""
    if clip.length_s is None:
        slow = (exact(clip.ease_in_s) + exact(clip.ease_out_s)) * clip.rate / 2
        return frames + -(-slow.numerator // slow.denominator)
    moving = frames_in(clip.length_s, clip.rate) - still
    if moving < 1:
        raise UserError(
            f"a length of {clip.length_s:g} s leaves nothing beside holds of {clip.hold_start_s:g} s and "
            f"{clip.hold_end_s:g} s; make length_s longer or the holds shorter"
        )
    return moving


def _check(clip: Clip, frames: int, speed: _Speed) -> None:
    if speed.eased > speed.moving:
        raise UserError(
            f"easing for {clip.ease_in_s:g} s and {clip.ease_out_s:g} s does not fit into the "
            f"{float(speed.moving / clip.rate):g} s that clip {clip.name!r} moves; make length_s longer or the eases "
            "shorter"
        )
    if clip.every_frame and speed.moving < frames:
        raise UserError(
            f"{frames} frames don't fit into the {speed.moving} output frames that clip {clip.name!r} has beside its "
            "holds; make length_s longer, or set every_frame = false"
        )


def _held(speed: _Speed, where: Sequence[int], figures: Sequence[float | None] | None) -> list[int]:
    """The frame of each output frame: the one that was last where there are enough to go round, else the nearest."""
    frames = len(where)
    if speed.moving >= frames:
        # Each frame's turn lasts until the next; the last one's as long as the others' on average. All is taken times
        # the number of gaps to keep to whole numbers.
        gaps = max(frames - 1, 1)
        starts, whole = [place * gaps for place in where], where[-1] * frames
        return [bisect_right(starts, whole * num // den) - 1 for num, den in speed.middles()]
    middles, twice = [a + b for a, b in pairwise(where)], 2 * where[-1]
    shares = list(speed.ends())
    nearest = [bisect_right(middles, twice * num // den) for num, den in shares]
    if figures is None:
        return nearest
    return _sharpest(nearest, [Fraction(twice * num, den) for num, den in shares], where, figures)


def _sharpest(
    nearest: Sequence[int], goals: Sequence[Fraction], where: Sequence[int], figures: Sequence[float | None]
) -> list[int]:
    """For each output frame the sharpest of the frames that lie nearer to it than to its neighbours."""
    bounds = [(a + b) / 2 for a, b in pairwise(goals)]
    chosen: list[int] = []
    first = 0
    for k, middle in enumerate(nearest):
        last = bisect_right(where, bounds[k] / 2) if k < len(bounds) else len(where)
        near = sorted(range(first, last), key=lambda index: abs(index - middle))
        best = max(near, key=lambda index: -1.0 if (figure := figures[index]) is None else figure, default=middle)
        chosen.append(max(best, chosen[-1] if chosen else 0))
        first = max(first, last)
    return chosen


def _every(shown: Sequence[int], frames: int) -> list[int]:
    """As near to `shown` as can be with no frame left out; there are at least as many output frames as frames."""
    kept = [min(index, k) for k, index in enumerate(shown)]
    kept[-1] = frames - 1
    for k in range(len(kept) - 2, -1, -1):
        kept[k] = max(kept[k], kept[k + 1] - 1)
    return kept


def _dissolved(speed: _Speed, where: Sequence[int]) -> list[tuple[int, float]]:
    turns = []
    for num, den in speed.ends():
        index = bisect_right(where, where[-1] * num // den) - 1
        low, high = where[index], where[min(index + 1, len(where) - 1)]
        # A thousandth is finer than a code of 8 bits.
        mixed = round((where[-1] * num - low * den) / (den * (high - low)), 3) if high > low else 0.0
        turns.append((index + 1, 0.0) if mixed >= 1 else (index, mixed))
    return turns
