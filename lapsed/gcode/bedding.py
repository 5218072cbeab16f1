"""Gathers what is laid at each height while a file is read."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from lapsed.gcode.hull import Hull, joined
from lapsed.gcode.layers import RAMP_STEP_MM, ROUND_MM, Bed, Path, Place
from lapsed.gcode.span import Steps
from lapsed.gcode.tokens import Flags, Floats, Ints

_EARLY = 12
"""Of how many beds the path is kept, as purge lines come first."""

_MOST_PATH = 2000


@dataclass(frozen=True, slots=True)
class Where:
    """Where the lines of a piece stand in the file."""

    lines: int
    size: int
    starts: Ints


@dataclass(frozen=True, slots=True)
class _Part:
    """What a row of steps adds to a bed."""

    end_mm: float
    lines: int
    fed_mm: float
    hull: Hull
    turned: float
    level_mm: float
    laid_mm: float


class Bedding:
    """The beds so far, in the order they are laid; `end` is after the last line that lays anything."""

    def __init__(self) -> None:
        self.beds: list[Bed] = []
        self.end: Place | None = None
        self._z = np.nan
        self._line = -1
        self._drawn_back = 0.0

    def change_filament(self) -> None:
        """From here on another filament is fed, of which nothing is drawn back."""
        self._drawn_back = 0.0

    def lay(self, steps: Steps, pushed: int, where: Where) -> Iterator[Place]:
        """Add what `steps` lay, the first of which is `pushed`; gives the places of which the moments must be known.

        They are those where a bed begins, and the one after the last that lays anything.
        """
        fed = self._fed(steps)
        at = np.flatnonzero((steps.de > 0) & ((steps.dx != 0) | (steps.dy != 0)))
        if not at.size:
            return
        rising, new = self._cuts(steps, at)
        first = np.concatenate(([0], new)) if not new.size or new[0] else new
        parts = self._parts(steps, at, first, fed=fed, rising=rising, where=where)
        ends = [*first.tolist()[1:], len(at)]
        for part, begin, end in zip(parts, first.tolist(), ends, strict=True):
            path = _path(steps, at[begin:end]) if len(self.beds) < _EARLY else ()
            if not new.size or begin < new[0]:
                self.beds[-1] = _more(self.beds[-1], part, path)
                continue
            step = int(at[begin])
            self.beds.append(
                Bed(
                    height_mm=float(steps.z[step]),
                    end_mm=part.end_mm,
                    ramp=bool(rising[begin]),
                    lines=part.lines,
                    fed_mm=part.fed_mm,
                    hull=part.hull,
                    turned=part.turned,
                    level_mm=part.level_mm,
                    laid_mm=part.laid_mm,
                    begin=_before(steps, step, pushed, where),
                    path=path,
                )
            )
            yield self.beds[-1].begin
        self.end = _after(steps, int(at[-1]), pushed, where)
        yield self.end

    def _fed(self, steps: Steps) -> Floats:
        """The filament that each step feeds beyond what was drawn back before it."""
        level = np.cumsum(steps.de) - self._drawn_back
        crest = np.maximum.accumulate(np.concatenate(([0.0], level)))
        if level.size:
            self._drawn_back = float(crest[-1] - level[-1])
        return np.diff(crest)

    def _cuts(self, steps: Steps, at: Ints) -> tuple[Flags, Ints]:
        """Which laying steps rise or fall, and which begin a new bed."""
        z = steps.z[at]
        rising = np.abs(steps.dz[at]) > ROUND_MM
        before = np.concatenate(([self._z], z[:-1]))
        self._z = float(z[-1])
        changed = ~(np.abs(z - before) <= ROUND_MM)
        # A shelf ends with its upper edge, so that the step which just reaches a round height still belongs below.
        same_shelf = np.ceil(z / RAMP_STEP_MM - 1e-6) == np.ceil(before / RAMP_STEP_MM - 1e-6)
        return rising, np.flatnonzero(changed & ~(rising & same_shelf))

    def _parts(
        self, steps: Steps, at: Ints, first: Ints, *, fed: Floats, rising: Flags, where: Where
    ) -> Iterator[_Part]:
        """What the steps from each of `first` on add to one bed."""
        turned = level = length = np.zeros(len(at))
        if rising.any() or (self.beds and self.beds[-1].ramp):
            turned = _turned(steps, at)
            length = np.hypot(steps.dx[at], steps.dy[at])
            level = np.where(rising, 0.0, length)
        x, y, z = steps.x[at], steps.y[at], steps.z[at]
        x0, y0 = x - steps.dx[at], y - steps.dy[at]
        line = steps.line[at] + where.lines
        fresh = np.diff(line, prepend=self._line) != 0
        self._line = int(line[-1])
        lasts = np.append(first[1:], len(at)) - 1
        reach = zip(_reach(x, y), _reach(x0, y0), strict=True)
        hulls = zip(*(np.maximum.reduceat(np.maximum(a, b), first).tolist() for a, b in reach), strict=True)
        sums = [np.add.reduceat(each, first).tolist() for each in (fed[at], turned, level, length)]
        counts = np.add.reduceat(fresh, first, dtype=np.int64).tolist()
        for end_mm, lines, hull, fed_mm, turn, flat, laid in zip(z[lasts].tolist(), counts, hulls, *sums, strict=True):
            yield _Part(end_mm, lines, fed_mm, hull, turn, flat, laid)


def _reach(x: Floats, y: Floats) -> tuple[Floats, ...]:
    """How far spots reach along each of a hull's normals."""
    both, apart = x + y, y - x
    return x, both, y, apart, -x, -both, -y, -apart


