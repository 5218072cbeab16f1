"""How long a file's motion takes: trapezoids, corners and full look-ahead, a chunk at a time, with NumPy.

In squared speeds u, a move of length d at acceleration a changes u by at most k = 2 a d (v1^2 = v0^2 + 2 a d). With K
the running sum of k, the greatest speeds that can still be slowed from are u_i = min over j >= i of (cap_j + K_j), less
K_i: one reversed running minimum; those that can be reached are its mirror image. Corners follow the junction deviation
(Jeon, 2011): v^2 = a J s / (1 - s), s the sine of half the corner's angle; or the older bound on the sudden change of
speed of each axis.
"""

from dataclasses import dataclass, replace

import numpy as np

from lapsed.gcode.arrays import Flags, Floats
from lapsed.gcode.line import Line
from lapsed.gcode.span import Steps

Axes = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Limits:
    """What the motors may do, mm/s and mm/s2; the four figures are for X, Y, Z and E.

    `printing`, `travel` and `retract` are the accelerations of moves that feed filament, that don't, and of filament
    alone. `jerk`, where given, is used for corners instead of `deviation_mm`. `least_s` is the least time of a move.
    """

    speed: Axes = (300.0, 300.0, 20.0, 120.0)
    acceleration: Axes = (3000.0, 3000.0, 200.0, 5000.0)
    printing: float = 1000.0
    travel: float = 1500.0
    retract: float = 1500.0
    deviation_mm: float = 0.013
    jerk: Axes | None = None
    least_s: float = 0.0
    first_speed: float = 25.0


def overridden(limits: Limits, line: Line) -> Limits:
    """The limits after a line of the file that sets some: M201, M203 (mm/s) or M205."""

    def axes(now: Axes) -> Axes:
        given = (line.value(axis) for axis in "XYZE")
        x, y, z, e = (new if new is not None and new > 0 else old for new, old in zip(given, now, strict=True))
        return x, y, z, e

    if line.code == "M201":
        return replace(limits, acceleration=axes(limits.acceleration))
    if line.code == "M203":
        return replace(limits, speed=axes(limits.speed))
    if line.code == "M205":
        deviation = line.value("J")
        if deviation is not None and deviation > 0:
            limits = replace(limits, deviation_mm=deviation, jerk=None)
        if limits.jerk is not None:
            limits = replace(limits, jerk=axes(limits.jerk))
    return limits


@dataclass(frozen=True, slots=True)
class _Moves:
    """Moves whose speeds are not settled yet; `cap` is the greatest squared speed each may be entered with."""

    cap: Floats
    length: Floats
    speed: Floats
    acceleration: Floats

    def cut(self, start: int, end: int | None = None) -> "_Moves":
        part = slice(start, end)
        return _Moves(self.cap[part], self.length[part], self.speed[part], self.acceleration[part])

    def then(self, more: "_Moves") -> "_Moves":
        return _Moves(
            np.concatenate((self.cap, more.cap)),
            np.concatenate((self.length, more.length)),
            np.concatenate((self.speed, more.speed)),
            np.concatenate((self.acceleration, more.acceleration)),
        )


_NONE = np.zeros(0)


