"""Layers from the motion itself: where the first filament is laid at a new height.

What is laid at one height makes a *bed* of filament here, however often the head hopped in between. The rules:

- Only moves that feed filament while X or Y changes lay anything; hops, travel, wipes and blobs don't.
- Heights that differ by less than 0.025 mm are one layer: supports stand micrometres away, and heights dip and return.
- A fall that rises again through two heights or more, or lasts to the end, is another object, with layers of its own;
  any other is an excursion, such as a wipe tower that lags behind.
- Purge lines are beds before the first layer that are of few moves and lie clear of all that is laid above them, or
  higher than what follows.
- Where the height rises all the while filament is laid, over more than two layers, the print is a spiral and is cut
  by its rise for each turn. A shorter rise belongs to the layer it leads to, as a sloped seam does.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

SAME_MM = 0.025
PURGE_MOVES = 60
APART_MM = 1.0
RAMP_STEP_MM = 0.01
_LEVEL_SHARE = 0.8
ROUND_MM = 1e-4

Box = tuple[float, float, float, float]
"""Least X, least Y, greatest X, greatest Y, mm."""


@dataclass(frozen=True, slots=True)
class Bed:
    """Filament laid in a row at one height, from its first move on; machine coordinates, mm.

    `ramp`: the height rose along its first move; then `turned` is the signed angle through which its path turned, rad,
    and `laid_mm` the length of it, `level_mm` that of its level moves.
    `line` counts from 0, `step` is the number of its first step, `start` where it begins.
    """

    height_mm: float
    end_mm: float
    ramp: bool
    moves: int
    box: Box
    turned: float
    level_mm: float
    laid_mm: float
    start: tuple[float, float, float]
    offset: int
    line: int
    step: int

    @property
    def ends_level(self) -> bool:
        """Whether a rise has come to its end here: nearly all that is laid in it is level."""
        return self.level_mm > _LEVEL_SHARE * self.laid_mm


@dataclass(frozen=True, slots=True)
class Layer:
    """A layer and the line that lays its first filament: byte `offset` and `line` (from 0) in the file.

    `start` is where that line begins, X, Y, Z in machine coordinates.

    `top_mm` is the height of everything laid before it, `box` the outline of the layer, `object` counts from 0.
    """

    height_mm: float
    start: tuple[float, float, float]
    offset: int
    line: int
    step: int
    top_mm: float
    box: Box
    object: int


def joined(one: Box, two: Box) -> Box:
    """The least box around both."""
    return min(one[0], two[0]), min(one[1], two[1]), max(one[2], two[2]), max(one[3], two[3])


def apart(one: Box, two: Box, gap_mm: float) -> bool:
    """Whether two boxes lie further from each other than `gap_mm` in X or in Y."""
    return one[2] + gap_mm < two[0] or two[2] + gap_mm < one[0] or one[3] + gap_mm < two[1] or two[3] + gap_mm < one[1]


def layers(beds: Sequence[Bed]) -> tuple[tuple[Layer, ...], bool]:
    """The layers, and whether any of the print is a spiral."""
    flat, spiral = _unramped(beds)
    part = _without_purge(flat)
    purge = flat[: len(flat) - len(part)]
    top = max((bed.end_mm for bed in purge), default=0.0)
    found: list[Layer] = []
    for bed, number, new in _stacked(part):
        if new:
            found.append(Layer(bed.height_mm, bed.start, bed.offset, bed.line, bed.step, top, bed.box, number))
        else:
            found[-1] = replace(found[-1], box=joined(found[-1].box, bed.box))
        top = max(top, bed.end_mm)
    return tuple(found), spiral


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
    """Whether a rise goes on from one bed to the next."""
    return two.height_mm >= one.height_mm and not one.ends_level


def _together(ramp: Sequence[Bed], after: Bed | None) -> Bed:
    """A short rise as one bed at the height where it ends."""
    top = ramp[-1].end_mm
    if after is not None and abs(after.height_mm - top) < SAME_MM:
        top = after.height_mm
    return _merged(ramp, top)


def _merged(beds: Sequence[Bed], height_mm: float) -> Bed:
    box = beds[0].box
    for bed in beds[1:]:
        box = joined(box, bed.box)
    end = max(bed.end_mm for bed in beds)
    return replace(beds[0], height_mm=height_mm, end_mm=end, ramp=False, moves=sum(bed.moves for bed in beds), box=box)


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
        here, nexts = beds[start], beds[start + 1 :]
        if here.moves > PURGE_MOVES:
            break
        above = next((bed for bed in nexts if abs(bed.height_mm - here.height_mm) > SAME_MM), None)
        if above is None:
            break
        falls = nexts[0].height_mm < here.height_mm - SAME_MM
        if not falls and not (above is nexts[0] and apart(here.box, above.box, APART_MM)):
            break
        start += 1
    return beds[start:]


def _stacked(beds: list[Bed]) -> Iterator[tuple[Bed, int, bool]]:
    """Each bed with the number of its object and whether it begins a layer."""
    top = -math.inf
    number = 0
    i = 0
    while i < len(beds):
        bed = beds[i]
        if bed.height_mm >= top - SAME_MM:
            new = bed.height_mm > top + SAME_MM
            top = bed.height_mm if new else top
            yield bed, number, new
            i += 1
            continue
        end = i
        rising = False
        while end < len(beds) and beds[end].height_mm < top - SAME_MM:
            rising = rising or beds[end].height_mm > bed.height_mm + SAME_MM
            end += 1
        if rising or end == len(beds):
            top = -math.inf
            number += 1
            continue
        for excursion in beds[i:end]:
            yield excursion, number, False
        i = end