def _before(steps: Steps, step: int, pushed: int, where: Where) -> Place:
    """Before the line that makes a step."""
    line = int(steps.line[step])
    spot = tuple(float(end[step] - way[step]) for end, way in _ends(steps))
    return Place(where.size + int(where.starts[line]), where.lines + line, pushed + step, (spot[0], spot[1], spot[2]))


def _after(steps: Steps, step: int, pushed: int, where: Where) -> Place:
    """After the line that makes a step."""
    line = int(steps.line[step]) + 1
    spot = float(steps.x[step]), float(steps.y[step]), float(steps.z[step])
    return Place(where.size + int(where.starts[line]), where.lines + line, pushed + step + 1, spot)


def _ends(steps: Steps) -> tuple[tuple[Floats, Floats], ...]:
    return (steps.x, steps.dx), (steps.y, steps.dy), (steps.z, steps.dz)


def _more(bed: Bed, part: _Part, path: Path) -> Bed:
    """A bed with more laid on it."""
    return replace(
        bed,
        end_mm=part.end_mm,
        lines=bed.lines + part.lines,
        fed_mm=bed.fed_mm + part.fed_mm,
        hull=joined(bed.hull, part.hull),
        turned=bed.turned + part.turned,
        level_mm=bed.level_mm + part.level_mm,
        laid_mm=bed.laid_mm + part.laid_mm,
        path=(bed.path + path)[:_MOST_PATH],
    )


def _path(steps: Steps, at: Ints) -> Path:
    """The way of the first of some laying steps."""
    at = at[:_MOST_PATH]
    x, y = steps.x[at], steps.y[at]
    starts = zip((x - steps.dx[at]).tolist(), (y - steps.dy[at]).tolist(), strict=True)
    return tuple(zip(starts, zip(x.tolist(), y.tolist(), strict=True), strict=True))


def _turned(steps: Steps, at: Ints) -> Floats:
    """The signed angle by which each laid step turns from the one before, rad; 0 across travel."""
    dx, dy = steps.dx[at], steps.dy[at]
    angle = np.zeros(len(at))
    cross = dx[:-1] * dy[1:] - dy[:-1] * dx[1:]
    angle[1:] = np.arctan2(cross, dx[:-1] * dx[1:] + dy[:-1] * dy[1:])
    together: Flags = np.diff(at) == 1
    angle[1:][~together] = 0.0
    return angle
