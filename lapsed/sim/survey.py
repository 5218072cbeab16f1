"""What a good host knows of a file before it prints it: its layers, its height, and how long it takes."""

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass, field

from lapsed.gcode.state import Segment
from lapsed.sim.machine import Machine

STEP_MM = 0.02
"""Heights nearer than this are one layer: slicers put supports some micrometres beside it."""

DIGIT_MM = 0.001
"""What the last digit of a written height is worth."""

LINES_A_TURN = 200


@dataclass(frozen=True, slots=True)
class Layer:
    """A layer as the host counts, from 1 on and through all objects, and the height of its top, mm."""

    number: int
    height_mm: float


@dataclass(frozen=True, slots=True)
class Survey:
    """`begins` says which layers begin at a line, counted from 0. `duration_s` is simulated time."""

    begins: dict[int, Layer] = field(default_factory=dict)
    layers: int = 0
    height_mm: float = 0.0
    duration_s: float = 0.0


class LayerCount:
    """Counts a layer at the first extruding move at a new greatest height within an object.

    An object is taken to begin where material is laid at the first layer's height again, with the part already
    several layers high. In a spiral, where height rises along with extrusion, a layer is as much height as the last
    one before it had. Moves of the extruder alone and travel count for nothing.
    """

    def __init__(self) -> None:
        self.latest: Layer | None = None
        self._first_mm = self._greatest_mm = 0.0
        self._thickness_mm = 0.0
        self._risen_mm: float | None = None
        self._of_object = 0

    def see(self, segment: Segment) -> None:
        """Take a piece of motion into account."""
        start, end = segment.start, segment.end
        if segment.filament_mm <= 0 or (start.x == end.x and start.y == end.y):
            return
        height, rise = end.z, end.z - self._greatest_mm
        # Between two rises a spiral has level pieces, its heights being written with few digits.
        spiral = end.z > start.z or end.z == self._risen_mm
        self._risen_mm = end.z if spiral else None
        if self.latest is None:
            self._first_mm = height
        elif self._of_object > 2 and height <= self._first_mm + STEP_MM:
            self._of_object = 0
        elif rise <= STEP_MM or (spiral and rise < self._thickness_mm - DIGIT_MM):
            return
        elif not spiral:
            self._thickness_mm = rise
        self._greatest_mm = height if not spiral else self._greatest_mm + (self._thickness_mm or rise)
        self._of_object += 1
        self.latest = Layer(1 if self.latest is None else self.latest.number + 1, height)


async def survey(lines: Sequence[str], machine: Machine) -> Survey:
    """Run through a file's lines on a twin of the machine, giving way to others on the event loop."""
    count = LayerCount()
    twin = machine.twin(count.see)
    begins: dict[int, Layer] = {}
    seen = None
    for index, text in enumerate(lines):
        twin.execute(text)
        if count.latest is not None and count.latest is not seen:
            seen = begins[index] = count.latest
        if index % LINES_A_TURN == 0:
            await asyncio.sleep(0)
    twin.finish()
    tallest = max((layer.height_mm for layer in begins.values()), default=0.0)
    return Survey(begins, seen.number if seen else 0, tallest, twin.now_s)
