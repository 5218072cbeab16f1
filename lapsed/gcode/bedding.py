"""Gathers what is laid at each height while a file is read."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lapsed.gcode.arrays import Flags, Floats, Ints
from lapsed.gcode.hull import Spot
from lapsed.gcode.span import Steps

RAMP_STEP_MM = 0.01
ROUND_MM = 1e-4

BED = np.dtype(
    [
        ("height", np.float64),
        ("end", np.float64),
        ("ramp", np.bool_),
        ("lines", np.int64),
        ("fed", np.float64),
        ("hull", np.float64, 8),
        ("turned", np.float64),
        ("level", np.float64),
        ("laid", np.float64),
        ("line", np.int64),
        ("offset", np.int64),
        ("step", np.int64),
        ("spot", np.float64, 3),
    ]
)
"""Filament laid in a row at one height, from its first move on; machine coordinates, mm.

`ramp`: the height rose along its first move; then `turned` is the signed angle through which its path turned, rad, and
`laid` the length of it, `level` that of its level moves. `lines` are those that lay, `fed` is the filament fed beyond
what had been drawn back. It begins before the line `line` at the byte `offset`, with the step `step`, at `spot`.
"""

Beds = npt.NDArray[np.void]

Path = tuple[tuple[Spot, Spot], ...]
"""Straight ways, from where to where."""

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
class Place:
    """Before a line: its byte `offset` and `line` (from 0) in the file, the `step` to come, where the head is."""

    offset: int
    line: int
    step: int
    spot: tuple[float, float, float]


class Bedding:
    """The beds so far, in the order they are laid; `end` is after the last line that lays anything.

    `paths` are the ways of the first beds' filament.
    """

    def __init__(self) -> None:
        self.paths: list[Path] = []
        self.end: Place | None = None
        self._pieces: list[Beds] = []
        self._z = np.nan
        self._line = -1
        self._drawn_back = 0.0

    def beds(self) -> Beds:
        """All of them."""
        return np.concatenate(self._pieces) if self._pieces else np.zeros(0, BED)

    def change_filament(self) -> None:
        """From here on another filament is fed, of which nothing is drawn back."""
        self._drawn_back = 0.0

    def lay(self, steps: Steps, pushed: int, where: Where) -> Ints:
        """Add what `steps` lay, the first of which is `pushed`; gives which of them begin a bed.

        `end` is set anew where anything is laid.
        """
        fed = self._fed(steps)
        at = np.flatnonzero((steps.de > 0) & ((steps.dx != 0) | (steps.dy != 0)))
        if not at.size:
            return at
        rising, new = self._cuts(steps, at)
        first = np.concatenate(([0], new)) if not new.size or new[0] else new
        found = self._summed(steps, at, first, fed=fed[at], rising=rising, where=where)
        self._keep_paths(steps, at, first, goes_on=len(first) > len(new))
        if len(first) > len(new):
            _add(self._pieces[-1][-1:], found[0])
            found = found[1:]
            first = first[1:]
        step = at[first]
        line = steps.line[step]
        found["ramp"] = rising[first]
        found["height"] = steps.z[step]
        found["line"], found["offset"], found["step"] = (
            line + where.lines,
            where.starts[line] + where.size,
            step + pushed,
        )
        for i, (end, way) in enumerate(((steps.x, steps.dx), (steps.y, steps.dy), (steps.z, steps.dz))):
            found["spot"][:, i] = end[step] - way[step]
        if len(found):
            self._pieces.append(found)
        self.end = _after(steps, int(at[-1]), pushed, where)
        return step

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
        if rising.any():
            # A shelf ends with its upper edge, so that the step which just reaches a round height still belongs below.
            same_shelf = np.ceil(z / RAMP_STEP_MM - 1e-6) == np.ceil(before / RAMP_STEP_MM - 1e-6)
            changed &= ~(rising & same_shelf)
        return rising, np.flatnonzero(changed)

    def _summed(self, steps: Steps, at: Ints, first: Ints, *, fed: Floats, rising: Flags, where: Where) -> Beds:
        """What the steps from each of `first` on add to one bed."""
        found = np.zeros(len(first), BED)
        x, y = steps.x[at], steps.y[at]
        dx, dy = steps.dx[at], steps.dy[at]
        if rising.any() or (self._pieces and self._pieces[-1]["ramp"][-1]):
            length = np.hypot(dx, dy)
            found["turned"] = np.add.reduceat(_turned(dx, dy, at), first)
            found["laid"] = np.add.reduceat(length, first)
            found["level"] = np.add.reduceat(np.where(rising, 0.0, length), first)
        line = steps.line[at] + where.lines
        found["lines"] = np.add.reduceat(np.diff(line, prepend=self._line) != 0, first, dtype=np.int64)
        self._line = int(line[-1])
        found["fed"] = np.add.reduceat(fed, first)
        found["end"] = steps.z[at[np.append(first[1:], len(at)) - 1]]
        for i, (a, b) in enumerate(zip(_reach(x, y), _reach(x - dx, y - dy), strict=True)):
            np.maximum(a, b, out=a)
            found["hull"][:, i] = np.maximum.reduceat(a, first)
        return found

    def _keep_paths(self, steps: Steps, at: Ints, first: Ints, *, goes_on: bool) -> None:
        """Keep the ways of the first beds."""
        if len(self.paths) > _EARLY:
            return
        ends = [*first.tolist()[1:], len(at)]
        for i, (begin, end) in enumerate(zip(first.tolist(), ends, strict=True)):
            path = _path(steps, at[begin:end])
            if i == 0 and goes_on:
                self.paths[-1] = (self.paths[-1] + path)[:_MOST_PATH]
            elif len(self.paths) <= _EARLY:
                self.paths.append(path)


def _add(bed: Beds, more: np.void) -> None:
    """Add to a bed, the only one in its array, what is laid on it later."""
    for name in ("lines", "fed", "turned", "level", "laid"):
        bed[name] += more[name]
    bed["end"] = more["end"]
    np.maximum(bed["hull"], more["hull"], out=bed["hull"])


def _reach(x: Floats, y: Floats) -> tuple[Floats, ...]:
    """How far spots reach along each of a hull's normals."""
    both, apart = x + y, y - x
    return +x, both, +y, apart, -x, -both, -y, -apart


def _after(steps: Steps, step: int, pushed: int, where: Where) -> Place:
    """After the line that makes a step."""
    line = int(steps.line[step]) + 1
    spot = float(steps.x[step]), float(steps.y[step]), float(steps.z[step])
    return Place(where.size + int(where.starts[line]), where.lines + line, pushed + step + 1, spot)


def _path(steps: Steps, at: Ints) -> Path:
    """The way of the first of some laying steps."""
    at = at[:_MOST_PATH]
    x, y = steps.x[at], steps.y[at]
    starts = zip((x - steps.dx[at]).tolist(), (y - steps.dy[at]).tolist(), strict=True)
    return tuple(zip(starts, zip(x.tolist(), y.tolist(), strict=True), strict=True))


def _turned(dx: Floats, dy: Floats, at: Ints) -> Floats:
    """The signed angle by which each laid step turns from the one before, rad; 0 across travel."""
    angle = np.zeros(len(at))
    cross = dx[:-1] * dy[1:] - dy[:-1] * dx[1:]
    angle[1:] = np.arctan2(cross, dx[:-1] * dx[1:] + dy[:-1] * dy[1:])
    angle[1:][np.diff(at) != 1] = 0.0
    return angle
