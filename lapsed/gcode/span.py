"""The motion of many lines at once: `state.advance` for a stretch of plain lines, with NumPy."""

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from lapsed.gcode.arrays import Flags, Floats, Ints
from lapsed.gcode.chords import Arcs, with_chords
from lapsed.gcode.dialect import Dialect
from lapsed.gcode.line import Line
from lapsed.gcode.state import AXES, INCH_MM, STRAYING, Segment, State, place
from lapsed.gcode.tokens import NO_CODE, ODD_CODE, M, T, Table
from lapsed.model import Position

(NOTHING, MOVE, CLOCKWISE, COUNTER, NAME, ABSOLUTE, RELATIVE, E_ABSOLUTE, E_RELATIVE, DRAW, PUSH, STOP, PACE, BREAK) = (
    range(14)
)
"""What a command does to the motion: nothing; a move; arcs; G92; the modes; G10 and G11; coming to rest; M204; and
those that change how everything after them is read, which end a span."""


def _roles() -> npt.NDArray[np.uint8]:
    table = np.zeros(ODD_CODE + 1, np.uint8)
    table[[0, 1]] = MOVE
    table[[2, 3, 92, 90, 91, 10, 11]] = CLOCKWISE, COUNTER, NAME, ABSOLUTE, RELATIVE, DRAW, PUSH
    table[[M + 82, M + 83, M + 204]] = E_ABSOLUTE, E_RELATIVE, PACE
    table[[4, M, M + 1, M + 25, M + 109, M + 116, M + 190, M + 191, M + 226, M + 400]] = STOP
    breaking = [17, 18, 19, 20, 21, 28, M + 201, M + 203, M + 205, M + 220]
    breaking += [int(code[1:]) + (M if code[0] == "M" else 0) for code in STRAYING]
    table[breaking] = BREAK
    table[T:NO_CODE] = BREAK
    table[ODD_CODE] = NOTHING
    return table


ROLES = _roles()


@dataclass(frozen=True, slots=True)
class Steps:
    """Straight pieces of motion in a row, machine coordinates, mm and mm a minute.

    `line` is the index of the line each comes from; `x`, `y`, `z` its end; `acceleration` what M204 says of its kind,
    NaN where the file says nothing. `rests` are lines at which the machine comes to rest, `rest_s` how long it stays.
    """

    line: Ints
    x: Floats
    y: Floats
    z: Floats
    dx: Floats
    dy: Floats
    dz: Floats
    de: Floats
    feed: Floats
    acceleration: Floats
    rests: Ints
    rest_s: Floats


@dataclass(frozen=True, slots=True)
class Pace:
    """The accelerations that the file itself has set with M204, NaN for those it hasn't, mm/s2."""

    printing: float = math.nan
    travel: float = math.nan
    retract: float = math.nan


@dataclass(frozen=True, slots=True)
class Firmware:
    """How far and how fast G10 draws filament back, mm and mm a minute; the G-code does not tell."""

    retract_mm: float = 1.0
    retract_mm_min: float = 1800.0


class StepList:
    """Steps in the making from single lines."""

    def __init__(self) -> None:
        self.rows: list[tuple[float, ...]] = []
        self.rests: list[int] = []
        self.rest_s: list[float] = []

    def extend(self, line: int, segments: tuple[Segment, ...], pace: Pace) -> None:
        """Add the pieces of a line."""
        for piece in segments:
            ends, starts = place(piece.end), place(piece.start)
            delta = [end - start for end, start in zip(ends, starts, strict=True)]
            alone = not any(delta[:3])
            general = pace.retract if alone else pace.printing if delta[3] else pace.travel
            self.rows.append((line, *ends[:3], *delta, piece.feed_mm_min, general))

    def retract(self, line: int, state: State, firmware: Firmware, pace: Pace) -> None:
        """Add a firmware retraction or its undoing, whichever has just come into force."""
        length = -firmware.retract_mm if state.retracted else firmware.retract_mm
        here = place(state.machine)[:3]
        self.rows.append((line, *here, 0.0, 0.0, 0.0, length, firmware.retract_mm_min, pace.retract))

    def rest(self, line: int, words: Line) -> None:
        """Come to rest at a line, for as long as it says if it is a dwell."""
        self.rests.append(line)
        seconds, milliseconds = words.value("S"), words.value("P")
        dwell = seconds if seconds is not None else (milliseconds or 0.0) / 1000
        self.rest_s.append(max(dwell, 0.0) if words.code == "G4" else 0.0)

    def steps(self) -> Steps:
        """The steps so far."""
        table = np.array(self.rows, np.float64).reshape(-1, 10)
        x, y, z, dx, dy, dz, de, feed, acceleration = table.T[1:].copy()
        line = table[:, 0].astype(np.int64)
        rests, rest_s = np.array(self.rests, np.int64), np.array(self.rest_s, np.float64)
        return Steps(line, x, y, z, dx, dy, dz, de, feed, acceleration, rests, rest_s)


