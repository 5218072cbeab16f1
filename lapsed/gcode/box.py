"""Upright rectangles on the bed, and what crosses them; mm."""

Box = tuple[float, float, float, float]
"""Least X, least Y, greatest X, greatest Y."""

Spot = tuple[float, float]


def joined(one: Box, two: Box) -> Box:
    """The least box around both."""
    return min(one[0], two[0]), min(one[1], two[1]), max(one[2], two[2]), max(one[3], two[3])


def grown(box: Box, by_mm: float) -> Box:
    """The box with its sides moved out."""
    return box[0] - by_mm, box[1] - by_mm, box[2] + by_mm, box[3] + by_mm


def distance(spot: Spot, box: Box) -> float:
    """How far a spot lies from a box; 0 inside."""
    dx = max(box[0] - spot[0], 0.0, spot[0] - box[2])
    dy = max(box[1] - spot[1], 0.0, spot[1] - box[3])
    return float((dx * dx + dy * dy) ** 0.5)


def crosses(one: Spot, two: Spot, box: Box) -> bool:
    """Whether the straight way from `one` to `two` passes through the inside of a box.

    Clipping a line by the four sides in turn (Liang and Barsky, 1984).
    """
    enter, leave = 0.0, 1.0
    for start, end, low, high in ((one[0], two[0], box[0], box[2]), (one[1], two[1], box[1], box[3])):
        way = end - start
        if way == 0:
            if not low < start < high:
                return False
            continue
        a, b = (low - start) / way, (high - start) / way
        enter, leave = max(enter, min(a, b)), min(leave, max(a, b))
    return enter < leave
