"""What a machine knows between two lines: where it is, in which modes, and what the next line makes of it."""

import re
from dataclasses import dataclass, replace
from typing import Literal

from lapsed.gcode import arc
from lapsed.gcode.dialect import Dialect
from lapsed.gcode.line import Line
from lapsed.model import Motion, Position

ORIGIN = Position(0.0, 0.0, 0.0, 0.0)
AXES = "XYZE"
INCH_MM = 25.4

STRAYING = frozenset({"G27", "G29", "G30", "G32", "G33", "G34", "G35", "M125", "M600", "M701", "M702"})
"""Commands that move the head or the filament to places which the line does not tell."""

_TOOL = re.compile(r"T[0-9]+")
_DRAWN_BACK_MM = 0.05


@dataclass(frozen=True, slots=True)
class Segment:
    """One straight piece of motion, in machine coordinates (E counts all filament ever fed), mm and mm a minute."""

    start: Position
    end: Position
    feed_mm_min: float

    @property
    def filament_mm(self) -> float:
        """The filament fed along it; negative where it is drawn back."""
        return self.end.e - self.start.e


@dataclass(frozen=True, slots=True)
class State:
    """The machine between two lines.

    `position` is in the G-code's coordinates; adding `offset`, which G92 shifts, gives machine coordinates. Both are
    mm even while `inches` is in force. `absolute_extrusion` is what M82 and M83 said last; whether G91 overrides it is
    the dialect's matter. `known` holds the axes whose position is certain. `feed_factor` is M220's, 1 for 100 %.
    `retracted` is G10's; `primed_e` is the machine E up to which filament was pushed, so that drawing back is seen.
    """

    position: Position = ORIGIN
    offset: Position = ORIGIN
    feed_mm_min: float = 0.0
    feed_factor: float = 1.0
    absolute: bool = True
    absolute_extrusion: bool = True
    inches: bool = False
    plane: Literal["G17", "G18", "G19"] = "G17"
    retracted: bool = False
    tool: int = 0
    known: frozenset[str] = frozenset()
    homed: frozenset[str] = frozenset()
    primed_e: float = 0.0

    @property
    def machine(self) -> Position:
        """The position in machine coordinates, mm."""
        return _add(self.position, self.offset)

    @property
    def certain(self) -> bool:
        """Whether every axis's position is known, so that leaving and coming back is safe."""
        return self.known >= frozenset(AXES)

    @property
    def drawn_back_mm(self) -> float:
        """How much filament the file itself has drawn back and not pushed forward again."""
        return max(self.primed_e - self.machine.e, 0.0)

    def motion(self) -> Motion:
        """What a park must restore; it counts as retracted as well where the file has drawn the filament back."""
        return Motion(
            position=self.position,
            feed_mm_min=self.feed_mm_min,
            absolute=self.absolute,
            absolute_extrusion=self.absolute_extrusion,
            retracted=self.retracted or self.drawn_back_mm > _DRAWN_BACK_MM,
        )


def advance(state: State, line: Line, dialect: Dialect) -> tuple[State, tuple[Segment, ...]]:
    """What a line makes of the machine, and the straight pieces it moves along; unknown commands change nothing."""
    code = line.code
    if code in ("G0", "G1"):
        return _move(state, line, dialect)
    if code in ("G2", "G3"):
        return _arc(state, line, dialect)
    if code == "G92":
        return _set_position(state, line, dialect), ()
    if code == "G28":
        return _home(state, line, dialect), ()
    if code in ("G10", "G11"):
        return (replace(state, retracted=code == "G10") if dialect.g10_retracts else state), ()
    return _mode(state, line, dialect), ()


def _mode(state: State, line: Line, dialect: Dialect) -> State:
    """The lines that change how others are read."""
    code = line.code
    match code:
        case "G90" | "G91":
            absolute = code == "G90"
            if dialect.extruder_follows == "set":
                return replace(state, absolute=absolute, absolute_extrusion=absolute)
            return replace(state, absolute=absolute)
        case "M82" | "M83":
            return replace(state, absolute_extrusion=code == "M82")
        case "G20" | "G21":
            return replace(state, inches=code == "G20")
        case "G17" | "G18" | "G19":
            return replace(state, plane=code)
        case "G92.1":
            return replace(state, position=state.machine, offset=ORIGIN)
        case "M220":
            percent = line.value("S")
            return replace(state, feed_factor=percent / 100) if percent is not None and percent > 0 else state
        case _ if code in STRAYING:
            return replace(state, known=frozenset())
        case _ if _TOOL.fullmatch(code):
            return replace(state, tool=int(code[1:]))
        case _:
            return state


def _add(a: Position, b: Position) -> Position:
    return Position(a.x + b.x, a.y + b.y, a.z + b.z, a.e + b.e)


def place(position: Position) -> tuple[float, float, float, float]:
    """The coordinates in the order of AXES."""
    return position.x, position.y, position.z, position.e


def relative_extrusion(state: State, dialect: Dialect) -> bool:
    """Whether E words are distances just now."""
    return not state.absolute_extrusion or (dialect.extruder_follows == "over" and not state.absolute)


