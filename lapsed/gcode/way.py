"""The head's way to the park point: round what it must not touch, and round the part where that costs little."""

import heapq
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from lapsed.gcode.hull import Hull, Spot, corners, grown, inside_mm, margin, rectangle, ways_out
from lapsed.gcode.kinematics import rest_to_rest_s
from lapsed.settings import Machine, RoundBed

BESIDE_MM = 2.0
"""How far from the part's outline a detour keeps."""

_SKIN_MM = 0.05
_DEARER = (20.0, 5.0, 2.0)
"""By how much a way over the part is taken to be longer than beside it; the first whose detour costs little is gone."""

MOST_HULLS = 12


@dataclass(frozen=True, slots=True)
class Way:
    """The spots at which the way turns, between its two ends, and how much of it lies over the part."""

    turns: tuple[Spot, ...]
    over_mm: float


def holds(machine: Machine, spot: Spot, height_mm: float, slack_mm: float = 0.0) -> bool:
    """Whether the head can stand at a spot at a height; a delta machine's reach narrows near the top."""
    bed = machine.bed
    if isinstance(bed, RoundBed):
        return math.dist(spot, bed.centre_mm) <= bed.reach_mm(height_mm, machine.height_mm) + slack_mm
    nearest = min(max(spot[0], bed.x_mm[0]), bed.x_mm[1]), min(max(spot[1], bed.y_mm[0]), bed.y_mm[1])
    return math.dist(spot, nearest) <= slack_mm


def travel_s(spots: Sequence[Spot], machine: Machine) -> float:
    """How long a way takes, each leg from rest to rest."""
    return sum(
        rest_to_rest_s(math.dist(one, two), machine.travel_mm_s, machine.acceleration_mm_s2)
        for one, two in pairwise(spots)
    )


def way(start: Spot, machine: Machine, height_mm: float, parts: tuple[Hull, ...]) -> Way | None:
    """The way from `start` to the park point at a height, machine coordinates; None where keep-outs bar every way.

    `parts` are the outlines of what is printed.
    """
    end = machine.park_point_mm
    barred = [rectangle(*each) for each in machine.keep_out_mm if margin(start, rectangle(*each)) >= 0]
    over = sum(inside_mm(start, end, part) for part in parts)
    straight = not any(inside_mm(start, end, hull) > 0 for hull in barred)
    if straight and over < BESIDE_MM:
        return Way((), over)
    near = sorted(parts, key=lambda part: margin(start, part))[:MOST_HULLS]
    # Each turn means slowing down and speeding up again, which takes as long as so many mm more would.
    turn_mm = machine.travel_mm_s**2 / machine.acceleration_mm_s2
    ground = _Ground(start, end, near, barred, turn_mm=turn_mm, reachable=lambda spot: holds(machine, spot, height_mm))
    shortest = ground.shortest(0.0)
    if shortest is None:
        return None
    most_s = travel_s(shortest, machine) + machine.detour_s
    dear = (ground.shortest(dearer) for dearer in _DEARER)
    spots = next((spots for spots in dear if spots is not None and travel_s(spots, machine) <= most_s), shortest)
    return Way(tuple(spots[1:-1]), sum(inside_mm(one, two, part) for one, two in pairwise(spots) for part in parts))


class _Ground:
    """The spots at which a way may turn, and what each straight piece between two of them costs."""

    def __init__(
        self,
        start: Spot,
        end: Spot,
        parts: Sequence[Hull],
        barred: Sequence[Hull],
        *,
        turn_mm: float,
        reachable: Callable[[Spot], bool],
    ) -> None:
        turns: list[Spot] = []
        for part in parts:
            around = grown(part, BESIDE_MM)
            turns += corners(around)
            if margin(start, part) < 0:
                turns += ways_out(start, around)
        for hull in barred:
            turns += corners(grown(hull, _SKIN_MM))
        kept = dict.fromkeys((round(x, 3), round(y, 3)) for x, y in turns)
        self.spots = [start, end, *(spot for spot in kept if reachable(spot) and not _in_any(spot, barred))]
        self._parts, self._barred, self._turn_mm = parts, barred, turn_mm
        self._known: dict[tuple[int, int], tuple[float, float]] = {}

    def _piece(self, i: int, j: int) -> tuple[float, float]:
        """Length and length over the part; infinite where it is barred."""
        key = min(i, j), max(i, j)
        if key not in self._known:
            one, two = self.spots[i], self.spots[j]
            if any(inside_mm(one, two, hull) > 0 for hull in self._barred):
                self._known[key] = math.inf, 0.0
            else:
                self._known[key] = math.dist(one, two), sum(inside_mm(one, two, part) for part in self._parts)
        return self._known[key]

    def shortest(self, dearer: float) -> list[Spot] | None:
        """The cheapest way where each mm over the part costs `dearer` mm more (Dijkstra, 1959)."""
        best, came = {0: 0.0}, dict[int, int]()
        queue = [(0.0, 0)]
        done: set[int] = set()
        while queue:
            cost, i = heapq.heappop(queue)
            if i == 1:
                return [self.spots[k] for k in _back(came)]
            if i in done:
                continue
            done.add(i)
            for j in range(1, len(self.spots)):
                if j in done:
                    continue
                length, over = self._piece(i, j)
                total = cost + length + dearer * over + self._turn_mm
                if total < best.get(j, math.inf):
                    best[j], came[j] = total, i
                    heapq.heappush(queue, (total, j))
        return None


def _in_any(spot: Spot, hulls: Sequence[Hull]) -> bool:
    return any(margin(spot, hull) < 0 for hull in hulls)


def _back(came: dict[int, int]) -> Iterator[int]:
    """The way found, from its beginning, spot 0, to its end, spot 1."""
    chain = [1]
    while chain[-1] != 0:
        chain.append(came[chain[-1]])
    return reversed(chain)
