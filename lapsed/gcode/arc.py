"""Arcs as chains of chords."""

import math
from collections.abc import Iterator

PLANES: dict[str, tuple[int, int, int, str, str]] = {
    "G17": (0, 1, 2, "I", "J"),
    "G18": (2, 0, 1, "K", "I"),
    "G19": (1, 2, 0, "J", "K"),
}
"""For each plane: its two axes in the order that makes G3 turn from the first to the second, its normal axis, and the
letters of the centre (ISO 6983-1: G17 is XY, G18 is ZX, G19 is YZ)."""

MOST_CHORDS = 100_000


def centre_from_radius(
    start: tuple[float, float], end: tuple[float, float], radius: float, *, clockwise: bool
) -> tuple[float, float] | None:
    """The centre of an arc given by its radius, None where start and end coincide.

    A negative radius asks for the longer way round. A radius too short to reach is taken as half the distance.
    """
    dx, dy = end[0] - start[0], end[1] - start[1]
    distance = math.hypot(dx, dy)
    if distance == 0 or radius == 0:
        return None
    height = math.sqrt(max(radius * radius - distance * distance / 4, 0.0))
    side = -height if clockwise != (radius < 0) else height
    return (start[0] + end[0]) / 2 - dy / distance * side, (start[1] + end[1]) / 2 + dx / distance * side


def sweep(
    start: tuple[float, float], end: tuple[float, float], centre: tuple[float, float], *, clockwise: bool
) -> float:
    """The signed angle travelled, counter-clockwise positive; a full turn where start and end coincide."""
    if start == end:
        return -math.tau if clockwise else math.tau
    angle = math.atan2(end[1] - centre[1], end[0] - centre[0]) - math.atan2(start[1] - centre[1], start[0] - centre[0])
    return -((-angle) % math.tau) if clockwise else angle % math.tau


def chords(
    start: tuple[float, ...],
    end: tuple[float, ...],
    centre: tuple[float, float],
    plane: str,
    *,
    clockwise: bool,
    turns: int,
    tolerance_mm: float,
) -> Iterator[tuple[float, ...]]:
    """The points after `start` on the arc to `end`; axes outside the plane run along evenly (a helix, filament).

    The points lie on the arc, and no chord strays further than `tolerance_mm` from it. `turns` are whole extra turns.
    """
    first, second = PLANES[plane][:2]
    here, there = (start[first], start[second]), (end[first], end[second])
    radius = math.hypot(here[0] - centre[0], here[1] - centre[1])
    angle = sweep(here, there, centre, clockwise=clockwise)
    angle += math.copysign(math.tau * turns, angle)
    step = 2 * math.acos(max(1 - tolerance_mm / radius, 0.5)) if radius > tolerance_mm else math.tau
    count = min(max(1, math.ceil(abs(angle) / step)), MOST_CHORDS)
    begin = math.atan2(here[1] - centre[1], here[0] - centre[0])
    for i in range(1, count):
        share = i / count
        point = [a + (b - a) * share for a, b in zip(start, end, strict=True)]
        turned = begin + angle * share
        point[first] = centre[0] + radius * math.cos(turned)
        point[second] = centre[1] + radius * math.sin(turned)
        yield tuple(point)
    yield tuple(end)