def _target(state: State, line: Line, dialect: Dialect) -> tuple[Position, frozenset[str]]:
    """Where a move's words lead, in the G-code's coordinates, and the axes it makes certain."""
    words, here, known = line.words, state.position, state.known
    unit = INCH_MM if state.inches else 1.0
    fixed, fixed_e = state.absolute, not relative_extrusion(state, dialect)
    x, y, z, e = words.get("X"), words.get("Y"), words.get("Z"), words.get("E")
    target = Position(
        here.x if x is None else x * unit if fixed else here.x + x * unit,
        here.y if y is None else y * unit if fixed else here.y + y * unit,
        here.z if z is None else z * unit if fixed else here.z + z * unit,
        here.e if e is None else e * unit if fixed_e else here.e + e * unit,
    )
    if len(known) < len(AXES):
        said = {axis for axis in AXES if words.get(axis) is not None}
        known |= {axis for axis in said if (fixed_e if axis == "E" else fixed)}
    return target, known


def _feed(state: State, line: Line) -> float:
    """The feed rate in force once a move's F word is heeded."""
    feed = line.words.get("F")
    if feed is None or feed <= 0:
        return state.feed_mm_min
    return feed * INCH_MM if state.inches else feed


def _go(
    state: State, points: tuple[Position, ...], feed_mm_min: float, known: frozenset[str]
) -> tuple[State, tuple[Segment, ...]]:
    """Travel along `points`, G-code coordinates."""
    offset, primed = state.offset, state.primed_e
    here, segments = _add(state.position, offset), list[Segment]()
    for point in points:
        there = _add(point, offset)
        if there != here:
            segments.append(Segment(here, there, feed_mm_min * state.feed_factor))
        # Laying filament proves that it is primed, however the slicer reckoned the way back from a retraction.
        lays = there.e > here.e and (there.x != here.x or there.y != here.y)
        primed = there.e if lays or there.e > primed else primed
        here = there
    # Written out, as `replace` takes four times as long and the bridge does this for each line of a print.
    after = State(
        position=points[-1],
        offset=offset,
        feed_mm_min=feed_mm_min,
        feed_factor=state.feed_factor,
        absolute=state.absolute,
        absolute_extrusion=state.absolute_extrusion,
        inches=state.inches,
        plane=state.plane,
        retracted=state.retracted,
        tool=state.tool,
        known=known,
        homed=state.homed,
        primed_e=primed,
    )
    return after, tuple(segments)


def _move(state: State, line: Line, dialect: Dialect) -> tuple[State, tuple[Segment, ...]]:
    target, known = _target(state, line, dialect)
    return _go(state, (target,), _feed(state, line), known)


def _arc(state: State, line: Line, dialect: Dialect) -> tuple[State, tuple[Segment, ...]]:
    """An arc by centre or by radius; one without either moves nothing, as firmwares answer it with an error.

    One by radius that ends where it starts has no length in the plane; what else it says is done.
    """
    feed = _feed(state, line)
    goal, known = _target(state, line, dialect)
    start, target = place(state.position), place(goal)
    first, second, _, letter_one, letter_two = arc.PLANES[state.plane]
    here, there = (start[first], start[second]), (target[first], target[second])
    unit = INCH_MM if state.inches else 1.0
    clockwise = line.code == "G2"
    radius, one, two = line.value("R"), line.value(letter_one), line.value(letter_two)
    centre: tuple[float, float] | None = None
    if radius and here == there:
        return _go(state, (goal,), feed, known)
    if radius is not None:
        centre = arc.centre_from_radius(here, there, radius * unit, clockwise=clockwise)
    elif one or two:
        centre = here[0] + (one or 0.0) * unit, here[1] + (two or 0.0) * unit
    if centre is None:
        return replace(state, feed_mm_min=feed), ()
    turns = int(min(max(line.value("P") or 0, 0), 1000))
    points = arc.chords(
        start,
        target,
        centre,
        state.plane,
        clockwise=clockwise,
        turns=turns,
        tolerance_mm=dialect.arc_tolerance_mm,
    )
    return _go(state, tuple(Position(*point) for point in points), feed, known)


def _set_position(state: State, line: Line, dialect: Dialect) -> State:
    """G92: the place stays, its name changes."""
    unit = INCH_MM if state.inches else 1.0
    given = {axis: value * unit for axis in AXES if (value := line.value(axis)) is not None}
    if not any(axis in line.words for axis in AXES) and dialect.bare_g92_zeroes:
        given = dict.fromkeys(AXES, 0.0)
    spot = state.machine
    named = [given.get(axis, here) for axis, here in zip(AXES, place(state.position), strict=True)]
    offset = [
        there - name if axis in given else old
        for axis, there, name, old in zip(AXES, place(spot), named, place(state.offset), strict=True)
    ]
    return replace(state, position=Position(*named), offset=Position(*offset), known=state.known.union(given))


def _home(state: State, line: Line, dialect: Dialect) -> State:
    """G28: the named axes, or all three, stand at their home and lose the offset that G92 gave them."""
    named = frozenset("XYZ") & line.words.keys() or frozenset("XYZ")
    home = dict(zip("XYZ", dialect.home_mm, strict=True))
    position = [home[axis] if axis in named else here for axis, here in zip(AXES, place(state.position), strict=True)]
    offset = [0.0 if axis in named else old for axis, old in zip(AXES, place(state.offset), strict=True)]
    return replace(
        state,
        position=Position(*position),
        offset=Position(*offset),
        known=state.known | named,
        homed=state.homed | named,
    )
