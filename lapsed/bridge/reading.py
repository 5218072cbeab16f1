"""What the host's stream says: where the machine is and in which modes, which print runs, which layer begins."""

import re
from collections import deque
from dataclasses import dataclass, replace

from lapsed.bridge import plain
from lapsed.bridge.layering import Layering, Point
from lapsed.gcode.dialect import Dialect
from lapsed.gcode.line import TEXT_CODES, Line, parse
from lapsed.gcode.state import AXES, STRAYING, Segment, State, advance, relative_extrusion
from lapsed.model import Outcome, Position

HARMLESS = re.compile(
    r"G(?:[0-4]|17|18|19|20|21|28|90|91|92|92\.1)$|"
    r"M(?:0|1|16|17|2[0-9]|3[0-9]|42|7[0-9]|8[0235]|10[4-9]|11[0-9]|12[0-36]|13[26]|14[0-59]|15[0-5]|16[3-6]|19[01]|"
    r"20[0-57-9]|21[078]|22[016]|24[0-9]|25[056]|26[01]|28[0-2]|30[0-5]|355|400|40[4-7]|41[23]|42[05]|486|50[03]|550|"
    r"55[0-9]|569|57[0-3]|593|900|90[6-9]|91[0-9]|928)$"
)
"""Commands that leave position and modes alone or that are followed (RepRap wiki, "G-code"); of any other it is assumed
that it may have moved the head and changed the modes."""

_OFF = frozenset({"M2", "M18", "M84", "M81"})
_FED_MM = 0.001
_KEPT = 256
_NOWHERE: frozenset[str] = frozenset()
_ASSUMED = frozenset({"assumed"})
_PLACE = frozenset("XYZ")

Spot = tuple[float, float, float, float, float, float]
"""What a plain move changes of a State: X, Y, Z, E, feed rate, and the E up to which filament was pushed."""

Mark = tuple[State, Spot, frozenset[str]]
"""A State as `_at` has it, and what is certain of its modes."""


@dataclass(frozen=True, slots=True)
class Began:
    """Filament is laid, and was not before; `joined` if the machine was not homed under our eyes before that."""

    joined: bool


@dataclass(frozen=True, slots=True)
class LayerBegins:
    """The line just read lays the first filament of a layer."""

    number: int
    height_mm: float


@dataclass(frozen=True, slots=True)
class Ended:
    """The print is over."""

    outcome: Outcome
    reason: str = ""


News = Began | LayerBegins | Ended


