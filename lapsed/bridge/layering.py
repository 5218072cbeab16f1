"""Layers told while a print streams by, one piece of laid filament at a time; whole files are read by `gcode.layers`.

The rules are those of a whole file, as far as the past alone can tell. What it can't tell at once is told once it is
certain: another object's layers when it has risen, unless it begins on the bed again after many layers.
"""

import math

SAME_MM = 0.025
PURGE_LINES = 200
APART_MM = 1.0
ROUND_MM = 1e-4
"""As where whole files are read, which the bridge doesn't load for its size."""

Point = tuple[float, float, float]
"""X, Y, Z."""

Box = tuple[float, float, float, float]
"""Least X, least Y, greatest X, greatest Y."""

SURE_LAYERS = 5
"""A fall back onto the bed from more layers than this begins another object for certain."""

OBJECT_HEIGHTS = 5
"""So many heights after a fall that did not lead to the bed are another object's."""

TREADS = 6
"""So many level pieces in a row belong to the rise that led to them: where heights are rounded, a spiral is a stair."""

_FIRST_STEP_MM = 0.2


class Layering:
    """The layers of one print, counted from 1 over all its objects; heights in machine coordinates, mm."""

    def __init__(self) -> None:
        self.number = 0
        self.top_mm = 0.0
        """Height of the tallest thing laid so far."""
        self.below_mm = 0.0
        """The same without the last piece."""
        self._object = 0
        self._base_mm = 0.0
        self._layer_mm = -math.inf
        self._step_mm = _FIRST_STEP_MM
        self._fallen: list[float] = []
        self._risen_mm = math.nan
        self._treads = 0
        self._moves = 0
        self._box: Box = (0.0, 0.0, 0.0, 0.0)

    def settled(self, height_mm: float) -> bool:
        """Whether nothing that is laid at this height begins a layer, as one is being laid there."""
        layer = self._layer_mm
        return self.number > 0 and layer - SAME_MM <= height_mm <= layer + SAME_MM

    def lay(self, start: Point, end: Point) -> float | None:
        """Take in a piece along which filament is laid; the height of the layer it begins, None if it begins none."""
        z = end[2]
        self.below_mm = self.top_mm
        self.top_mm = max(self.top_mm, z)
        if self.number == 1 and self._purged(z, _box(start, end)):
            return self._begin(z, _box(start, end), counts=False)
        rising = self.number > 0 and self._rises(start[2], z)
        if rising and z <= self._layer_mm + self._step_mm + ROUND_MM and z >= self._layer_mm - SAME_MM:
            return None  # up to a whole step a rise belongs to the layer under it, or to the flat one it leads to
        if rising and z > self._layer_mm:
            height = self._layer_mm + self._step_mm * math.floor((z - self._layer_mm - ROUND_MM) / self._step_mm)
            self.number += 1
            self._object += 1
            self._layer_mm = height
            return z
        if z > self._layer_mm + SAME_MM:
            return self._begin(z, _box(start, end), counts=True)
        if z < self._layer_mm - SAME_MM:
            return self._fall(z, _box(start, end))
        self._fallen = []
        self._moves += 1
        if self.number == 1:  # asked for there alone, and this is done for each line of a print
            self._box = _joined(self._box, _box(start, end))
        return None

    def _rises(self, start_mm: float, end_mm: float) -> bool:
        """Whether filament is laid upwards, or along a tread of a stair that is rising."""
        if end_mm - start_mm > ROUND_MM:
            self._risen_mm, self._treads = end_mm, 0
        elif start_mm == self._risen_mm == end_mm:
            self._treads += 1
        else:
            self._risen_mm = math.nan
        return self._risen_mm == end_mm and self._treads < TREADS

    def _purged(self, height_mm: float, box: Box) -> bool:
        """Whether all there is so far was but a line that cleans the nozzle."""
        if self._moves > PURGE_LINES or self.settled(height_mm):
            return False
        return height_mm < self._layer_mm or _apart(self._box, box)

    def _begin(self, height_mm: float, box: Box, *, counts: bool) -> float:
        if counts:
            if self.number:
                self._step_mm = height_mm - self._layer_mm
            self.number += 1
            self._object += 1
        if self._object <= 1:
            self._base_mm = height_mm
            self._step_mm = height_mm if height_mm > SAME_MM else _FIRST_STEP_MM
        self._layer_mm, self._fallen = height_mm, []
        self._moves, self._box = 1, box
        return height_mm

    def _fall(self, height_mm: float, box: Box) -> float | None:
        """Below the layer: another object, or an excursion such as a wipe tower that lags behind."""
        fallen = self._fallen
        on_bed = (fallen[0] if fallen else height_mm) <= 2 * self._base_mm + SAME_MM
        if not fallen or height_mm > fallen[-1] + SAME_MM:
            fallen.append(height_mm)
        certain = len(fallen) >= (2 if on_bed else OBJECT_HEIGHTS) or (on_bed and self._object > SURE_LAYERS)
        if not certain:
            return None
        # Those of its layers that have passed, while it might still have been an excursion, are counted with it.
        self.number += len(fallen)
        self._object = len(fallen)
        if len(fallen) > 1:
            self._step_mm = fallen[-1] - fallen[-2]
        return self._begin(height_mm, box, counts=False)


def _box(start: Point, end: Point) -> Box:
    return min(start[0], end[0]), min(start[1], end[1]), max(start[0], end[0]), max(start[1], end[1])


def _joined(one: Box, two: Box) -> Box:
    """The least box around both."""
    return min(one[0], two[0]), min(one[1], two[1]), max(one[2], two[2]), max(one[3], two[3])


def _apart(one: Box, two: Box) -> bool:
    """Whether two boxes lie clear of each other, in X or in Y."""
    across = one[2] + APART_MM < two[0] or two[2] + APART_MM < one[0]
    return across or one[3] + APART_MM < two[1] or two[3] + APART_MM < one[1]
