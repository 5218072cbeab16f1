"""Layers from the motion itself: where the first filament is laid at a new height.

What is laid at one height makes a *bed* of filament here, however often the head hopped in between. The rules:

- Only moves that feed filament while X or Y changes lay anything; hops, travel, wipes and blobs don't.
- A bed raised above what follows on which filament is only pushed back to where it was drawn from is a hop.
- Heights that differ by less than 0.025 mm are one layer: supports stand micrometres away, and heights dip and return.
- A fall to the bed that rises again through two heights or more, or lasts to the end, is another object, with layers of
  its own; so is one from further up that rises through five. Any other is an excursion, such as a wipe tower that lags
  behind.
- Purge lines are beds before the first layer that are of few lines and lie clear of all that is laid at other heights
  later, or higher than what follows.
- Where the height rises all the while filament is laid, over more than two layers, the print is a spiral and is cut
  by its rise for each turn. A shorter rise belongs to the layer it leads to, as a sloped seam does.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import reduce
from itertools import pairwise

from lapsed.gcode.hull import Hull, Spot, grown, inside_mm, joined

SAME_MM = 0.025
PURGE_LINES = 200
APART_MM = 1.0
RAMP_STEP_MM = 0.01
ROUND_MM = 1e-4
_WAVE_MM = 0.06
_LEVEL_SHARE = 0.8
_LONGER = 4
_HOP_LINES = 8
_FED_MM = 0.001
_OBJECT_HEIGHTS = 5


@dataclass(frozen=True, slots=True)
class Place:
    """Before a line: its byte `offset` and `line` (from 0) in the file, the `step` to come, where the head is."""

    offset: int
    line: int
    step: int
    spot: tuple[float, float, float]


Path = tuple[tuple[Spot, Spot], ...]
"""Straight ways, from where to where."""


@dataclass(frozen=True, slots=True)
class Bed:
    """Filament laid in a row at one height, from its first move on; machine coordinates, mm.

    `ramp`: the height rose along its first move; then `turned` is the signed angle through which its path turned, rad,
    and `laid_mm` the length of it, `level_mm` that of its level moves. `lines` are those that lay, `fed_mm` is the
    filament fed beyond what had been drawn back, `path` its way, for the first beds.
    `begin` is before its first line.
    """

    height_mm: float
    end_mm: float
    ramp: bool
    lines: int
    fed_mm: float
    hull: Hull
    turned: float
    level_mm: float
    laid_mm: float
    begin: Place
    path: Path = ()

    @property
    def ends_level(self) -> bool:
        """Whether a rise has come to its end here: nearly all that is laid in it is level."""
        return self.level_mm > _LEVEL_SHARE * self.laid_mm


@dataclass(frozen=True, slots=True)
class Layer:
    """A layer: `begin` is before the line that lays its first filament.

    `top_mm` is the height of everything laid before it, `hull` the outline of the layer, `object` counts from 0.
    """

    height_mm: float
    begin: Place
    top_mm: float
    hull: Hull
    object: int


@dataclass(frozen=True, slots=True)
class Layers:
    """The layers of a print, how high it is in the end, and whether any of it is a spiral."""

    all: tuple[Layer, ...] = ()
    top_mm: float = 0.0
    spiral: bool = False


def layers(beds: Sequence[Bed]) -> Layers:
    """The layers of what is laid."""
    flat, spiral = _unramped(_without_hops(beds))
    part = _without_purge(flat)
    purge = flat[: len(flat) - len(part)]
    top = max((bed.end_mm for bed in purge), default=0.0)
    found: list[Layer] = []
    for bed, number, new in _stacked(part):
        if new:
            found.append(Layer(bed.height_mm, bed.begin, top, bed.hull, number))
        else:
            found[-1] = replace(found[-1], hull=joined(found[-1].hull, bed.hull))
        top = max(top, bed.end_mm)
    return Layers(tuple(found), top, spiral)


def _without_hops(beds: Sequence[Bed]) -> list[Bed]:
    """The beds but those that are hops on which drawn-back filament is pushed forward again under way."""
    kept = [
        bed
        for bed, after in pairwise(beds)
        if bed.fed_mm > _FED_MM or bed.lines > _HOP_LINES or after.height_mm > bed.height_mm - SAME_MM
    ]
    return kept + list(beds[-1:])


def _step(beds: Sequence[Bed]) -> float:
    """The rise of the last flat layer, or its height where it is the first; mm, 0 where there is none."""
    heights = [bed.height_mm for bed in beds if not bed.ramp]
    for lower, upper in zip(reversed(heights[:-1]), reversed(heights[1:]), strict=True):
        if upper - lower > SAME_MM:
            return upper - lower
    return heights[-1] if heights else 0.0


def _unramped(beds: Sequence[Bed]) -> tuple[list[Bed], bool]:
    """Beds without rises: spirals cut into turns, shorter rises taken together with what they lead to."""
    out: list[Bed] = []
    spiral = False
    i = 0
    while i < len(beds):
        if not beds[i].ramp:
            out.append(beds[i])
            i += 1
            continue
        end = i
        while end < len(beds) and beds[end].ramp and (end == i or _goes_on(beds[end - 1], beds[end])):
            end += 1
        ramp = beds[i:end]
        step = _step(out)
        if ramp[-1].end_mm - ramp[0].height_mm > 2 * max(step, 0.3) and step < ramp[-1].end_mm:
            out.extend(_turns(ramp, step, out[-1].height_mm if out else 0.0))
            spiral = True
        else:
            out.append(_together(ramp, beds[end] if end < len(beds) else None))
        i = end
    return out, spiral


def _goes_on(one: Bed, two: Bed) -> bool:
    """Whether a rise goes on from one bed to the next.

    Where heights are rounded, a rise is a stair of level treads that are low and alike.
    """
    ended = one.ends_level and (
        two.height_mm - one.end_mm > 2 * RAMP_STEP_MM or one.laid_mm > _LONGER * max(two.laid_mm, ROUND_MM)
    )
    return two.height_mm >= one.height_mm and not ended


def _together(ramp: Sequence[Bed], after: Bed | None) -> Bed:
    """A short rise as one bed at the height where it ends."""
    top = ramp[-1].end_mm
    if after is not None and abs(after.height_mm - top) < SAME_MM:
        top = after.height_mm
    return _merged(ramp, top)


def _merged(beds: Sequence[Bed], height_mm: float) -> Bed:
    return replace(
        beds[0],
        height_mm=height_mm,
        end_mm=max(bed.end_mm for bed in beds),
        ramp=False,
        lines=sum(bed.lines for bed in beds),
        hull=reduce(joined, (bed.hull for bed in beds)),
    )


def _turns(ramp: Sequence[Bed], flat_step: float, base: float) -> Iterator[Bed]:
    """A spiral cut at each multiple of its rise for a turn above what it stands on.

    The rise is that of the flat layers under it if the turns agree; a closed curve without crossings turns by a full
    turn whatever its shape (Hopf's theorem of turning tangents).
    """
    rise = ramp[-1].end_mm - ramp[0].height_mm
    turns = abs(sum(bed.turned for bed in ramp)) / math.tau
    step = rise / turns if turns > 1 else flat_step or rise
    step = flat_step if flat_step and abs(step - flat_step) < 0.05 * flat_step else max(round(step, 2), SAME_MM)
    start = 0
    # What rises to the first cut belongs to the layer under it, where there is one.
    height = base or ramp[0].height_mm
    cut = base + step
    for i, bed in enumerate(ramp):
        if bed.height_mm > cut + ROUND_MM:
            if i > start:
                yield _merged(ramp[start:i], height)
            start, height = i, bed.height_mm
            cut = base + step * math.ceil((height - base - ROUND_MM) / step)
    yield _merged(ramp[start:], height)


def _without_purge(beds: list[Bed]) -> list[Bed]:
    """The beds from the first layer on."""
    start = 0
    while start + 1 < len(beds):
        here, later = beds[start], beds[start + 1 :]
        others = [bed.hull for bed in later if abs(bed.height_mm - here.height_mm) > SAME_MM]
        if here.lines > PURGE_LINES or not others:
            break
        falls = later[0].height_mm < here.height_mm - SAME_MM
        rises = later[0].height_mm > here.height_mm + SAME_MM
        if not falls and (not rises or any(_touches(here, hull) for hull in others)):
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


def _stacked(beds: list[Bed]) -> Iterator[tuple[Bed, int, bool]]:
    """Each bed with the number of its object and whether it begins a layer."""
    levels = _levels(beds)
    heights = [levels[bed.height_mm] for bed in beds]
    lowest = 2 * heights[0] + SAME_MM if beds else 0.0
    top = -math.inf
    number = 0
    i = 0
    while i < len(beds):
        if heights[i] >= top - SAME_MM:
            new = heights[i] > top + SAME_MM
            top = heights[i] if new else top
            yield beds[i], number, new
            i += 1
            continue
        end = next((k for k in range(i, len(beds)) if heights[k] >= top - SAME_MM), len(beds))
        if _is_object(heights[i:end], lowest, last=end == len(beds)):
            top = -math.inf
            number += 1
            continue
        for excursion in beds[i:end]:
            yield excursion, number, False
        i = end


def _is_object(heights: Sequence[float], lowest: float, *, last: bool) -> bool:
    """Whether what is laid after a fall is another object; one that begins at `lowest` or below stands on the bed."""
    crest, count = heights[0], 1
    for height in heights:
        if height > crest + SAME_MM:
            crest, count = height, count + 1
    return count >= _OBJECT_HEIGHTS or (heights[0] <= lowest and (count > 1 or last))
