"""How long moves take: trapezoids, junction deviation, and a look-ahead buffer of a few dozen moves.

Written move by move, as a machine's own controller works, and on purpose not with the arithmetic that estimates whole
files: each checks the other. Lengths are mm, speeds mm/s, accelerations mm/s2; `u` names a squared speed.
"""

import math
from collections import deque
from dataclasses import dataclass

Axes = tuple[float, float, float, float]
"""One figure for each of X, Y, Z and E."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What the motors may do.

    `speed` and `acceleration` bound each axis; `printing`, `travel` and `retract` are the accelerations of moves that
    extrude, that don't, and of the extruder alone. `deviation` is how far, in mm, a corner may be rounded in thought.
    """

    speed: Axes = (300.0, 300.0, 20.0, 120.0)
    acceleration: Axes = (3000.0, 3000.0, 200.0, 5000.0)
    printing: float = 1000.0
    travel: float = 1500.0
    retract: float = 1500.0
    deviation: float = 0.013


@dataclass(frozen=True, slots=True)
class Move:
    """A straight move by `delta`, no faster than `speed`, and no faster than `entry_u` where it joins the one before.

    `length` is that of the path through X, Y and Z, or the filament's for the extruder alone.
    """

    delta: Axes
    length: float
    speed: float
    acceleration: float
    entry_u: float


@dataclass(frozen=True, slots=True)
class Profile:
    """A move as it is carried out: speeding up from `entry`, going at `top`, slowing down to `exit`."""

    move: Move
    entry: float
    top: float
    exit: float

    @property
    def _times(self) -> tuple[float, float, float]:
        a = self.move.acceleration
        speeding, slowing = (self.top - self.entry) / a, (self.top - self.exit) / a
        ramps = (self.top**2 - self.entry**2 + self.top**2 - self.exit**2) / (2 * a)
        return speeding, max(0.0, self.move.length - ramps) / self.top, slowing

    @property
    def duration_s(self) -> float:
        """How long the move takes."""
        return sum(self._times)

    def share(self, after_s: float) -> float:
        """The share of the move that is done `after_s` its start, 0 to 1."""
        speeding, cruising, slowing = self._times
        left = speeding + cruising + slowing - after_s
        a = self.move.acceleration
        if after_s <= 0 or left <= 0:
            return 0.0 if after_s <= 0 else 1.0
        if after_s < speeding:
            done = self.entry * after_s + a * after_s**2 / 2
        elif left < slowing:
            done = self.move.length - self.exit * left - a * left**2 / 2
        else:
            done = (self.top**2 - self.entry**2) / (2 * a) + self.top * (after_s - speeding)
        return min(1.0, max(0.0, done / self.move.length))


def trapezoid(move: Move, entry: float, leave: float) -> Profile:
    """The quickest way through `move` between two speeds that its length allows for.

    The top speed is where speeding up from one end meets slowing down to the other, v^2 = u0 + 2 a d, or the move's
    own speed if that is less (uniform acceleration, any handbook of mechanics).
    """
    peak_u = (entry**2 + leave**2 + 2 * move.acceleration * move.length) / 2
    return Profile(move, entry, max(entry, leave, min(move.speed, math.sqrt(peak_u))), leave)


class Planner:
    """The moves that are accepted but not begun, and what is known of the one before them."""

    def __init__(self, limits: Limits) -> None:
        self.limits = limits
        self._moves: deque[Move] = deque()
        self._last: Move | None = None
        self._speed_u = 0.0
        self._plan: list[float] | None = None

    def __len__(self) -> int:
        return len(self._moves)

    def push(self, delta: Axes, speed: float) -> bool:
        """Accept a move by `delta` at `speed`; false if it goes nowhere and is dropped."""
        path = math.dist(delta[:3], (0.0, 0.0, 0.0))
        length = path or abs(delta[3])
        if length == 0 or speed <= 0:
            return False
        limits = self.limits
        general = limits.retract if not path else limits.printing if delta[3] else limits.travel
        speed = min([speed, *_along(delta, length, limits.speed)])
        acceleration = min([general, *_along(delta, length, limits.acceleration)])
        entry_u = min(speed**2, self._junction_u(delta, length, acceleration))
        self._last = Move(delta, length, speed, acceleration, entry_u)
        self._moves.append(self._last)
        self._plan = None
        return True

    def take(self) -> Profile:
        """Begin the oldest move: its speeds are fixed from here on, and so is the entry of the next."""
        plan = self._planned()
        profile = trapezoid(self._moves.popleft(), math.sqrt(plan[0]), math.sqrt(plan[1]))
        self._speed_u = plan[1]
        self._plan = plan[1:]
        if not self._moves:
            self._last = None  # what comes after a rest starts from rest
        return profile

    def preview(self) -> list[Profile]:
        """How the waiting moves would go if none came after them."""
        plan = self._planned()
        return [trapezoid(move, math.sqrt(plan[at]), math.sqrt(plan[at + 1])) for at, move in enumerate(self._moves)]

    def _junction_u(self, delta: Axes, length: float, acceleration: float) -> float:
        """The squared speed with which a corner may be taken (junction deviation, Jeon 2011): a J s / (1 - s).

        Between a move of the head and one of the extruder alone the head stands still.
        """
        last = self._last
        if last is None:
            return 0.0
        head, before = any(delta[:3]), any(last.delta[:3])
        if head != before:
            return 0.0
        (x, y, z, e), (last_x, last_y, last_z, last_e) = delta, last.delta
        dot = x * last_x + y * last_y + z * last_z if head else e * last_e
        along = dot / (length * last.length)
        sine = math.sqrt(max(0.0, (1 + along) / 2))  # of half the angle between the two legs of the corner
        ceiling = last.speed**2
        if sine > 1 - 1e-9:
            return ceiling
        return min(ceiling, min(acceleration, last.acceleration) * self.limits.deviation * sine / (1 - sine))

    def _planned(self) -> list[float]:
        """The squared speeds at the start of each waiting move, and at the end of the last."""
        if self._plan is None:
            plan = [*(move.entry_u for move in self._moves), 0.0]
            plan[0] = self._speed_u
            gains = [2 * move.acceleration * move.length for move in self._moves]
            for at in range(len(gains) - 1, 0, -1):
                plan[at] = min(plan[at], plan[at + 1] + gains[at])
            for at, gain in enumerate(gains):
                plan[at + 1] = min(plan[at + 1], plan[at] + gain)
            self._plan = plan
        return self._plan


def _along(delta: Axes, length: float, bounds: Axes) -> list[float]:
    """What bounds on single axes leave for the move as a whole."""
    return [bound * length / abs(part) for part, bound in zip(delta, bounds, strict=True) if part]
