"""Layers from the motion itself: where the first filament is laid at a new height.

What is laid at one height makes a *bed* of filament here, however often the head hopped in between. The rules:

- Only moves that feed filament while X or Y changes lay anything; hops, travel, wipes and blobs don't.
- A bed raised above what follows on which filament is only pushed back to where it was drawn from is a hop.
- Heights that differ by less than 0.025 mm are one layer: supports stand micrometres away, and heights dip and return.
- A fall to the bed that rises again through two heights or more, or that stands apart with all that follows at once, is
  another object, with layers of its own; so is one from further up that rises through five. Any other is an excursion,
  such as a wipe tower that lags behind.
- Purge lines are beds before the first layer that are of few lines and lie clear of all that is laid later, or higher
  than what follows.
- Where the height rises all the while filament is laid, over more than two layers, the print is a spiral and is cut
  by its rise for each turn. A shorter rise belongs to the layer it leads to, as a sloped seam does.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from lapsed.gcode.bedding import Place
from lapsed.gcode.hull import Hull, grown, inside_mm, joined, overlap
from lapsed.gcode.rises import SAME_MM, Bed

PURGE_LINES = 200
APART_MM = 1.0
_WAVE_MM = 0.06
_OBJECT_HEIGHTS = 5


@dataclass(frozen=True, slots=True)
class Layer:
    """A layer: `begin` is before the line that lays its first filament, at `begin_s`.

    `top_mm` is the height of everything laid before it, `hull` the outline of the layer, `object` counts from 0.
    """

    height_mm: float
    begin: Place
    begin_s: float
    top_mm: float
    hull: Hull
    object: int


@dataclass(frozen=True, slots=True)
class Layers:
    """The layers of a print, and how high it is in the end."""

    all: tuple[Layer, ...] = ()
    top_mm: float = 0.0


def layers(beds: Sequence[Bed]) -> Layers:
    """The layers of what is laid, level by level."""
    part = _without_purge(beds)
    purge = beds[: len(beds) - len(part)]
    top = max((bed.end_mm for bed in purge), default=0.0)
    found: list[Layer] = []
    for bed, number, new in _stacked(part):
        if new:
            found.append(Layer(bed.height_mm, bed.begin, bed.begin_s, top, bed.hull, number))
        else:
            found[-1] = replace(found[-1], hull=joined(found[-1].hull, bed.hull))
        top = max(top, bed.end_mm)
    return Layers(tuple(found), top)


def _without_purge(beds: Sequence[Bed]) -> Sequence[Bed]:
    """The beds from the first layer on."""
    start = 0
    while start + 1 < len(beds):
        here, later = beds[start], beds[start + 1 :]
        if here.lines > PURGE_LINES:
            break
        falls = later[0].height_mm < here.height_mm - SAME_MM
        if not falls and any(_touches(here, bed.hull) for bed in later):
            break
        start += 1
    return beds[start:]


def _touches(bed: Bed, hull: Hull) -> bool:
    """Whether the filament of a bed, as far as its path is known, comes near a hull."""
    around = grown(hull, APART_MM)
    return not bed.path or any(inside_mm(one, two, around) > 0 for one, two in bed.path)


def _levels(beds: Sequence[Bed]) -> dict[float, float]:
    """For each height the one it counts as: small waves of a layer's height about one level are none."""
    levels: dict[float, float] = {}
    group: list[float] = []
    for height in [*sorted({bed.height_mm for bed in beds}), math.inf]:
        if group and height - group[-1] > SAME_MM:
            wave = group[-1] - group[0] <= _WAVE_MM
            levels.update((each, group[0] if wave else each) for each in group)
            group = []
        group.append(height)
    return levels


def _stacked(beds: Sequence[Bed]) -> Iterator[tuple[Bed, int, bool]]:
    """Each bed with the number of its object and whether it begins a layer."""
    levels = _levels(beds)
    heights = [levels[bed.height_mm] for bed in beds]
    lowest = 2 * heights[0] + SAME_MM if beds else 0.0
    top = -math.inf
    around: Hull | None = None
    number = 0
    i = 0
    while i < len(beds):
        if heights[i] >= top - SAME_MM:
            new = heights[i] > top + SAME_MM
            top = heights[i] if new else top
            around = beds[i].hull if around is None else joined(around, beds[i].hull)
            yield beds[i], number, new
            i += 1
            continue
        end = next((k for k in range(i, len(beds)) if heights[k] >= top - SAME_MM), len(beds))
        apart = around is not None and _is_apart(beds[i : end + 1], around)
        if _is_object(heights[i:end], lowest, apart=apart):
            top, around = -math.inf, None
            number += 1
            continue
        for excursion in beds[i:end]:
            around = excursion.hull if around is None else joined(around, excursion.hull)
            yield excursion, number, False
        i = end


def _is_object(heights: Sequence[float], lowest: float, *, apart: bool) -> bool:
    """Whether what is laid after a fall is another object; one that begins at `lowest` or below stands on the bed.

    Of a single height it must stand, with what follows it, `apart` from what is there already.
    """
    crest, count = heights[0], 1
    for height in heights:
        if height > crest + SAME_MM:
            crest, count = height, count + 1
    return count >= _OBJECT_HEIGHTS or (heights[0] <= lowest and (count > 1 or apart))


def _is_apart(beds: Sequence[Bed], around: Hull) -> bool:
    """Whether beds after a fall, and the one that comes after them, lie clear of what is there already."""
    return not any(overlap(bed.hull, around) for bed in beds)
