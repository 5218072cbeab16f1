"""The simulated machine: carries out lines one by one, knows where its head is at any instant, keeps a log.

Time here is simulated, in seconds since the machine was switched on. A line takes no time to arrive; a move is
answered as soon as it is in the buffer and there is room for another, so what is commanded runs ahead of the head.
"""

from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Literal

from lapsed.gcode.dialect import Dialect
from lapsed.gcode.line import Line, parse
from lapsed.gcode.state import Segment, State, advance
from lapsed.model import Position
from lapsed.sim.planner import Axes, Limits, Planner, Profile

Source = Literal["print", "run"]
Place = tuple[float, float, float]

HEATING = frozenset({"M109", "M116", "M190", "M191"})
HEATING_S = 2.0
"""A stated allowance for each wait for a heater, since nothing here gets warm."""

HOMING_MM_S = 50.0
PROBING_S = 5.0
RETRACTION_MM = 1.0
RETRACTION_MM_S = 40.0
FIRST_FEED_MM_MIN = 1500.0
"""What a move goes at before any F word."""

_NOWHERE: Axes = (0.0, 0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class _Going:
    """A move under way since `begun_s`, from `origin`; `line` counts the print's lines that came before its own."""

    begun_s: float
    profile: Profile
    origin: Place
    line: int

    @property
    def ends_s(self) -> float:
        return self.begun_s + self.profile.duration_s

    def place(self, at_s: float) -> Place:
        """Where the head is at an instant of the move."""
        share = self.profile.share(at_s - self.begun_s)
        x, y, z = (a + d * share for a, d in zip(self.origin, self.profile.move.delta[:3], strict=True))
        return x, y, z

    @property
    def end(self) -> Place:
        """Where the move leads."""
        x, y, z = (a + d for a, d in zip(self.origin, self.profile.move.delta[:3], strict=True))
        return x, y, z


class Machine:
    """The machine under the host. `now_s` only grows, by what the lines take and by `wait_until`.

    `watch` is told every straight piece of motion as it is accepted.
    """

    def __init__(
        self,
        *,
        limits: Limits | None = None,
        dialect: Dialect | None = None,
        buffer_moves: int = 32,
        watch: Callable[[Segment], None] | None = None,
    ) -> None:
        self.dialect = dialect or Dialect()
        self.state = State(feed_mm_min=FIRST_FEED_MM_MIN)
        self.now_s = 0.0
        self._limits = limits or Limits()
        self._planner = Planner(self._limits)
        self._room = buffer_moves
        self._watch = watch
        self._lines: deque[int] = deque()  # for each waiting move, as _Going.line
        self._going: _Going | None = None
        self._end: Place = (0.0, 0.0, 0.0)  # where the head is once the move under way is over
        self.printed = 0
        """How many of the print's lines were carried out as far as their answer."""

    def twin(self, watch: Callable[[Segment], None]) -> "Machine":
        """A fresh machine that behaves alike."""
        return Machine(limits=self._limits, dialect=self.dialect, buffer_moves=self._room, watch=watch)

    # ------------------------------------------------------------------------------------------------ lines

    def execute(self, text: str, source: Source = "print") -> tuple[str, ...]:
        """Carry out a line as far as its answer, and give the console lines it makes.

        Afterwards `now_s` is when the answer comes.
        """
        line = parse(text, self.dialect)
        before = self.state
        self.state, segments = advance(before, line, self.dialect)
        for segment in segments:
            self._move(segment)
        said = self._beside(line, before)
        if source == "print":
            self.printed += 1
        return said

    def _beside(self, line: Line, before: State) -> tuple[str, ...]:
        """What a line does beside changing the state and moving along its segments."""
        code = line.code
        match code:
            case "M117" | "M118":
                return (line.text,)
            case "M114":
                x, y, z, e = axes(self.state.position)
                return (f"X:{x:.3f} Y:{y:.3f} Z:{z:.3f} E:{e:.5f}",)
            case "M400":
                self.finish()
            case "G4":
                self.finish()
                self.now_s += (line.value("S") or 0.0) + (line.value("P") or 0.0) / 1000
            case "G28":
                self.finish()
                self._push(_difference(axes(before.machine), axes(self.state.machine)), HOMING_MM_S)
                self.finish()
            case "G29" | "G32":
                self.finish()
                self.now_s += PROBING_S
            case "G10" | "G11" if self.state.retracted != before.retracted:
                drawn = -RETRACTION_MM if code == "G10" else RETRACTION_MM
                self._push((0.0, 0.0, 0.0, drawn), RETRACTION_MM_S)
            case _ if code in HEATING:
                self.finish()
                self.now_s += HEATING_S
            case "M201" | "M203" | "M204" | "M205":
                self._planner.limits = limited(self._planner.limits, line)
        return ()

    def _move(self, segment: Segment) -> None:
        if self._watch is not None:
            self._watch(segment)
        self._push(_difference(axes(segment.start), axes(segment.end)), segment.feed_mm_min / 60)

    def _push(self, delta: Axes, speed: float) -> None:
        if not self._planner.push(delta, speed):
            return
        self._lines.append(self.printed)
        while len(self._planner) >= self._room:
            self.now_s = max(self.now_s, self._begin_next(self.now_s))

    # ----------------------------------------------------------------------------------------------- motion

    def _begin_next(self, idle_s: float) -> float:
        """Begin the next waiting move, when the one under way ends or at `idle_s`; gives the time it begins."""
        going = self._going
        begun_s = idle_s if going is None else going.ends_s
        self._going = _Going(begun_s, self._planner.take(), self._end, self._lines.popleft())
        self._end = self._going.end
        return begun_s

    def finish(self) -> None:
        """Let all accepted moves be carried out."""
        while self._planner:
            self._begin_next(self.now_s)
        if self._going is not None:
            self.now_s = max(self.now_s, self._going.ends_s)
            self._going = None

    def wait_until(self, at_s: float) -> None:
        """Let time pass without a new line, as while the print is held: the buffer runs empty meanwhile."""
        while self._going is None or self._going.ends_s <= at_s:
            if not self._planner:
                self._going = None
                break
            self._begin_next(self.now_s)
        self.now_s = max(self.now_s, at_s)

    def _timeline(self) -> Iterator[_Going]:
        """The move under way and those waiting, as they would go if none came after them."""
        going, end, begun_s = self._going, self._end, self.now_s
        if going is not None:
            yield going
            begun_s = going.ends_s
        for profile, line in zip(self._planner.preview(), self._lines, strict=True):
            going = _Going(begun_s, profile, end, line)
            yield going
            begun_s, end = going.ends_s, going.end

    def head(self, at_s: float) -> tuple[Place, int]:
        """Where the head is at an instant not before the last answer, and how many of the print's lines are done.

        The place is in machine coordinates, which no G92 shifts.
        """
        place, done = self._end, self.printed
        for going in self._timeline():
            place, done = going.place(at_s), going.line
            if at_s < going.ends_s:
                return place, done
        return place, self.printed


def axes(position: Position) -> Axes:
    """The four figures of a position."""
    return position.x, position.y, position.z, position.e


def _difference(start: Axes, end: Axes) -> Axes:
    return end[0] - start[0], end[1] - start[1], end[2] - start[2], end[3] - start[3]


def limited(limits: Limits, line: Line) -> Limits:
    """The limits after M201 (axis accelerations), M203 (axis speeds, mm/s), M204 (P, T, R, or S for all) or M205 J.

    After the RepRap wiki, "G-code"; figures that are not positive are ignored.
    """
    given = {letter: value for letter in line.words if (value := line.value(letter)) is not None and value > 0}
    match line.code:
        case "M201":
            return replace(limits, acceleration=_overlaid(limits.acceleration, given))
        case "M203":
            return replace(limits, speed=_overlaid(limits.speed, given))
        case "M204":
            both = given.get("S")
            return replace(
                limits,
                printing=given.get("P", both or limits.printing),
                travel=given.get("T", both or limits.travel),
                retract=given.get("R", limits.retract),
            )
        case _:
            return replace(limits, deviation=given.get("J", limits.deviation))


def _overlaid(old: Axes, given: dict[str, float]) -> Axes:
    return (given.get("X", old[0]), given.get("Y", old[1]), given.get("Z", old[2]), given.get("E", old[3]))
