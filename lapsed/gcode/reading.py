"""A whole file read: its layers, how long it takes, and what in it could not be read."""

import bisect
from codecs import BOM_UTF8
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from lapsed.gcode.arrays import Flags, Ints
from lapsed.gcode.bedding import Bedding, Where
from lapsed.gcode.clocking import Clock
from lapsed.gcode.dialect import Dialect
from lapsed.gcode.layers import Layer, layers
from lapsed.gcode.line import Line, parse
from lapsed.gcode.rises import Rises
from lapsed.gcode.seeking import Found, Seeker
from lapsed.gcode.span import BREAK, NOTHING, ROLES, STOP, Firmware, Pace, StepList, Steps, follow, paced, role_of
from lapsed.gcode.state import STRAYING, State, advance
from lapsed.gcode.timing import Limits, overridden
from lapsed.gcode.tokens import M, Table, tokenise

CHUNK = 256 * 1024
"""Bytes taken apart at once: small enough for the processor's cache, large enough to spread NumPy's own cost."""

LONGEST_LINE = 1 << 20
MOST_TROUBLES = 20
_HEATS = (M + 109, M + 116, M + 190, M + 191)


@dataclass(frozen=True, slots=True)
class Setup:
    """What reading needs to know of the machine."""

    dialect: Dialect = field(default_factory=Dialect)
    limits: Limits = field(default_factory=Limits)
    firmware: Firmware = field(default_factory=Firmware)


@dataclass(frozen=True, slots=True)
class Reading:
    """What was found in a file. `begins_s` is when each layer begins, `end` where the part is finished; s of motion.

    `heats` counts waits for heat, the length of which no motion tells. `last` is the state after the last line,
    `limits` are those in force there, `states` and `moments_s` tell of the wanted lines, `between` has the lines found
    for sought moments. `troubles` are clauses with line numbers, the first of `trouble_count`.
    """

    layers: tuple[Layer, ...]
    begins_s: tuple[float, ...]
    end: Found | None
    print_s: float
    spiral: bool
    lines: int
    size_bytes: int
    moves: int
    heats: int
    filament_mm: float
    last: State
    limits: Limits
    states: Mapping[int, State]
    moments_s: Mapping[int, float]
    between: tuple[Found, ...]
    troubles: tuple[str, ...]
    trouble_count: int

    @property
    def layer_s(self) -> tuple[float, ...]:
        """How long each layer takes, s; the last one to the end of the file."""
        edges = (*self.begins_s, self.print_s)
        return tuple(end - begin for begin, end in pairwise(edges))

    @property
    def heights_mm(self) -> tuple[float, ...]:
        """The height of each layer."""
        return tuple(layer.height_mm for layer in self.layers)

    @property
    def objects(self) -> int:
        """How many objects are finished one after another."""
        return self.layers[-1].object + 1 if self.layers else 0


def read(
    chunks: Iterable[bytes], setup: Setup | None = None, wanted: Iterable[int] = (), seeker: Seeker | None = None
) -> Reading:
    """Read a file given in pieces of any size; memory stays flat but for the layers found.

    `wanted` are lines, counted from 0, the states before which are kept; `seeker` seeks moments.
    """
    reader = Reader(setup or Setup(), wanted, seeker)
    for text in _whole_lines(chunks):
        reader.take(text)
    return reader.finish()


def _whole_lines(chunks: Iterable[bytes]) -> Iterator[bytes]:
    """The same bytes in pieces that end with a newline, about CHUNK long; a line without end is cut at LONGEST_LINE."""
    rest = b""
    for chunk in chunks:
        rest = rest + chunk if rest else chunk
        start = 0
        while len(rest) - start >= CHUNK:
            end = rest.rfind(b"\n", start, start + CHUNK) + 1
            if end <= start:
                end = rest.find(b"\n", start, start + LONGEST_LINE) + 1
            if end <= start:
                if len(rest) - start < LONGEST_LINE:
                    break
                end = start + LONGEST_LINE
            yield rest[start:end]
            start = end
        rest = rest[start:]
    if rest:
        yield rest