class Timer:
    """Takes steps as they come, and gives the duration of each as soon as nothing later can change it."""

    def __init__(self) -> None:
        self._open = _Moves(_NONE, _NONE, _NONE, _NONE)
        self._entry_u = 0.0
        self._direction = np.zeros((4, 1))
        self._last = (0.0, 1.0)

    def push(self, steps: Steps, limits: Limits, rested: Flags) -> Floats:
        """Add steps; `rested` marks those before which the machine is at rest. Gives the durations that are settled."""
        if steps.line.size:
            self._open = self._open.then(self._moves(steps, limits, rested))
        return self._settle(finishing=False)

    def finish(self) -> Floats:
        """The durations of the rest, the last step ending at rest."""
        return self._settle(finishing=True)

    def _moves(self, steps: Steps, limits: Limits, rested: Flags) -> _Moves:
        parts = (steps.dx, steps.dy, steps.dz, steps.de)
        path = np.sqrt(steps.dx**2 + steps.dy**2 + steps.dz**2)
        head = path > 0
        sizes = [np.abs(part) for part in parts]
        length = np.where(head, path, sizes[3])
        speed = np.where(steps.feed > 0, steps.feed / 60, limits.first_speed)
        slowest = sizes[0] / limits.speed[0]
        strain = sizes[0] / limits.acceleration[0]
        for size, fast, hard in zip(sizes[1:], limits.speed[1:], limits.acceleration[1:], strict=True):
            np.maximum(slowest, size / fast, out=slowest)
            np.maximum(strain, size / hard, out=strain)
        np.maximum(slowest, limits.least_s, out=slowest)
        speed = np.minimum(speed, length / slowest)
        general = np.where(head, np.where(steps.de != 0, limits.printing, limits.travel), limits.retract)
        general = np.where(np.isnan(steps.acceleration), general, steps.acceleration)
        acceleration = np.minimum(general, length / strain)
        cap = self._corners(parts, length=length, head=head, speed=speed, acceleration=acceleration, limits=limits)
        cap[rested] = 0.0
        return _Moves(cap, length, speed, acceleration)

    def _corners(
        self,
        parts: tuple[Floats, ...],
        *,
        length: Floats,
        head: Flags,
        speed: Floats,
        acceleration: Floats,
        limits: Limits,
    ) -> Floats:
        """The greatest squared speed at the start of each move; between head and filament alone all stands still."""
        direction = np.empty((4, len(length) + 1))
        direction[:, 0] = self._direction[:, 0]
        for i, part in enumerate(parts):
            np.divide(part, length, out=direction[i, 1:])
        before_speed = np.concatenate(([self._last[0]], speed[:-1]))
        slower = np.minimum(speed, before_speed)
        along = direction[0, 1:] * direction[0, :-1]
        along += direction[1, 1:] * direction[1, :-1]
        along += direction[2, 1:] * direction[2, :-1]
        was_head = np.concatenate(([bool(self._direction[:3, 0].any())], head[:-1]))
        alone = ~head & ~was_head
        along[alone] = direction[3, 1:][alone] * direction[3, :-1][alone]
        cap = slower * slower
        if limits.jerk is None:
            sine = np.sqrt(np.maximum((1 + along) / 2, 0.0))
            before = np.concatenate(([self._last[1]], acceleration[:-1]))
            corner = np.minimum(acceleration, before) * (limits.deviation_mm * sine)
            corner /= np.maximum(1 - sine, 1e-12)
            np.copyto(corner, np.inf, where=sine > 1 - 1e-9)
            np.minimum(cap, corner, out=cap)
        else:
            change = np.abs(np.diff(direction, axis=1)) * slower
            worst = np.max(change / np.array(limits.jerk)[:, None], axis=0)
            cap /= np.maximum(worst, 1.0) ** 2
        cap[head != was_head] = 0.0
        self._direction = direction[:, -1:].copy()
        self._last = float(speed[-1]), float(acceleration[-1])
        return cap

    def _settle(self, *, finishing: bool) -> Floats:
        """Both passes over the open moves; those settled leave, the others wait for what comes."""
        moves = self._open
        count = len(moves.cap)
        if not count:
            return _NONE
        gain = 2 * moves.acceleration * moves.length
        total = np.concatenate(([0.0], np.cumsum(gain)))
        cap = np.append(moves.cap, 0.0)
        cap[0] = self._entry_u
        reach = cap + total
        backward = np.minimum.accumulate(reach[::-1] if finishing else reach[-2::-1])[::-1]
        # What is still to come can only bound by total[-1] and more.
        settled = count if finishing else int(np.searchsorted(backward, total[-1], "right")) - 1
        if settled <= 0:
            return _NONE
        nodes, base = backward[: settled + 1] - total[: settled + 1], total[: settled + 1]
        u = np.maximum(np.minimum.accumulate(nodes - base) + base, 0.0)
        self._entry_u = float(u[-1])
        self._open = moves.cut(settled)
        return _durations(moves.cut(0, settled), u, gain[:settled])


def _durations(moves: _Moves, u: Floats, gain: Floats) -> Floats:
    """Trapezoids: t = (vc - v0)/a + (vc - v1)/a + (d - (2 vc^2 - v0^2 - v1^2)/(2a))/vc (kinematics, any handbook)."""
    u0, u1 = u[:-1], u[1:]
    v = np.sqrt(u)
    top = np.minimum(moves.speed, np.sqrt((u0 + u1 + gain) / 2))
    top = np.maximum(np.maximum(v[:-1], v[1:]), top)
    ramps = (2 * top - v[:-1] - v[1:]) / moves.acceleration
    even = moves.length - (2 * top * top - u0 - u1) / (2 * moves.acceleration)
    return ramps + np.maximum(even, 0.0) / top
