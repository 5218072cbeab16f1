"""What a RepRap-style firmware does with the bytes it gets: numbers, checksums, resends, answers. No clock, no port.

After the RepRap wiki, "G-code" and "Replies from the RepRap machine to the host computer".
"""

import re
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter

from lapsed.gcode.dialect import Dialect
from lapsed.gcode.line import TEXT_CODES, Line, parse
from lapsed.gcode.state import AXES
from lapsed.sim.log import Log
from lapsed.sim.machine import Machine, axes
from lapsed.sim.planner import Limits

_EMERGENCY = re.compile(rb"(?:N\d+\s*)?M(108|112|410)(?!\d)")
_KNOWN = re.compile(
    r"G(?:[0-4]|10|11|17|18|19|20|21|28|29|90|91|92)$|T\d+$|"
    r"M(?:17|18|2[0-7]|31|73|7[5-7]|8[0-5]|9[2]|1(?:0[4-9]|1[0-9]|40|41|5[05]|9[01])|20[0-9]|22[01]|4(?:00|10|2)|50[0-4])$"
)


class Fault(BaseModel):
    """What goes wrong with the `at`-th line received, counted from 1.

    `bad`: it arrives damaged, if it bears a checksum. `deaf`: it doesn't arrive. `late`: its answer takes `for_s`
    simulated seconds more. `reset`: the machine starts anew instead of carrying it out. `say`: it says `text` first.
    `jog`: someone moves X by 10 mm at the panel after it. `unplug`: the cable is out for `for_s` real seconds.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    at: Annotated[int, Field(ge=1)]
    kind: Literal["bad", "deaf", "late", "reset", "say", "jog", "unplug"]
    for_s: Annotated[float, Field(ge=0)] = 0.0
    text: str = ""


FAULTS = TypeAdapter(tuple[Fault, ...])


@dataclass(frozen=True, slots=True)
class Ways:
    """In what this firmware differs from others.

    `advanced`: answers carry the line's number and the room left. `forgets`: unread input is thrown away at an error.
    """

    advanced: bool = False
    forgets: bool = True
    buffer_moves: int = 16
    dialect: Dialect = field(default_factory=Dialect)
    limits: Limits = field(default_factory=Limits)


class Controller:
    """One machine and what it has received. `log` is told of every line carried out.

    `receive` takes bytes in; `step` carries out the next line and gives what is said before and at its answer, after
    which `machine.now_s` is when the answer is due. `unplugged` hears of that fault.
    """

    def __init__(
        self,
        ways: Ways,
        log: Log,
        *,
        faults: tuple[Fault, ...] = (),
        unplugged: Callable[[float], None] = lambda _seconds: None,
        now: Callable[[], float] = lambda: 0.0,
    ) -> None:
        self.ways = ways
        self.halted = False
        self._log = log
        self._faults = {fault.at: fault for fault in faults}
        self._unplugged = unplugged
        self._now = now
        self._lines: deque[bytes] = deque()
        self._part = b""
        self._received = 0
        self.machine = self._fresh()

    def _fresh(self) -> Machine:
        self.last = 0
        """Number of the last line accepted."""
        return Machine(
            limits=self.ways.limits,
            dialect=self.ways.dialect,
            buffer_moves=self.ways.buffer_moves,
        )

    @property
    def waiting(self) -> bool:
        """Whether there is a line to carry out."""
        return bool(self._lines) and not self.halted

    def receive(self, data: bytes) -> bytes:
        """Take bytes in; what is said about them at once, which is only about emergencies."""
        *lines, self._part = (self._part + data).split(b"\n")
        said = b""
        for line in lines:
            if (found := _EMERGENCY.match(line)) and found[1] == b"112":
                self._note("emergency", line=line.decode("latin-1"))
                self.halted = True
                self._lines.clear()
                return b"!! halted by M112\n"
            if found:
                self._note("emergency", line=line.decode("latin-1"))
            self._lines.append(line)
        return said

    def start(self) -> bytes:
        """Switch on, or reset; gives the greeting."""
        now = self.machine.now_s
        self.machine = self._fresh()
        self.machine.now_s = now
        self._lines.clear()
        self._part = b""
        self.halted = False
        self._note("start")
        return b"start\necho: the winch controller of Ottermole pier is awake\n"

    def step(self) -> tuple[bytes, bytes]:
        """Carry out the oldest line; what is said before its answer, and the answer."""
        raw = self._lines.popleft()
        self._received += 1
        fault = self._faults.get(self._received)
        said = b""
        match fault:
            case Fault(kind="deaf"):
                return b"", b""
            case Fault(kind="bad") if raw.startswith(b"N"):
                raw = raw[:-1] + bytes([raw[-1] ^ 1])
            case Fault(kind="say"):
                said = fault.text.encode("latin-1") + b"\n"
            case Fault(kind="reset"):
                return b"", self.start()
            case Fault(kind="unplug"):
                self._unplugged(fault.for_s)
                return b"", b""
            case _:
                pass
        more, answer = self._carry_out(raw)
        if fault is not None and fault.kind == "late":
            self.machine.finish()
            self.machine.now_s += fault.for_s
        if fault is not None and fault.kind == "jog":
            self.machine.execute("G91")
            self.machine.execute("G1 X10 F3000")
            self.machine.execute("G90")
        return said + more, answer

    def _carry_out(self, raw: bytes) -> tuple[bytes, bytes]:
        text = raw.decode("latin-1")
        line = parse(text, self.ways.dialect)
        if line.number is not None:
            if line.checksum is None or (line.trouble or "").startswith("the checksum"):
                return self._again("the checksum is wrong or missing")
            set_here = line.code == "M110"
            if line.number != self.last + 1 and not set_here:
                return self._again("that is not the next line")
            self.last = line.number
        elif line.checksum is not None:
            return self._again("a checksum without a line number")  # the rest of a line whose beginning was thrown away
        if line.code == "M110":
            self.last = int(line.value("N") if line.value("N") is not None else line.number or 0)  # type: ignore[arg-type]  # one of them is a number
        if not line.code:
            return b"", b"" if line.number is None else self._ok()
        said = self._do(line, text)
        # The answer to M105 stands on the line of its ok.
        return said, self._ok(b" T:212.0 /212.0 B:60.0 /60.0 @:64 B@:20" if line.code == "M105" else b"")

    def _do(self, line: Line, text: str) -> bytes:
        if not _KNOWN.match(line.code) and line.code not in TEXT_CODES:
            return f'echo:Unknown command: "{line.code}"\n'.encode("latin-1")
        self.machine.execute(_bare(text))
        self._entry(line, text)
        position = axes(self.machine.state.position)
        match line.code:
            case "M114":
                places = " ".join(f"{axis}:{value:.2f}" for axis, value in zip(AXES, position, strict=True))
                return f"{places} Count X:{position[0] * 80:.0f}\n".encode()
            case "M115":
                return b"FIRMWARE_NAME:Ottermole Winch PROTOCOL_VERSION:1.0 EXTRUDER_COUNT:1\nCap:EMERGENCY_PARSER:1\n"
            case "M118":
                return f"{line.text}\n".encode("latin-1")
            case _:
                return b""

    def _ok(self, rest: bytes = b"") -> bytes:
        advanced = f" N{self.last} P{max(0, self.ways.buffer_moves - 1)} B3".encode() if self.ways.advanced else b""
        return b"ok" + advanced + rest + b"\n"

    def _again(self, why: str) -> tuple[bytes, bytes]:
        if self.ways.forgets:
            self._lines.clear()
            self._part = b""
        self._note("again", line=str(self.last + 1))
        text = f"Error:{why}, last line: {self.last}\nResend: {self.last + 1}\n"
        return text.encode(), self._ok()

    # ------------------------------------------------------------------------------------------------ the log

    def _entry(self, line: Line, text: str) -> None:
        state = self.machine.state
        self._log.write(
            {
                "t": self.machine.now_s,
                "mono_s": self._now(),
                "line": text,
                "number": line.number,
                "at": [round(value, 5) for value in axes(state.position)],
                "absolute": state.absolute,
                "absolute_extrusion": state.absolute_extrusion,
                "feed": round(state.feed_mm_min, 3),
                "retracted": state.retracted,
                "inches": state.inches,
            }
        )

    def _note(self, event: str, **data: str) -> None:
        self._log.write({"t": self.machine.now_s, "mono_s": self._now(), "event": event, **data})


def _bare(text: str) -> str:
    """A line without its number and checksum."""
    found = re.match(r"\s*[Nn]\d+\s*(.*?)\s*(?:\*\s*\d+\s*)?$", text)
    return found[1] if found else text