class Reader:
    """Takes whole lines, a piece at a time, and follows, times and layers them."""

    def __init__(self, setup: Setup, wanted: Iterable[int] = (), seeker: Seeker | None = None) -> None:
        self.setup = setup
        self.wanted = tuple(sorted(wanted))
        self.states: dict[int, State] = {}
        self.state, self.pace, self.limits = State(), Pace(), setup.limits
        self.seeker = seeker
        self.clock = Clock(seeker)
        self.bedding = Bedding()
        self.lines = self.size = self.heats = self.trouble_count = 0
        self.troubles: list[str] = []

    def take(self, text: bytes) -> None:
        """Read whole lines; only the last piece of a file may end without a newline."""
        size = len(text)
        if not text.endswith(b"\n"):
            if size >= LONGEST_LINE:
                self._trouble(self.lines, "it is over a million bytes long, which no G-code is")
            text += b"\n"
        table = tokenise(text, self.setup.dialect)
        count = len(table.code)
        for heat in _HEATS:
            self.heats += int(np.count_nonzero(table.code == heat))
        start = 0
        for run, odd in self._breaks(table, text):
            self._span(table, range(start, run.start))
            self._one_by_one(table, text, run, odd)
            start = run.stop
        self._span(table, range(start, count))
        self.lines += count
        self.size += size

    def finish(self) -> Reading:
        """What was found."""
        self.clock.finish()
        rises = Rises(self.bedding.beds(), self.clock.asked_s, self.bedding.paths)
        found, moments, end = layers(rises.level()), self.clock.moments, self.bedding.end
        # What is wanted may lie just after the last line.
        for line in self.wanted:
            if line == self.lines:
                self.states[line] = self.state
                moments[line] = self.clock.total_s
        return Reading(
            layers=found.all,
            begins_s=tuple(layer.begin_s for layer in found.all),
            end=Found(end, moments[end.line], found.top_mm) if end is not None else None,
            print_s=self.clock.total_s,
            spiral=rises.spiral,
            lines=self.lines,
            size_bytes=self.size,
            moves=self.clock.pushed,
            heats=self.heats,
            filament_mm=max(self.state.machine.e, 0.0),
            last=self.state,
            limits=self.limits,
            states=self.states,
            moments_s={line: moments[line] for line in self.states},
            between=tuple(self.seeker.found) if self.seeker is not None else (),
            troubles=tuple(self.troubles),
            trouble_count=self.trouble_count,
        )

    def _trouble(self, line: int, text: str) -> None:
        self.trouble_count += 1
        if len(self.troubles) < MOST_TROUBLES:
            self.troubles.append(f"line {line + 1}: {text}")

    def _breaks(self, table: Table, text: bytes) -> Iterator[tuple[range, dict[int, Line]]]:
        """The runs of lines that must be followed one by one, and those of them that are taken apart already."""
        single = ROLES[table.code] == BREAK
        single[self._odd_arcs(table)] = True
        if self.setup.dialect.bare_g92_zeroes:
            single[table.code == 92] = True
        odd: dict[int, Line] = {}
        for at in table.odd.tolist():
            line = self._parsed(table, text, at)
            if role_of(line.code) != NOTHING:
                single[at] = True
                odd[at] = line
        lines = np.flatnonzero(single)
        if not lines.size:
            return
        cuts = np.flatnonzero(np.diff(lines) != 1) + 1
        for run in np.split(lines, cuts):
            yield range(int(run[0]), int(run[-1]) + 1), odd

    def _parsed(self, table: Table, text: bytes, at: int) -> Line:
        raw = text[table.starts[at] : table.starts[at + 1] - 1]
        if self.lines + at == 0:
            raw = raw.removeprefix(BOM_UTF8)
        line = parse(raw.decode("utf-8", "surrogateescape"), self.setup.dialect)
        trouble = line.trouble
        if b"\0" in raw:
            trouble = "it holds zero bytes, as binary files do"
        elif not _is_utf8(raw):
            trouble = "it is not UTF-8 text"
        if trouble is not None:
            self._trouble(self.lines + at, trouble)
        return line

    def _odd_arcs(self, table: Table) -> Ints:
        """Arcs that are not plain: without a centre or a radius, of several turns, or in another plane."""
        arcs: Ints = np.flatnonzero((table.code == 2) | (table.code == 3))
        if not arcs.size or self.state.plane != "G17" or np.isin(table.code, (17, 18, 19)).any():
            return arcs

        def having(letters: str) -> Ints:
            chosen = np.isin(table.letter, np.frombuffer(letters.encode(), np.uint8))
            lines: Ints = table.line[chosen & ~np.isnan(table.value) & (table.value != 0)]
            return lines

        by_radius = np.isin(arcs, having("R"))
        plain: Flags = by_radius & np.isin(arcs, having("XY")) | ~by_radius & np.isin(arcs, having("IJ"))
        odd: Flags = ~plain | np.isin(arcs, having("P"))
        return arcs[odd]

    def _span(self, table: Table, lines: range) -> None:
        """Follow plain lines all at once."""
        if not lines:
            return
        setup = self.setup
        span, steps, self.pace = follow(
            table, lines, self.state, self.pace, dialect=setup.dialect, firmware=setup.firmware
        )
        for line in self._wanted_in(lines):
            self.states[line] = span.at(line - self.lines)
            self.clock.mark(line, self.clock.pushed + int(np.searchsorted(steps.line, line - self.lines)))
        self._add(table, steps)
        self.state = span.at(lines.stop)

    def _one_by_one(self, table: Table, text: bytes, run: range, odd: dict[int, Line]) -> None:
        """Follow lines by `advance`."""
        made = StepList()
        wanted = self._wanted_in(run)
        for at in run:
            line = odd.get(at) or self._parsed(table, text, at)
            before = self.state
            if self.lines + at in wanted:
                self.states[self.lines + at] = before
                self.clock.mark(self.lines + at, self.clock.pushed + len(made.rows))
            self.state, segments = advance(self.state, line, self.setup.dialect)
            limits = overridden(self.limits, line)
            if limits != self.limits:
                self._add(table, made.steps())
                made, self.limits = StepList(), limits
            if line.code in STRAYING or self.state.tool != before.tool:
                self._add(table, made.steps())
                made = StepList()
                self.bedding.change_filament()
            self.pace = paced(self.pace, line)
            if self.state.retracted != before.retracted:
                made.retract(at, self.state, self.setup.firmware, self.pace)
            made.extend(at, segments, self.pace)
            if role_of(line.code) == STOP or line.code == "G28" or line.code in STRAYING:
                made.rest(at, line)
        self._add(table, made.steps())

    def _wanted_in(self, lines: range) -> tuple[int, ...]:
        """The wanted lines, counted from the file's first, among those of the piece."""
        first = bisect.bisect_left(self.wanted, self.lines + lines.start)
        return self.wanted[first : bisect.bisect_left(self.wanted, self.lines + lines.stop)]

    def _add(self, table: Table, steps: Steps) -> None:
        where = Where(self.lines, self.size, table.starts)
        before = self.bedding.end
        self.clock.ask(self.bedding.lay(steps, self.clock.pushed, where) + self.clock.pushed)
        if (end := self.bedding.end) is not None and end is not before:
            self.clock.mark(end.line, end.step)
        if self.seeker is not None:
            self.seeker.see(steps, self.clock.pushed, where)
        self.clock.push(steps, self.limits, self.lines)


def _is_utf8(raw: bytes) -> bool:
    try:
        raw.decode()
    except UnicodeDecodeError:
        return False
    return True
