"""Gathers what is laid at each height while a file is read."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from lapsed.gcode.layers import RAMP_STEP_MM, ROUND_MM, Bed, joined
from lapsed.gcode.span import Steps
from lapsed.gcode.tokens import Flags, Floats, Ints


@dataclass(frozen=True, slots=True)
class Where:
    """Where the lines of a piece stand in the file."""

    lines: int
    size: int
    starts: Ints


class Bedding:
    """The beds so far, in the order they are laid."""

    def __init__(self) -> None:
        self.beds: list[Bed] = []
        self._z = np.nan

    def lay(self, steps: Steps, pushed: int, where: Where) -> Iterator[int]:
        """Add what `steps` lay; gives the number of the first step of each new bed, counted from `pushed`."""
        at = np.flatnonzero((steps.de > 0) & ((steps.dx != 0) | (steps.dy != 0)))
        if not at.size:
            return
        z = steps.z[at]
        rising = np.abs(steps.dz[at]) > ROUND_MM
        before = np.concatenate(([self._z], z[:-1]))
        self._z = float(z[-1])
        changed = ~(np.abs(z - before) <= ROUND_MM)
        # A shelf ends with its upper edge, so that the step which just reaches a round height still belongs below.
        same_shelf = np.ceil(z / RAMP_STEP_MM - 1e-6) == np.ceil(before / RAMP_STEP_MM - 1e-6)
        new = np.flatnonzero(changed & ~(rising & same_shelf))
        turned = level = length = np.zeros(len(at))
        if rising.any() or (self.beds and self.beds[-1].ramp):
            turned = _turned(steps, at)
            length = np.hypot(steps.dx[at], steps.dy[at])
            level = np.where(rising, 0.0, length)
        first = np.concatenate(([0], new)) if not new.size or new[0] else new
        x, y = steps.x[at], steps.y[at]
        x0, y0 = x - steps.dx[at], y - steps.dy[at]
        sides = [
            np.minimum.reduceat(np.minimum(x, x0), first).tolist(),
            np.minimum.reduceat(np.minimum(y, y0), first).tolist(),
            np.maximum.reduceat(np.maximum(x, x0), first).tolist(),
            np.maximum.reduceat(np.maximum(y, y0), first).tolist(),
        ]
        turns, levels, lengths = (np.add.reduceat(each, first).tolist() for each in (turned, level, length))
        counts = np.diff(first, append=len(at)).tolist()
        lasts = z[np.append(first[1:], len(at)) - 1].tolist()
        for i, begin in enumerate(first.tolist()):
            box = (sides[0][i], sides[1][i], sides[2][i], sides[3][i])
            if not new.size or begin < new[0]:
                old = self.beds[-1]
                self.beds[-1] = replace(
                    old,
                    end_mm=lasts[i],
                    moves=old.moves + counts[i],
                    box=joined(old.box, box),
                    turned=old.turned + turns[i],
                    level_mm=old.level_mm + levels[i],
                    laid_mm=old.laid_mm + lengths[i],
                )
                continue
            step = at[begin]
            line = int(steps.line[step])
            start = steps.x[step] - steps.dx[step], steps.y[step] - steps.dy[step], steps.z[step] - steps.dz[step]
            self.beds.append(
                Bed(
                    height_mm=float(z[begin]),
                    end_mm=lasts[i],
                    ramp=bool(rising[begin]),
                    moves=counts[i],
                    box=box,
                    turned=turns[i],
                    level_mm=levels[i],
                    laid_mm=lengths[i],
                    start=(float(start[0]), float(start[1]), float(start[2])),
                    offset=where.size + int(where.starts[line]),
                    line=where.lines + line,
                    step=pushed + int(step),
                )
            )
            yield self.beds[-1].step


def _turned(steps: Steps, at: Ints) -> Floats:
    """The signed angle by which each laid step turns from the one before, rad; 0 across travel."""
    dx, dy = steps.dx[at], steps.dy[at]
    angle = np.zeros(len(at))
    cross = dx[:-1] * dy[1:] - dy[:-1] * dx[1:]
    angle[1:] = np.arctan2(cross, dx[:-1] * dx[1:] + dy[:-1] * dy[1:])
    together: Flags = np.diff(at) == 1
    angle[1:][~together] = 0.0
    return angle