def role_of(code: str) -> int:
    """The role of a command by its name."""
    if code == "G92.1":
        return BREAK
    base = {"G": 0, "M": M, "T": T}.get(code[:1])
    if base is None or not code[1:].isdecimal() or int(code[1:]) >= M:
        return NOTHING
    return int(ROLES[base + int(code[1:])])


def paced(pace: Pace, line: Line) -> Pace:
    """The accelerations after a line: M204 sets P printing, T travel, R retract, or S the first two."""
    if line.code != "M204":
        return pace

    def pick(letter: str, held: float) -> float:
        value = line.value(letter)
        return value if value is not None and value > 0 else held

    both = pick("S", math.nan)
    printing, travel = (held if math.isnan(both) else both for held in (pace.printing, pace.travel))
    return Pace(pick("P", printing), pick("T", travel), pick("R", pace.retract))


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of lines among which only modes change; `at` gives the state before any of them.

    Arrays have one more element than there are lines: element i holds what is so before line `first + i`.
    """

    first: int
    base: State
    named: tuple[Floats, ...]
    shift: tuple[Floats | float, ...]
    feed: Floats
    absolute: Flags | bool
    absolute_e: Flags | bool
    retracted: Flags | bool
    sure_from: tuple[int, ...]
    laying: Ints

    def at(self, line: int) -> State:
        """The state before a line."""
        i = line - self.first
        position = Position(*(float(axis[i]) for axis in self.named))
        offset = Position(*(_pick(axis, i) for axis in self.shift))
        sure = {axis for axis, start in zip(AXES, self.sure_from, strict=True) if start < i}
        machine_e = position.e + offset.e
        k = int(np.searchsorted(self.laying, i))
        since = int(self.laying[k - 1]) + 1 if k else 0
        shift_e = self.shift[3]
        fed = self.named[3][since : i + 1] + (shift_e if isinstance(shift_e, float) else shift_e[since : i + 1])
        primed = max(float(fed.max()), machine_e)
        return replace(
            self.base,
            position=position,
            offset=offset,
            feed_mm_min=float(self.feed[i]),
            absolute=bool(_pick(self.absolute, i)),
            absolute_extrusion=bool(_pick(self.absolute_e, i)),
            retracted=bool(_pick(self.retracted, i)),
            known=self.base.known | sure,
            primed_e=primed if k else max(primed, self.base.primed_e),
        )


def _pick(held: npt.NDArray[np.generic] | float, i: int) -> float:
    return float(held[i]) if isinstance(held, np.ndarray) else held


def _filled(count: int, rows: Ints, values: Floats, initial: float) -> Floats:
    """`initial`, and from the element after each row on that row's value: `count` + 1 elements."""
    lengths = np.diff(rows, prepend=-1, append=count)
    return np.repeat(np.concatenate(([initial], values)), lengths)


