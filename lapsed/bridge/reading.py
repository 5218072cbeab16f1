"""What the host's stream says: where the machine is and in which modes, which print runs, which layer begins."""

import re
from collections import deque
from dataclasses import dataclass, replace
from functools import reduce
from operator import xor

from lapsed.bridge.layering import Layering
from lapsed.gcode.dialect import Dialect
from lapsed.gcode.line import TEXT_CODES, Line, parse
from lapsed.gcode.state import STRAYING, Segment, State, advance
from lapsed.model import Outcome

HARMLESS = re.compile(
    r"G(?:[0-4]|17|18|19|20|21|28|90|91|92|92\.1)$|"
    r"M(?:0|1|16|17|2[0-9]|3[0-9]|42|7[0-9]|8[0235]|10[4-9]|11[0-9]|12[0-36]|13[26]|14[0-59]|15[0-5]|16[3-6]|19[01]|"
    r"20[0-57-9]|21[078]|22[016]|24[0-9]|25[056]|26[01]|28[0-2]|30[0-5]|355|400|40[4-7]|41[23]|42[05]|486|50[03]|550|"
    r"55[0-9]|569|57[0-3]|593|900|90[6-9]|91[0-9]|928)$"
)
"""Commands that leave position and modes alone or that are followed (RepRap wiki, "G-code"); of any other it is assumed
that it may have moved the head and changed the modes."""

_PLAIN = re.compile(rb"(?:N([0-9]{1,9}) )?(G[01])((?: [XYZEF]-?[0-9]+(?:\.[0-9]+)?)+)(?:\*([0-9]{1,3}))?\r?\n$")
_OFF = frozenset({"M2", "M18", "M84", "M81"})
_FED_MM = 0.001
_KEPT = 256
_NOWHERE: frozenset[str] = frozenset()
_ASSUMED = frozenset({"assumed"})
_PLACE = frozenset("XYZ")


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


def quick(raw: bytes) -> Line | None:
    """A plain move as `parse` reads it, in a third of the time; None for any other line, and where the sum is wrong."""
    found = _PLAIN.match(raw)
    if found is None:
        return None
    number, code, words, claimed = found.groups()
    if claimed is not None and reduce(xor, raw[: raw.rindex(b"*")]) != int(claimed):
        return None
    return Line(
        code.decode("ascii"),
        {word[0]: float(word[1:]) for word in words.decode("ascii").split()},
        "",
        int(number) if number is not None else None,
        int(claimed) if claimed is not None else None,
    )


class Reading:
    """Follows the host's lines; `before` is the state before the last line read, `state` that after it.

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
        self.restart()

    def restart(self) -> None:
        """The printer has started anew: nothing is known of it."""
        self.state = self.before = State()
        self.layering = Layering()
        self._modes = self._before_modes = _ASSUMED if self._checked else _NOWHERE
        self._unstated = ""
        self._why = "the machine has not been homed since the bridge began to watch it"
        self._expected: int | None = None
        self._marks: deque[tuple[int, State, frozenset[str]]] = deque(maxlen=_KEPT)
        self._homed = False
        self.joined = True
        self.moves = False
        """Whether the last line read is a move."""

    def forget(self, why: str) -> None:
        """Position and modes may have changed unseen."""
        self._modes = _NOWHERE
        self._unstated = why
        self.lose(why)

    def lose(self, why: str) -> None:
        """The position may have changed unseen."""
        self.state = replace(self.state, known=_NOWHERE)
        self._why = why

    def unsure(self) -> str | None:
        """Why the head must not be parked before the last line read, None if it may."""
        if not self.before.known >= _PLACE:
            return self._why
        # In inches the printer's place is not checked, so nothing may rest on it.
        assumed = self._before_modes >= _ASSUMED and not self.before.inches
        if "moves" not in self._before_modes and not assumed:
            return self._unstated or "the print has said neither G90 nor G91 since the bridge began to watch"
        if "extruder" not in self._before_modes:
            return self._unstated or "the print has said neither M82 nor M83 since the bridge began to watch"
        if not self.before.certain:
            return "the print has not said where the extruder stands; G92 E0 in its start says it"
        if self.before.feed_mm_min <= 0:
            return "the print has told no feed rate yet"
        return None

    # -------------------------------------------------------------------------------------------------- lines

    def read(self, raw: bytes) -> tuple[News, ...]:
        """Take in one line as it goes to the printer; what it means beyond itself."""
        line = quick(raw) or parse(raw.decode("latin-1"), self._dialect)
        self.moves = False
        if not self._accepted(line):
            return ()
        code = line.code
        self.before, self._before_modes = self.state, self._modes
        self.state, segments = advance(self.state, line, self._dialect)
        if code in ("G0", "G1", "G2", "G3"):
            self.moves = True
            return self._laid(segments) if segments else ()
        if not code:
            return ()
        self._heed(code, line)
        return self._print(code, line)

    def rewind(self, number: int) -> None:
        """The printer asks for the lines from `number` on again: what was read of them has not happened."""
        for index, (mark, state, modes) in enumerate(self._marks):
            if mark == number:
                self.state, self._modes = state, modes
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
            return True
        if self._expected is not None and line.number != self._expected:
            return False
        self._marks.append((line.number, self.state, self._modes))
        self._expected = line.number + 1
        return True

    def _heed(self, code: str, line: Line) -> None:
        """Keep count of what is certain."""
        if code in ("G90", "G91"):
            self._modes |= {"moves", "extruder"} if self._dialect.extruder_follows == "set" else {"moves"}
        elif code in ("M82", "M83"):
            self._modes |= {"extruder"}
        elif code == "G28":
            self._homed = self._homed or "Z" in line.words or not {"X", "Y"} & set(line.words)
        elif code.startswith("T") and self.state.tool != self.before.tool:
            self.lose(f"{code} changed the tool, and no move to a place of its own has come since")
        elif code in STRAYING:
            self._why = f"{code} moved the head to a place that it doesn't tell"
        elif code in ("M18", "M84"):
            self.lose(f"{code} switched the motors off")
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
        news: list[News] = []
        # What is only pushed back to where it was drawn from lays nothing, wherever the head goes meanwhile.
        primed = self.before.primed_e + _FED_MM
        for segment in segments:
            start, end = segment.start, segment.end
            lays = end.e > max(start.e, primed) and (start.x != end.x or start.y != end.y)
            if not lays or self.card is not None:
                continue
            if not self.printing:
                news.append(self._begin(None))
            number = self.layering.number
            height = self.layering.lay(segment)
            if height is not None and self.layering.number >= number:
                news.append(LayerBegins(self.layering.number, height))
        return tuple(news)

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
                return self.end(Outcome.FAILED, "the host sent M112, an emergency stop")
            case "G28" if "Z" in line.words or not {"X", "Y"} & set(line.words):
                return self.end(Outcome.LOST, "the machine was homed; another print begins")
            case "M104" | "M109" if line.value("S") == 0 and line.value("T") in (None, float(self.state.tool)):
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
