"""Which layers to shoot for the clip that is wished for, and when to shoot between them."""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from typing import Literal


@dataclass(frozen=True, slots=True)
class Wish:
    """What is wished for: a clip of `length_s`, or a frame `every` so many layers; without either, every layer.

    `spread` says whether the shots of a wished length lie evenly in height or in time. `fill` says what is done where
    the clip needs more frames than there are layers: each frame is held longer, or some are shot between layers.
    """

    length_s: float | None = None
    rate: Fraction = Fraction(25)
    every: int | None = None
    spread: Literal["height", "time"] = "height"
    fill: Literal["hold", "between"] = "hold"

    @property
    def frames(self) -> int | None:
        """The frames that the wished length needs."""
        return None if self.length_s is None else max(1, round(Fraction(self.length_s) * self.rate))

    def fills(self, layers: int) -> bool:
        """Whether shots are wished for between so many layers."""
        return self.fill == "between" and layers > 0 and (self.frames or 0) > layers


def choose(heights_mm: Sequence[float], ends_s: Sequence[float], wish: Wish) -> tuple[int, ...]:
    """The numbers, from 0, of the layers that are shot when they are complete; the last one always is.

    `ends_s` is when each layer is complete.
    """
    count = len(ends_s)
    frames = wish.frames
    if frames is None:
        every = wish.every or 1
        return (*range(every - 1, count - 1, every), count - 1) if count else ()
    if frames >= count:
        return tuple(range(count))
    along = climbed(heights_mm) if wish.spread == "height" and heights_mm else list(ends_s)
    return evenly(along, frames)


def moments(begin_s: float, end_s: float, count: int) -> tuple[float, ...]:
    """`count` moments even in time from the first filament to the last, the last of them at the end, s."""
    return tuple(begin_s + (end_s - begin_s) * i / count for i in range(1, count + 1))


def climbed(heights_mm: Sequence[float]) -> list[float]:
    """The height built up with each layer, counted on through objects that are finished one after another, mm."""
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