class Follower:
    """One span in the making: the words of its lines and what they say."""

    def __init__(self, table: Table, lines: range, state: State) -> None:
        first, end = lines.start, lines.stop
        self.state, self.count = state, len(lines)
        self.role = ROLES[table.code[first:end]]
        a, b = np.searchsorted(table.line, (first, end))
        self.line, self.letter, self.value = table.line[a:b] - first, table.letter[a:b], table.value[a:b]
        role = self.role[self.line]
        self.word_role = role
        self.mover = (role >= MOVE) & (role <= COUNTER)
        self.placer = (role >= MOVE) & (role <= NAME)
        self.unit = INCH_MM if state.inches else 1.0
        self.dwells = table.code[first:end] == 4
        self.names = np.flatnonzero(self.role == NAME)

    def words(self, letter: str, among: Flags) -> tuple[Ints, Floats]:
        """The lines that have a number after `letter`, and the numbers; the last of two in a line counts."""
        pick = np.flatnonzero((self.letter == ord(letter)) & among)
        lines, values = self.line[pick], self.value[pick]
        if lines.size > 1 and not (lines[1:] > lines[:-1]).all():
            last = np.append(lines[1:] != lines[:-1], True)
            lines, values = lines[last], values[last]
        if np.isnan(values).any():
            given = ~np.isnan(values)
            lines, values = lines[given], values[given]
        return lines, values

    def flag(self, on: int, off: int, initial: bool, also_on: int = -1, also_off: int = -1) -> Flags | bool:
        """A mode before each line."""
        role = self.role
        rows = np.flatnonzero((role == on) | (role == off) | (role == also_on) | (role == also_off))
        if not rows.size:
            return initial
        values = (role[rows] == on) | (role[rows] == also_on)
        return _filled(self.count, rows, values.astype(np.float64), initial) > 0

    def axis(self, number: int, relative: Flags | bool) -> tuple[Floats, Floats | float, int]:
        """Name and shift of an axis before each line, and the first line that makes it certain."""
        rows, values = self.words(AXES[number], self.placer)
        values = values * self.unit
        begin = place(self.state.position)[number]
        shift = place(self.state.offset)[number]
        named = np.isin(rows, self.names) if self.names.size else np.zeros(len(rows), bool)
        moves = (relative[rows] if isinstance(relative, np.ndarray) else np.full(len(rows), relative)) & ~named
        fixed = rows[~moves]
        if not moves.any():
            name = _filled(self.count, rows, values, begin)
        else:
            run = np.zeros(self.count + 1)
            run[0] = 0.0 if fixed.size else begin
            run[rows[moves] + 1] = values[moves]
            run = np.cumsum(run)
            name = run
            if fixed.size:
                name = run + _filled(self.count, fixed, values[~moves] - run[fixed + 1], begin)
        sure = int(fixed[0]) if fixed.size else self.count + 1
        if not named.any():
            return name, shift, sure
        at = rows[named]
        return name, _filled(self.count, at, shift - np.cumsum(name[at + 1] - name[at]), shift), sure


def follow(
    table: Table, lines: range, state: State, pace: Pace, *, dialect: Dialect, firmware: Firmware
) -> tuple[Span, Steps, Pace]:
    """What `lines` do, none of them a BREAK nor irregular with effect, and the accelerations in force after them."""
    first = lines.start
    made = Follower(table, lines, state)
    follows = dialect.extruder_follows
    absolute = made.flag(ABSOLUTE, RELATIVE, state.absolute)
    also = (ABSOLUTE, RELATIVE) if follows == "set" else (-1, -1)
    absolute_e = made.flag(E_ABSOLUTE, E_RELATIVE, state.absolute_extrusion, *also)
    relative_e = _not(absolute_e) if follows != "over" else _not(_both(absolute, absolute_e))
    axes = [made.axis(number, _not(absolute) if number < 3 else relative_e) for number in range(4)]
    rows, feeds = made.words("F", made.mover)
    rows, feeds = rows[feeds > 0], feeds[feeds > 0] * made.unit
    feed = _filled(made.count, rows, feeds, state.feed_mm_min)
    retracts = dialect.g10_retracts
    retracted = made.flag(DRAW, PUSH, state.retracted) if retracts else state.retracted
    machine = [name + shift for name, shift, _ in axes]
    delta = [np.diff(axis) for axis in machine]
    moves = (made.role >= MOVE) & (made.role <= COUNTER)
    moving = moves & ((delta[0] != 0) | (delta[1] != 0) | (delta[2] != 0) | (delta[3] != 0))
    arcs = np.flatnonzero((made.role == CLOCKWISE) | (made.role == COUNTER))
    going = (delta[0] != 0) | (delta[1] != 0)
    if arcs.size:
        # A whole circle ends where it began.
        going[np.setdiff1d(arcs, made.words("R", made.mover)[0])] = True
    laying = np.flatnonzero(moves & going & (delta[3] > 0))
    span = Span(
        first,
        state,
        tuple(name for name, _, _ in axes),
        tuple(shift for _, shift, _ in axes),
        feed,
        absolute,
        absolute_e,
        retracted,
        tuple(sure for _, _, sure in axes),
        laying,
    )
    flips = np.zeros(0, np.int64)
    if isinstance(retracted, np.ndarray):
        flips = np.flatnonzero(retracted[1:] != retracted[:-1])
        delta[3][flips] = np.where(retracted[flips + 1], -firmware.retract_mm, firmware.retract_mm)
        moving[flips] = True
    moving[arcs] = True
    at = np.flatnonzero(moving)
    columns = [axis[at + 1] for axis in machine[:3]] + [part[at] for part in delta]
    fed = feed[at + 1] * state.feed_factor
    if flips.size:
        fed[np.isin(at, flips)] = firmware.retract_mm_min
    accelerations, pace = _paces(made, at, columns, pace)
    if arcs.size:
        source, columns = with_chords(_arcs(made, at, arcs, machine, dialect), machine, at, columns)
        going = (columns[3] != 0) | (columns[4] != 0) | (columns[5] != 0) | (columns[6] != 0)
        columns, source = [column[going] for column in columns], source[going]
        at, fed, accelerations = at[source], fed[source], accelerations[source]
    rests, rest_s = _rests(made)
    x, y, z, dx, dy, dz, de = columns
    steps = Steps(at + first, x, y, z, dx, dy, dz, de, fed, accelerations, rests + first, rest_s)
    return span, steps, pace


