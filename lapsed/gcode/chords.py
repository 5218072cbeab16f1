"""Many arcs of the XY plane as chains of chords, with NumPy; `arc.chords` does the same for one."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lapsed.gcode.arc import MOST_CHORDS
from lapsed.gcode.arrays import Flags, Floats, Ints

Pair = tuple[Floats, Floats]


@dataclass(frozen=True, slots=True)
class Arcs:
    """Some arcs among moves: their `index` among those, `start` and `end` in mm.

    `centre` is relative to the start and counts where `radius` is NaN.
    """

    index: Ints
    start: Pair
    end: Pair
    centre: Pair
    radius: Floats
    clockwise: Flags
    tolerance_mm: float


def _centres(arcs: Arcs) -> Pair:
    """The centres, from the radius where that is given; see `arc.centre_from_radius`."""
    (x0, y0), (x1, y1) = arcs.start, arcs.end
    dx, dy = x1 - x0, y1 - y0
    distance = np.hypot(dx, dy)
    by_radius = ~np.isnan(arcs.radius)
    radius = np.where(by_radius, arcs.radius, 0.0)
    height = np.sqrt(np.maximum(radius * radius - distance * distance / 4, 0.0))
    side = np.where(arcs.clockwise != (radius < 0), -height, height)
    share = side / np.where(distance > 0, distance, 1.0)
    return (
        np.where(by_radius, (x0 + x1) / 2 - dy * share, x0 + arcs.centre[0]),
        np.where(by_radius, (y0 + y1) / 2 + dx * share, y0 + arcs.centre[1]),
    )


def _angles(arcs: Arcs, centre: Pair) -> Pair:
    """The direction in which each arc begins, and the signed angle it sweeps; see `arc.sweep`."""
    begin = np.arctan2(arcs.start[1] - centre[1], arcs.start[0] - centre[0])
    turned = np.arctan2(arcs.end[1] - centre[1], arcs.end[0] - centre[0]) - begin
    sweep = np.where(arcs.clockwise, -((-turned) % (2 * np.pi)), turned % (2 * np.pi))
    whole = (arcs.start[0] == arcs.end[0]) & (arcs.start[1] == arcs.end[1])
    turn = np.where(np.isnan(arcs.radius), 2 * np.pi, 0.0)[whole]
    sweep[whole] = np.where(arcs.clockwise[whole], -turn, turn)
    return begin, sweep


def with_chords(arcs: Arcs, machine: list[Floats], at: Ints, columns: list[Floats]) -> tuple[Ints, list[Floats]]:
    """Moves with each arc replaced by its chords: from which move each piece is, and its columns.

    `machine` holds the axes before each line and `at` the lines of the moves; `columns` are x, y, z, dx, dy, dz, de.
    """
    centre = _centres(arcs)
    begin, sweep = _angles(arcs, centre)
    radius = np.hypot(arcs.start[0] - centre[0], arcs.start[1] - centre[1])
    reach = np.maximum(1 - arcs.tolerance_mm / np.maximum(radius, 1e-12), 0.5)
    step = np.where(radius > arcs.tolerance_mm, 2 * np.arccos(reach), 2 * np.pi)
    counts = np.ones(len(at), np.int64)
    counts[arcs.index] = np.clip(np.ceil(np.abs(sweep) / step), 1, MOST_CHORDS)
    source = np.repeat(np.arange(len(at)), counts)
    first = np.cumsum(counts) - counts
    number = np.arange(len(source)) - first[source] + 1
    many = counts[source]
    share = number / many
    where = np.full(len(at), -1)
    where[arcs.index] = np.arange(len(arcs.index))
    inner = np.flatnonzero((where[source] >= 0) & (number < many))
    which = where[source[inner]]
    turned = begin[which] + sweep[which] * share[inner]
    ends: list[Floats] = []
    for axis in range(3):
        start, end = machine[axis][at][source], columns[axis][source]
        place: npt.NDArray[np.float64] = np.where(number == many, end, start + (end - start) * share)
        if axis < 2:
            place[inner] = centre[axis][which] + radius[which] * (np.cos, np.sin)[axis](turned)
        ends.append(place)
    deltas = []
    for axis in range(3):
        before = np.concatenate((ends[axis][:1], ends[axis][:-1]))
        before = np.where(number == 1, machine[axis][at][source], before)
        deltas.append(ends[axis] - before)
    return source, [*ends, *deltas, columns[6][source] / many]
