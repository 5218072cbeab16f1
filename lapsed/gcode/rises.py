"""Beds without rises: spirals cut into turns, shorter rises taken together with what they lead to."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from lapsed.gcode.arrays import Floats
from lapsed.gcode.bedding import RAMP_STEP_MM, ROUND_MM, Beds, Path, Place
from lapsed.gcode.hull import Hull

SAME_MM = 0.025
_LEVEL_SHARE = 0.8
_LONGER = 4
_HOP_LINES = 8
_FED_MM = 0.001
_LEAST_SPIRAL_MM = 0.3


@dataclass(frozen=True, slots=True)
class Bed:
    """Filament laid in a row at one height, up to `end_mm`; `begin` is before its first line, at `begin_s`.

    `lines` are those that lay it, `path` its way where that is known.
    """

    height_mm: float
    end_mm: float
    lines: int
    hull: Hull
    begin: Place
    begin_s: float
    path: Path = ()


class Rises:
    """The beds of a file, with the moments at which they begin, made level."""

    def __init__(self, beds: Beds, begins_s: Floats, paths: Sequence[Path]) -> None:
        self._beds, self._begins, self._paths = beds, begins_s, paths
        self._row = _without_hops(beds)
        self._kept = beds[self._row]
        self.spiral = False

    def level(self) -> list[Bed]:
        """All of them; `spiral` is set where a rise is one."""
        out: list[Bed] = []
        kept = self._kept
        if not len(kept):
            return out
        starts = np.flatnonzero(np.concatenate(([True], ~_goes_on(kept))))
        ends = [*starts.tolist()[1:], len(kept)]
        ramps = kept["ramp"][starts].tolist()
        for start, end, ramp in zip(starts.tolist(), ends, ramps, strict=True):
            if not ramp:
                out.append(self._merged(start, end, float(kept["height"][start])))
            else:
                out += self._unramped(start, end, out)
        return out

    def _unramped(self, start: int, end: int, before: Sequence[Bed]) -> Iterator[Bed]:
        """A rise: cut into turns, or as one bed at the height where it ends."""
        kept = self._kept
        step, top = _step(before), float(kept["end"][end - 1])
        if top - kept["height"][start] > 2 * max(step, _LEAST_SPIRAL_MM) and step < top:
            self.spiral = True
            yield from self._turns(start, end, step, before[-1].height_mm if before else 0.0)
            return
        after = float(kept["height"][end]) if end < len(kept) else math.inf
        yield self._merged(start, end, after if abs(after - top) < SAME_MM else top)

    def _turns(self, start: int, end: int, flat_step: float, base: float) -> Iterator[Bed]:
        """A spiral cut at each multiple of its rise for a turn above what it stands on.

        The rise is that of the flat layers under it if the turns agree; a closed curve without crossings turns by a
        full turn whatever its shape (Hopf's theorem of turning tangents).
        """
        ramp = self._kept[start:end]
        heights = ramp["height"]
        rise = float(ramp["end"][-1] - heights[0])
        turns = abs(float(ramp["turned"].sum())) / math.tau
        step = rise / turns if turns > 1 else flat_step or rise
        step = flat_step if flat_step and abs(step - flat_step) < 0.05 * flat_step else max(round(step, 2), SAME_MM)
        number = np.maximum(np.ceil((heights - base - ROUND_MM) / step), 1)
        cuts = np.flatnonzero(np.diff(number, prepend=0.0) > 0).tolist()
        for cut, next_cut in zip(cuts, [*cuts[1:], len(ramp)], strict=True):
            # What rises to the first cut belongs to the layer under it, where there is one.
            height = base if base and number[cut] == 1 else float(heights[cut])
            yield self._merged(start + cut, start + next_cut, height)

    def _merged(self, start: int, end: int, height_mm: float) -> Bed:
        part = self._kept[start:end]
        row = int(self._row[start])
        first = part[0]
        x, y, z = first["spot"].tolist()
        a, b, c, d, e, f, g, h = (part["hull"].max(axis=0) if len(part) > 1 else first["hull"]).tolist()
        return Bed(
            height_mm=height_mm,
            end_mm=float(part["end"].max() if len(part) > 1 else first["end"]),
            lines=int(part["lines"].sum() if len(part) > 1 else first["lines"]),
            hull=(a, b, c, d, e, f, g, h),
            begin=Place(int(first["offset"]), int(first["line"]), int(first["step"]), (x, y, z)),
            begin_s=float(self._begins[row]),
            path=self._paths[row] if len(part) == 1 and row < len(self._paths) else (),
        )


def _without_hops(beds: Beds) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Which beds are left without hops on which drawn-back filament is pushed forward again under way."""
    falls = np.zeros(len(beds), bool)
    falls[:-1] = beds["height"][1:] <= beds["height"][:-1] - SAME_MM
    return np.flatnonzero(~((beds["fed"] <= _FED_MM) & (beds["lines"] <= _HOP_LINES) & falls))


def _goes_on(beds: Beds) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Whether a rise goes on from each bed to the next.

    Where heights are rounded, a rise is a stair of level treads that are low and alike.
    """
    one, two = beds[:-1], beds[1:]
    ends_level = one["level"] > _LEVEL_SHARE * one["laid"]
    step_up = two["height"] - one["end"] > 2 * RAMP_STEP_MM
    longer = one["laid"] > _LONGER * np.maximum(two["laid"], ROUND_MM)
    rises = one["ramp"] & two["ramp"] & (two["height"] >= one["height"])
    return np.asarray(rises & ~(ends_level & (step_up | longer)))


def _step(beds: Sequence[Bed]) -> float:
    """The rise of the last layer, or its height where it is the first; mm, 0 where there is none."""
    for i in range(len(beds) - 1, 0, -1):
        if (rise := beds[i].height_mm - beds[i - 1].height_mm) > SAME_MM:
            return rise
    return beds[-1].height_mm if beds else 0.0
