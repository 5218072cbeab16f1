"""Finds lines at which a print may be interrupted at wished moments."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lapsed.gcode.arrays import Flags, Floats, Ints
from lapsed.gcode.bedding import Place, Where
from lapsed.gcode.span import Steps


@dataclass(frozen=True, slots=True)
class Found:
    """A line found for a moment: its place, when it begins, and the height of all that is laid before it."""

    place: Place
    at_s: float
    top_mm: float


@dataclass(frozen=True, slots=True)
class _Edges:
    """The steps that begin a line, whose times are still to come; `idle` where the head travels without laying."""

    step: Ints
    line: Ints
    offset: Ints
    spot: Floats
    top: Floats
    idle: Flags


class Seeker:
    """Takes wished moments, in order, and finds the first travel within `patience_s` after each, else the next line.

    Where the head travels anyway, leaving it costs no mark on the part. Moments for which no line of their own is left
    find none.
    """

    def __init__(self, moments_s: Sequence[float], patience_s: float) -> None:
        self.found: list[Found] = []
        self._moments = list(reversed(moments_s))
        self._patience = patience_s
        self._edges: list[_Edges] = []
        self._second: Found | None = None
        self._line = -1
        self._top = 0.0
        self._settled = 0

    def see(self, steps: Steps, pushed: int, where: Where) -> None:
        """Note the edges among steps whose times come later."""
        if not steps.line.size or not self._moments:
            return
        fed = (steps.de > 0) & ((steps.dx != 0) | (steps.dy != 0))
        travels = ~fed & ((steps.dx != 0) | (steps.dy != 0))
        highest = np.where(fed, np.maximum(steps.z, steps.z - steps.dz), 0.0)
        tops = np.maximum.accumulate(np.concatenate(([self._top], highest)))
        self._top = float(tops[-1])
        line = steps.line + where.lines
        at = np.flatnonzero(np.diff(line, prepend=self._line))
        self._line = int(line[-1])
        spot = np.stack([(steps.x - steps.dx)[at], (steps.y - steps.dy)[at], (steps.z - steps.dz)[at]])
        self._edges.append(
            _Edges(at + pushed, line[at], where.starts[steps.line[at]] + where.size, spot, tops[at], travels[at])
        )

    def settle(self, begins_s: Floats) -> None:
        """Take the times at which the next steps begin."""
        end = self._settled + len(begins_s)
        while self._edges and self._edges[0].step[0] < end:
            edges = self._edges.pop(0)
            count = int(np.searchsorted(edges.step, end))
            if count < len(edges.step):
                self._edges.insert(0, _cut(edges, count, len(edges.step)))
                edges = _cut(edges, 0, count)
            self._look(edges, begins_s[edges.step - self._settled])
        self._settled = end

    def finish(self) -> None:
        """Take the next line where nothing more comes to wait for."""
        if self._second is not None:
            self._choose(self._second)

    def _look(self, edges: _Edges, times: Floats) -> None:
        """Find what is wished for among edges whose times are known."""
        travels = np.flatnonzero(edges.idle)
        while self._moments:
            moment = self._moments[-1]
            i = int(np.searchsorted(times, moment))
            if i == len(times) and self._second is None:
                return
            if self._second is None:
                self._second = _found(edges, times, i)
            latest = moment + self._patience
            k = int(np.searchsorted(times[travels], moment))
            if k < len(travels) and times[travels[k]] <= latest:
                self._choose(_found(edges, times, int(travels[k])))
            elif times[-1] > latest:
                self._choose(self._second)
            else:
                return

    def _choose(self, found: Found) -> None:
        self._moments.pop()
        self._second = None
        if not self.found or found.place.line > self.found[-1].place.line:
            self.found.append(found)


def _found(edges: _Edges, times: Floats, i: int) -> Found:
    x, y, z = (float(axis[i]) for axis in edges.spot)
    place = Place(int(edges.offset[i]), int(edges.line[i]), int(edges.step[i]), (x, y, z))
    return Found(place, float(times[i]), float(edges.top[i]))


def _cut(edges: _Edges, start: int, end: int) -> _Edges:
    part = slice(start, end)
    return _Edges(
        edges.step[part], edges.line[part], edges.offset[part], edges.spot[:, part], edges.top[part], edges.idle[part]
    )
