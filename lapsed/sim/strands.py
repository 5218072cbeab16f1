"""What a G-code file lays down, as arrays of straight strands of plastic."""

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lapsed.gcode.dialect import Dialect
from lapsed.gcode.line import parse
from lapsed.gcode.state import State, advance
from lapsed.sim.lens import Singles

_FILAMENT_MM2 = math.pi * (1.75 / 2) ** 2
_COURSE_MM = 0.15
_COURSE_STRANDS = 2000


@dataclass(frozen=True, slots=True)
class Strands:
    """Strand n runs from `start[n]` to `end[n]` at the height `top[n]` and is there once `line[n]` lines are done.

    `width` and `height` are those of the bead, mm; `line` never falls. Course n, about a layer, begins with the strand
    `course[n]`; after the last of them stands the number of all strands.
    """

    line: NDArray[np.int64]
    start: Singles
    end: Singles
    top: Singles
    width: Singles
    height: Singles
    course: NDArray[np.int64]

    def done(self, lines_done: int) -> int:
        """How many strands are there after so many lines."""
        return int(np.searchsorted(self.line, lines_done, side="right"))

    def box(self) -> tuple[Singles, Singles]:
        """The least and the greatest corner of the part; what lies in the lowest layer alone, as skirts do, is none."""
        if not len(self.line):
            return np.zeros(3, np.float32), np.full(3, 20, np.float32)
        above = self.top > self.top.min() + 1e-3
        chosen = above if above.any() else np.ones(len(self.top), bool)
        ends = np.concatenate((self.start[chosen], self.end[chosen]))
        low, high = ends.min(axis=0), ends.max(axis=0)
        low[2] = 0.0
        return low, high


def read(lines: Iterable[str], dialect: Dialect | None = None) -> Strands:
    """The strands of a file's lines."""
    spoken = dialect or Dialect()
    state = State()
    moves = []
    for number, raw in enumerate(lines, 1):
        state, segments = advance(state, parse(raw, spoken), spoken)
        for piece in segments:
            if piece.filament_mm > 0:
                a, b = piece.start, piece.end
                moves.append((number, a.x, a.y, a.z, b.x, b.y, b.z, piece.filament_mm))
    return _gather(np.array(moves, np.float64).reshape(-1, 8))


def _gather(moves: NDArray[np.float64]) -> Strands:
    """Strands from rows of (lines done, x, y, z, x, y, z, filament in mm), in their order."""
    length = np.linalg.norm(moves[:, 4:7] - moves[:, 1:4], axis=1)
    moves, length = moves[length > 1e-4], length[length > 1e-4]
    area = moves[:, 7] * _FILAMENT_MM2 / length
    top = np.maximum(moves[:, 3], moves[:, 6])
    height = _heights(top, area)
    width = np.clip(area / height, 0.15, 2.0)
    small = (moves[:, 1:4], moves[:, 4:7], top, width, height)
    start, end, *rest = (values.astype(np.float32) for values in small)
    return Strands(moves[:, 0].astype(np.int64), start, end, rest[0], rest[1], rest[2], _courses(top))


def _courses(top: NDArray[np.float64]) -> NDArray[np.int64]:
    """Where courses begin: at each step up or down, and now and then where there is none for long."""
    begins = [0] if len(top) else []
    for number, high in enumerate(top.tolist()):
        if abs(high - top[begins[-1]]) > _COURSE_MM or number - begins[-1] >= _COURSE_STRANDS:
            begins.append(number)
    return np.array([*begins, len(top)], np.int64)


def _heights(top: NDArray[np.float64], area: NDArray[np.float64]) -> NDArray[np.float64]:
    """The height of each bead: the step from the next lower layer, or where that is none (a spiral), from its area."""
    levels = np.unique(np.round(top, 3))
    below = np.concatenate(([0.0], levels[:-1]))
    step = (levels - below)[np.searchsorted(levels, np.round(top, 3))]
    plausible = (step > 0.04) & (step < 0.8)
    guess = np.clip(area / 0.45, 0.05, 0.8)
    return np.where(plausible, step, guess)
