"""Which layers to shoot for the clip that is wished for."""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from typing import Literal


@dataclass(frozen=True, slots=True)
class Wish:
    """What is wished for: a clip of `length_s`, or a frame `every` so many layers; without either, every layer.

    `spread` says whether the shots of a wished length lie evenly in height or in time.
    """

    length_s: float | None = None
    rate: Fraction = Fraction(25)
    every: int | None = None
    spread: Literal["height", "time"] = "height"

    @property
    def frames(self) -> int | None:
        """The frames that the wished length needs."""
        return None if self.length_s is None else max(1, round(Fraction(self.length_s) * self.rate))


def choose(heights_mm: Sequence[float], begins_s: Sequence[float], wish: Wish) -> tuple[int, ...]:
    """The numbers, from 0, of the layers at whose beginning a frame is shot."""
    count = len(begins_s)
    frames = wish.frames
    if frames is None:
        return tuple(range(0, count, wish.every or 1))
    if frames >= count:
        return tuple(range(count))
    along = climbed(heights_mm) if wish.spread == "height" and heights_mm else list(begins_s)
    return evenly(along, frames)


def climbed(heights_mm: Sequence[float]) -> list[float]:
    """The height built up to each layer, counted on through objects that are finished one after another, mm."""
    total, out = 0.0, list[float]()
    for below, height in pairwise((0.0, *heights_mm)):
        total += height - below if height > below else height
        out.append(total)
    return out


def evenly(along: Sequence[float], count: int) -> tuple[int, ...]:
    """`count` different indices of a rising sequence, spread along it as evenly as can be, both ends among them."""
    last = len(along) - 1
    if count <= 1:
        return (last,)[:count]
    chosen: list[int] = []
    at = 0
    for i in range(count):
        wanted = along[0] + (along[last] - along[0]) * i / (count - 1)
        # Enough must be left on both sides for the others.
        at = max(at, i)
        most = last - (count - 1 - i)
        while at < most and abs(along[at + 1] - wanted) <= abs(along[at] - wanted):
            at += 1
        chosen.append(at)
        at += 1
    return tuple(chosen)