def _not(flag: Flags | bool) -> Flags | bool:
    return ~flag if isinstance(flag, np.ndarray) else not flag


def _both(one: Flags | bool, two: Flags | bool) -> Flags | bool:
    both = np.logical_and(one, two)
    return both if isinstance(both, np.ndarray) else bool(both)


def _rests(made: Follower) -> tuple[Ints, Floats]:
    """The lines at which the machine comes to rest, and G4's seconds; S counts before P where a line has both."""
    rests = np.flatnonzero(made.role == STOP)
    seconds = np.zeros(len(rests))
    if rests.size:
        stops = made.word_role == STOP
        for letter, scale in (("P", 0.001), ("S", 1.0)):
            rows, values = made.words(letter, stops)
            where = np.searchsorted(rests, rows)
            # Only a dwell's numbers are times: others wait for heat, and their S is a temperature.
            dwell = made.dwells[rows]
            seconds[where[dwell]] = np.maximum(values[dwell], 0) * scale
    return rests, seconds


def _arcs(made: Follower, at: Ints, arcs: Ints, machine: list[Floats], dialect: Dialect) -> Arcs:
    """The arcs among the moving lines `at`, with the words that shape them."""
    shape = np.full((3, made.count), np.nan)
    for i, letter in enumerate("IJR"):
        rows, values = made.words(letter, made.mover)
        shape[i, rows] = values * made.unit
    return Arcs(
        index=np.searchsorted(at, arcs),
        start=(machine[0][arcs], machine[1][arcs]),
        end=(machine[0][arcs + 1], machine[1][arcs + 1]),
        centre=(np.nan_to_num(shape[0, arcs]), np.nan_to_num(shape[1, arcs])),
        radius=shape[2, arcs],
        clockwise=made.role[arcs] == CLOCKWISE,
        tolerance_mm=dialect.arc_tolerance_mm,
    )


def _paces(made: Follower, at: Ints, columns: list[Floats], pace: Pace) -> tuple[Floats, Pace]:
    """What M204 says of the acceleration of each moving line, and what it has said in the end."""
    paced = made.word_role == PACE
    kinds = []
    for letter, held in (("P", pace.printing), ("T", pace.travel), ("R", pace.retract)):
        rows, values = made.words(letter, paced)
        if letter != "R":
            both, shared = made.words("S", paced)
            own = ~np.isin(both, rows)
            order = np.argsort(np.concatenate((rows, both[own])), kind="stable")
            rows, values = np.concatenate((rows, both[own]))[order], np.concatenate((values, shared[own]))[order]
        useful = values > 0
        kinds.append(_filled(made.count, rows[useful], values[useful], held) if useful.any() else held)
    printing, travel, retract = kinds
    ends = [float(kind[-1]) if isinstance(kind, np.ndarray) else kind for kind in kinds]
    if not any(isinstance(kind, np.ndarray) for kind in kinds) and all(map(math.isnan, ends)):
        return np.full(len(at), np.nan), pace
    here = [
        kind[at + 1] if isinstance(kind, np.ndarray) else np.full(len(at), kind) for kind in (printing, travel, retract)
    ]
    alone = (columns[3] == 0) & (columns[4] == 0) & (columns[5] == 0)
    return np.where(alone, here[2], np.where(columns[6] != 0, here[0], here[1])), Pace(*ends)
