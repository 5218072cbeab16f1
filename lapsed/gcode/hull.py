"""Eight-sided hulls on the bed, what crosses them and how far; mm."""

import math
from collections.abc import Iterable, Iterator
from functools import reduce

Spot = tuple[float, float]

Hull = tuple[float, float, float, float, float, float, float, float]
"""How far a shape reaches along each of NORMALS: X, X+Y, Y, Y-X, -X, -X-Y, -Y, X-Y."""

NORMALS: tuple[Spot, ...] = ((1, 0), (1, 1), (0, 1), (-1, 1), (-1, 0), (-1, -1), (0, -1), (1, -1))
_LENGTHS = (1.0, math.sqrt(2), 1.0, math.sqrt(2), 1.0, math.sqrt(2), 1.0, math.sqrt(2))


def hull_of(spots: Iterable[Spot]) -> Hull:
    """The hull of some spots, at least one."""
    return reduce(joined, (_reach(x, y) for x, y in spots))


def _reach(x: float, y: float) -> Hull:
    return x, x + y, y, y - x, -x, -x - y, -y, x - y


def joined(one: Hull, two: Hull) -> Hull:
    """The least hull around both."""
    a, b, c, d, e, f, g, h = map(max, one, two)
    return a, b, c, d, e, f, g, h


def rectangle(x_low: float, y_low: float, x_high: float, y_high: float) -> Hull:
    """The hull of an upright rectangle, which is the rectangle itself."""
    return joined(
        _reach(x_low, y_low), joined(_reach(x_high, y_high), joined(_reach(x_low, y_high), _reach(x_high, y_low)))
    )


def grown(hull: Hull, by_mm: float) -> Hull:
    """The hull with its sides moved out."""
    a, b, c, d, e, f, g, h = (reach + by_mm * length for reach, length in zip(hull, _LENGTHS, strict=True))
    return a, b, c, d, e, f, g, h


def margin(spot: Spot, hull: Hull) -> float:
    """How far a spot lies outside a hull, or less; negative inside, by the distance to the nearest side."""
    return max((reach - far) / length for reach, far, length in zip(_reach(*spot), hull, _LENGTHS, strict=True))


def inside_mm(one: Spot, two: Spot, hull: Hull) -> float:
    """How much of the straight way from `one` to `two` lies inside a hull.

    Clipping a line by each side in turn (Cyrus and Beck, 1978).
    """
    enter, leave = 0.0, 1.0
    for start, end, far in zip(_reach(*one), _reach(*two), hull, strict=True):
        way = end - start
        if way == 0:
            if start >= far:
                return 0.0
        elif way < 0:
            enter = max(enter, (far - start) / way)
        else:
            leave = min(leave, (far - start) / way)
    return max(leave - enter, 0.0) * math.dist(one, two)


def overlap(one: Hull, two: Hull) -> bool:
    """Whether two hulls share any ground; convex shapes that don't are parted by one of their sides' directions."""
    return all(one[i] > -two[(i + 4) % 8] for i in range(8))


def corners(hull: Hull) -> Iterator[Spot]:
    """The eight corners, some of which may fall together."""
    for i in range(8):
        # Where side i meets the next: two half-planes, solved for X and Y.
        (a, b), (c, d) = NORMALS[i], NORMALS[(i + 1) % 8]
        far, next_far = hull[i], hull[(i + 1) % 8]
        over = a * d - b * c
        yield (far * d - b * next_far) / over, (a * next_far - far * c) / over


def ways_out(spot: Spot, hull: Hull) -> Iterator[Spot]:
    """From a spot inside, the nearest spots on the lines of the eight sides."""
    for (a, b), reach, far, length in zip(NORMALS, _reach(*spot), hull, _LENGTHS, strict=True):
        out = (far - reach) / (length * length)
        yield spot[0] + a * out, spot[1] + b * out