class Reading:
    """Follows the host's lines.

    `harmless` are further commands that leave position and modes alone. `checked` says that the printer is asked for
    its place before the head leaves: then absolute moves, which printers start with, need not have been stated, as any
    other mode would have led elsewhere.
    """

    def __init__(self, dialect: Dialect, harmless: frozenset[str] = frozenset(), *, checked: bool = False) -> None:
        self._dialect = dialect
        self._checked = checked
        self._harmless = harmless
        self.run = 0
        self.printing = False
        self.card: str | None = None
        """The file that the printer prints from its own card."""
        self._file = ""
        self.name: str | None = None
        self._begin_anew()

    def restart(self, why: str) -> None:
        """The printer has started anew: nothing is known of it, nor does it know itself where its head stands."""
        self._begin_anew()
        self._strand(why)

    def halt(self) -> tuple[News, ...]:
        """The machine was stopped by M112, in the middle of whatever it had been sent."""
        why = "the machine was stopped by M112"
        self.forget(why)
        self._strand(why)
        return self.end(Outcome.FAILED, "the host sent M112, an emergency stop")

    def _strand(self, why: str, axes: frozenset[str] = _PLACE) -> None:
        self._unhomed |= axes
        self._why_unhomed = f"{why}, and not every axis has been homed since"

    def _begin_anew(self) -> None:
        self.layering = Layering()
        self._modes = _ASSUMED if self._checked else _NOWHERE
        self._put(State())
        self._before: Mark = self._base, self._at, self._modes
        self._unstated = ""
        self._why = "the machine has not been homed since the bridge began to watch it"
        self._expected: int | None = None
        self._asked: int | None = None
        self._marks: deque[tuple[int, Mark]] = deque(maxlen=_KEPT)
        self._homed = False
        self._unhomed, self._why_unhomed = _NOWHERE, ""
        self.joined = True
        self.moves = False
        """Whether the last line read is a move."""

    # -------------------------------------------------------------------------------------------------- state

    @property
    def state(self) -> State:
        """The machine after the last line read."""
        return _whole(self._base, self._at)

    @property
    def before(self) -> State:
        """The machine before it."""
        base, at, _ = self._before
        return _whole(base, at)

    def _put(self, state: State) -> None:
        spot = state.position
        self._keep(state, (spot.x, spot.y, spot.z, spot.e, state.feed_mm_min, state.primed_e))

    def _keep(self, base: State, at: Spot) -> None:
        """Take over modes, and where the head is in them."""
        self._base, self._at = base, at
        self._offset = base.offset.x, base.offset.y, base.offset.z, base.offset.e
        self._adds_e = relative_extrusion(base, self._dialect)
        self._plain = base.absolute and not base.inches and len(base.known) == len(AXES)
        """Whether a plain move leads where its words say."""

    @property
    def settled(self) -> bool:
        """Whether no move at this height can begin a layer or a print."""
        return self.printing and self.card is None and self.layering.settled(self._at[2] + self._offset[2])

    def forget(self, why: str) -> None:
        """Position and modes may have changed unseen."""
        self._modes = _NOWHERE
        self._unstated = why
        self.lose(why)

    def skip(self, why: str) -> None:
        """Lines have gone to the printer that nobody will read: which number is due next is unknown as well."""
        self.forget(why)
        self._expected = None

    def lose(self, why: str) -> None:
        """The position may have changed unseen."""
        self._put(replace(self.state, known=_NOWHERE))
        self._why = why

    def unsure(self) -> str | None:
        """Why the head must not be parked before the last line read, None if it may."""
        if self._unhomed:
            return self._why_unhomed  # M114 would bear out any place that the host believes in
        before, (_, _, modes) = self.before, self._before
        if not before.known >= _PLACE:
            return self._why
        # In inches the printer's place is not checked, so nothing may rest on it.
        assumed = modes >= _ASSUMED and not before.inches
        if "moves" not in modes and not assumed:
            return self._unstated or "the print has said neither G90 nor G91 since the bridge began to watch"
        if "extruder" not in modes:
            return self._unstated or "the print has said neither M82 nor M83 since the bridge began to watch"
        if not before.certain:
            return "the print has not said where the extruder stands; G92 E0 in its start says it"
        if before.feed_mm_min <= 0:
            return "the print has told no feed rate yet"
        return None

    # -------------------------------------------------------------------------------------------------- lines

    def read(self, raw: bytes) -> tuple[News, ...]:
        """Take in one line as it goes to the printer; what it means beyond itself."""
        if self._plain:
            words = plain.words(raw)
            # A line asked for again may lead back to other modes, in which it is not plain.
            if words is not None and (words[0] is None or int(words[0]) != self._asked):
                return self._plainly(raw, words)
        line = parse(raw.decode("latin-1"), self._dialect)
        self.moves = False
        if not self._accepted(line):
            return ()
        code = line.code
        self._before = self._base, self._at, self._modes
        state, segments = advance(self.state, line, self._dialect)
        self._put(state)
        if code in ("G0", "G1", "G2", "G3"):
            self.moves = True
            return self._laid(segments) if segments else ()
        if not code:
            return ()
        self._heed(code, line)
        return self._print(code, line)

    def _plainly(self, raw: bytes, words: plain.Words) -> tuple[News, ...]:
        """Take in a plain move: what `parse`, `advance` and the rest make of it, in a third of the time."""
        number, first_feed, x, y, z, e, feed, claimed = words
        self.moves = False
        if number is not None:
            if claimed is not None and plain.checksum(raw) != int(claimed):
                return ()
            if not self._in_turn(int(number)):
                return ()
        self._before = self._base, self._at, self._modes
        self.moves = True
        x0, y0, z0, e0, feed_mm_min, primed = self._at
        x1 = x0 if x is None else float(x)
        y1 = y0 if y is None else float(y)
        z1 = z0 if z is None else float(z)
        e1 = e0 if e is None else e0 + float(e) if self._adds_e else float(e)
        feed = feed or first_feed
        if feed is not None:
            feed_mm_min = float(feed) or feed_mm_min
        ox, oy, oz, oe = self._offset
        fed = e1 + oe
        start, end = (x0 + ox, y0 + oy, z0 + oz), (x1 + ox, y1 + oy, z1 + oz)
        lays = fed > e0 + oe and (start[0] != end[0] or start[1] != end[1])
        self._at = x1, y1, z1, e1, feed_mm_min, fed if lays or fed > primed else primed
        return self._lay(start, end) if lays and fed > primed + _FED_MM and self.card is None else ()

    def rewind(self, number: int) -> None:
        """The printer asks for the lines from `number` on again: what was read of them has not happened.

        A second request for a line that has come again meanwhile may be for one that was under way before it: whether
        they have to be read anew is told by that line's coming once more.
        """
        if number != self._asked or all(at != number for at, _ in self._marks):
            self._asked = number
            self._step_back(number)

    def _step_back(self, number: int) -> None:
        for index, (at, (base, spot, modes)) in enumerate(self._marks):
            if at == number:
                self._keep(base, spot)
                self._modes = modes
                while len(self._marks) > index:
                    self._marks.pop()
                break
        else:
            if self._expected != number:
                self.forget("the printer asked for lines again that are not remembered")
        self._expected = number

    def _accepted(self, line: Line) -> bool:
        """Whether the printer will carry the line out, and not refuse it for its number or checksum."""
        if line.number is None:
            return True
        if line.checksum is not None and line.trouble is not None and line.trouble.startswith("the checksum"):
            return False
        if line.code == "M110":
            told = line.value("N")
            self._expected = (int(told) if told is not None else line.number) + 1
            self._asked = None
            return True
        return self._in_turn(line.number)

    def _in_turn(self, number: int) -> bool:
        """Whether the printer awaits the line of this number; if so, it is marked."""
        if self._expected is not None and number != self._expected:
            if number != self._asked:
                return False
            self._step_back(number)
        self._marks.append((number, (self._base, self._at, self._modes)))
        self._expected = number + 1
        return True

    def _heed(self, code: str, line: Line) -> None:
        """Keep count of what is certain."""
        if code in ("G90", "G91"):
            self._modes |= {"moves", "extruder"} if self._dialect.extruder_follows == "set" else {"moves"}
        elif code in ("M82", "M83"):
            self._modes |= {"extruder"}
        elif code == "G28":
            self._unhomed -= _axes_of(line)
            self._homed = self._homed or "Z" in _axes_of(line)
        elif code.startswith("T") and self._base.tool != self._before[0].tool:
            self.lose(f"{code} changed the tool, and no move to a place of its own has come since")
        elif code in STRAYING:
            self._why = f"{code} moved the head to a place that it doesn't tell"
        elif code in ("M18", "M84"):
            self.lose(f"{code} switched the motors off")
            off = _PLACE & set(line.words) if {"E", "S"} & set(line.words) else _axes_of(line)  # S: in so many seconds
            if off:
                self._strand(self._why, off)
        elif code in ("G10", "G11") and self._dialect.g10_retracts:
            pass
        elif code not in TEXT_CODES and not code.startswith("T") and not self._leaves_alone(code):
            self.forget(
                f"{code[:20]} is not known here and may have moved the head; where it is has not been said since"
            )

    def _leaves_alone(self, code: str) -> bool:
        return HARMLESS.match(code) is not None or code in self._harmless

    # ------------------------------------------------------------------------------------------------ the print

    def _laid(self, segments: tuple[Segment, ...]) -> tuple[News, ...]:
        news: tuple[News, ...] = ()
        # What is only pushed back to where it was drawn from lays nothing, wherever the head goes meanwhile.
        primed = self._before[1][5] + _FED_MM
        for segment in segments:
            start, end = segment.start, segment.end
            lays = end.e > max(start.e, primed) and (start.x != end.x or start.y != end.y)
            if lays and self.card is None:
                news += self._lay((start.x, start.y, start.z), (end.x, end.y, end.z))
        return news

    def _lay(self, start: Point, end: Point) -> tuple[News, ...]:
        began: tuple[News, ...] = () if self.printing else (self._begin(None),)
        number = self.layering.number
        height = self.layering.lay(start, end)
        if height is None or self.layering.number < number:
            return began
        return *began, LayerBegins(self.layering.number, height)

    def _begin(self, name: str | None) -> Began:
        self.run += 1
        self.printing = True
        self.layering = Layering()
        self.joined = not self._homed and name is None
        self.card = self.name = name
        return Began(self.joined)

    def end(self, outcome: Outcome, reason: str = "") -> tuple[News, ...]:
        """End the print, if there is one."""
        if not self.printing:
            return ()
        self.printing = False
        if self.card is not None:
            self.card = None
            self.lose("the printer printed from its own card, and no place was said since")
        return (Ended(outcome, reason),)

    def _print(self, code: str, line: Line) -> tuple[News, ...]:
        match code:
            case "M112":
                return self.halt()
            case "G28" if "Z" in _axes_of(line):
                return self.end(Outcome.LOST, "the machine was homed; another print begins")
            case "M104" | "M109" if line.value("S") == 0 and line.value("T") in (None, float(self._base.tool)):
                return self.end(Outcome.FINISHED) if self.card is None else ()
            case "M23":
                self._file = line.text.lstrip("/")
            case "M32":
                return self.card_begins(line.text)
            case "M24" if self.card is None:
                return self.card_begins(self._file)
            case _ if code in _OFF:
                return self.end(Outcome.FINISHED) if self.card is None else ()
            case _:
                pass
        return ()

    def card_begins(self, file: str) -> tuple[News, ...]:
        """The printer prints `file` from its own card."""
        ended = self.end(Outcome.LOST, "a print from the printer's card begins")
        return *ended, self._begin(file.strip(" /!#") or "card")


def _axes_of(line: Line) -> frozenset[str]:
    """The axes that a G28 homes or an M84 lets go of: those that it names, or all."""
    return _PLACE & set(line.words) or _PLACE


def _whole(base: State, at: Spot) -> State:
    x, y, z, e, feed_mm_min, primed_e = at
    return replace(base, position=Position(x, y, z, e), feed_mm_min=feed_mm_min, primed_e=primed_e)
