"""Which frames stick out, why, and which of them are left out; pure.

By default only what shows nothing is left out: broken and black frames, and a picture that was there before. Everything
else is proposed, as it may be just what the film is about. And what befalls more than a few frames is no outlier:
it is never left out unasked.
"""

import math
from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from lapsed.clip.judged import Judged
from lapsed.clip.measure import DARK, Light
from lapsed.settings import Fault

Floats = NDArray[np.float64]

_NEAR: Final = 7  # neighbours on each side that a frame is compared with
_FEW: Final = 0.25  # the share of the frames up to which a fault is an outlier
_EXPOSURE_EV: Final = 0.5
_SOFT: Final = 0.75
_SPREADS: Final = 6.0  # of the neighbours' own scatter, as a robust standard deviation


@dataclass(frozen=True, slots=True)
class Verdict:
    """The frame at `index` has a fault; `reason` is the end of a sentence."""

    index: int
    fault: Fault
    reason: str


@dataclass(frozen=True, slots=True)
class Ruling:
    """What is left out, with the reason, what is proposed for it, and what a person keeps all the same."""

    left_out: tuple[Verdict, ...]
    proposed: tuple[Verdict, ...]
    kept: tuple[Verdict, ...] = ()


def verdicts(judged: Sequence[Judged]) -> tuple[Verdict, ...]:
    """The faults of all frames in order, at most one each, the gravest first."""
    found: dict[int, Verdict] = {}
    for verdict in _all(judged):
        found.setdefault(verdict.index, verdict)
    return tuple(found[index] for index in sorted(found))


def rule(
    found: Sequence[Verdict], frames: int, leave_out: Collection[Fault], keep: Collection[int], drop: Collection[int]
) -> Ruling:
    """What becomes of the `found`: `keep` and `drop` are a person's own word on single frames, by index.

    A broken frame can't be kept.
    """
    left_out: list[Verdict] = []
    proposed: list[Verdict] = []
    kept: list[Verdict] = []
    by_index = {verdict.index: verdict for verdict in found}
    alike = Counter(verdict.fault for verdict in found)
    for index in sorted(set(by_index) | set(drop)):
        verdict = by_index.get(index)
        if verdict is not None and verdict.fault == "broken":
            left_out.append(verdict)
        elif index in drop:
            reason = f"was dropped on request; it {verdict.reason}" if verdict else "was dropped on request"
            left_out.append(Verdict(index, verdict.fault if verdict else "dropped", reason))
        elif verdict is not None and index in keep:
            kept.append(verdict)
        elif verdict is not None:
            outlier = alike[verdict.fault] <= max(1, _FEW * frames)
            (left_out if verdict.fault in leave_out and outlier else proposed).append(verdict)
    return Ruling(tuple(left_out), tuple(proposed), tuple(kept))


def _all(judged: Sequence[Judged]) -> Iterator[Verdict]:
    for index, entry in enumerate(judged):
        if entry.broken is not None:
            yield Verdict(index, "broken", entry.broken)
    lit = [(index, entry.light) for index, entry in enumerate(judged) if entry.light is not None]
    yield from _black(lit)
    bright = [(index, light) for index, light in lit if light.high >= DARK]
    yield from _repeated(bright)
    for index, entry in enumerate(judged):
        if (seen := entry.stranger) is not None:
            place = f"{_percent(seen.left)} to {_percent(seen.right)} across"
            place += f" and {_percent(seen.top)} to {_percent(seen.bottom)} down"
            yield Verdict(
                index,
                "stranger",
                f"shows something that frames before and after don't, {place}: perhaps the head, or a hand",
            )
    yield from _exposure(bright)
    yield from _soft(bright)


def _black(lit: Sequence[tuple[int, Light]]) -> Iterator[Verdict]:
    # Where most of the take is that dark, the dark is what was filmed.
    if lit and np.median([light.high for _, light in lit]) >= 5 * DARK:
        for index, light in lit:
            if light.high < DARK:
                yield Verdict(index, "black", "is black")


def _repeated(lit: Iterable[tuple[int, Light]]) -> Iterator[Verdict]:
    first: dict[str, int] = {}
    for index, light in lit:
        before = first.setdefault(light.digest, index)
        if before != index:
            which = "the one before" if before == index - 1 else f"number {before + 1} in order"
            yield Verdict(index, "repeated", f"is the very same picture as {which}")


def _exposure(lit: Sequence[tuple[int, Light]]) -> Iterator[Verdict]:
    level = np.log2([max(light.mean, 1e-4) for _, light in lit])
    for (index, _), off, spread in zip(lit, *_against_neighbours(level), strict=True):
        if abs(off) > max(_EXPOSURE_EV, _SPREADS * spread):
            yield Verdict(
                index, "exposure", f"is {abs(off):.1f} EV {'brighter' if off > 0 else 'darker'} than its neighbours"
            )


def _soft(lit: Sequence[tuple[int, Light]]) -> Iterator[Verdict]:
    level = np.log2([max(light.sharpness, 1e-6) for _, light in lit])
    for at, ((index, _), off, spread) in enumerate(zip(lit, *_against_neighbours(level), strict=True)):
        bar = min(math.log2(_SOFT), -_SPREADS * spread)
        if off >= bar:
            continue
        # An empty bed has less to be sharp than the part that grows on it: only what is softer than both sides is soft.
        sides = [side for side in (level[max(0, at - _NEAR) : at], level[at + 1 : at + 1 + _NEAR]) if len(side)]
        least = max([off, *(level[at] - np.median(side) for side in sides)]) if len(sides) == 2 else 0.0
        if least < bar:
            share = _percent(2**least)
            yield Verdict(index, "soft", f"is softer than its neighbours, with {share} of their sharpness")


def _against_neighbours(values: Floats) -> tuple[Floats, Floats]:
    """How far each value lies from the median of those around it, and these neighbours' own scatter."""
    off, spread = np.zeros(len(values)), np.full(len(values), math.inf)
    for index, value in enumerate(values):
        around = np.delete(values[max(0, index - _NEAR) : index + _NEAR + 1], min(index, _NEAR))
        if len(around) >= 3:
            middle = np.median(around)
            off[index] = value - middle
            spread[index] = 1.4826 * float(np.median(np.abs(around - middle)))
    return off, spread


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"
