"""What bridge and daemon say to each other: one JSON object a line over a local socket.

Plain frozen dataclasses, since the bridge is to stay small: the daemon reads them through pydantic, the bridge checks
the few that it is told by hand. A first line `Hello` carries VERSION each way; who can't speak it says no more.
"""

import json
import math
from dataclasses import asdict, dataclass, fields
from typing import Literal

VERSION = 1
LONGEST = 64 * 1024
"""Bytes of the longest line; whoever sends a longer one is hung up on."""

# ------------------------------------------------------------------------------------------ the bridge's words


@dataclass(frozen=True, slots=True)
class Hello:
    """Who speaks, and how things stand: `host` and `printer` tell whether either end is there."""

    version: int
    host: bool = False
    printer: bool = False
    printing: bool = False
    say: Literal["hello"] = "hello"


@dataclass(frozen=True, slots=True)
class Ends:
    """The host has opened or closed its end, the printer's port has come or gone; `reason` says why it went."""

    host: bool
    printer: bool
    reason: str = ""
    say: Literal["ends"] = "ends"


@dataclass(frozen=True, slots=True)
class PrintBegan:
    """A print runs; `run` tells it from others, `joined` says that it ran before we looked, `top_mm` what stands."""

    run: str
    joined: bool
    name: str | None = None
    card: bool = False
    layer: int = 0
    height_mm: float = 0.0
    say: Literal["began"] = "began"


@dataclass(frozen=True, slots=True)
class Layer:
    """A layer begins; while `waits`, its first line is withheld for an answer that names `token`."""

    token: int
    number: int
    height_mm: float
    waits: bool
    say: Literal["layer"] = "layer"


@dataclass(frozen=True, slots=True)
class Height:
    """The head of a print from the card was found at this height."""

    height_mm: float
    say: Literal["height"] = "height"


@dataclass(frozen=True, slots=True)
class PrintOver:
    """The print is over; `outcome` is a value of `model.Outcome`."""

    outcome: str
    reason: str
    say: Literal["over"] = "over"


@dataclass(frozen=True, slots=True)
class Waits:
    """Someone paused the print, or let it go on."""

    paused: bool
    say: Literal["waits"] = "waits"


@dataclass(frozen=True, slots=True)
class Held:
    """The host's line is withheld and all before it is answered; the machine as it is then.

    Lengths are mm in the G-code's coordinates, `offset` leads to the machine's. `top_mm` is the height of all laid so
    far, None if not all of it was seen.
    """

    shot: int
    position: tuple[float, float, float, float]
    offset: tuple[float, float, float, float]
    feed_mm_min: float
    absolute: bool
    absolute_extrusion: bool
    retracted: bool
    inches: bool
    top_mm: float | None
    say: Literal["held"] = "held"


@dataclass(frozen=True, slots=True)
class Parked:
    """The head stands at the park point."""

    shot: int
    say: Literal["parked"] = "parked"


@dataclass(frozen=True, slots=True)
class Freed:
    """The withheld line has gone to the printer, after the head's way back if it had left; `reason` if unasked."""

    shot: int
    reason: str = ""
    say: Literal["freed"] = "freed"


@dataclass(frozen=True, slots=True)
class Refused:
    """The print is not held for this shot, and why."""

    shot: int
    reason: str
    say: Literal["refused"] = "refused"


@dataclass(frozen=True, slots=True)
class Remark:
    """Something a person should know."""

    text: str
    say: Literal["remark"] = "remark"


FromBridge = Hello | Ends | PrintBegan | Layer | Height | PrintOver | Waits | Held | Parked | Freed | Refused | Remark

# ------------------------------------------------------------------------------------------ the daemon's words


@dataclass(frozen=True, slots=True)
class Pass:
    """No frame is wanted of the layer that waits for this `token`."""

    token: int
    say: Literal["pass"] = "pass"


@dataclass(frozen=True, slots=True)
class Hold:
    """Hold the print for `shot`, at the line that waits for `token` or at the next move, no longer than `limit_s`."""

    shot: int
    token: int | None
    limit_s: float
    say: Literal["hold"] = "hold"


@dataclass(frozen=True, slots=True)
class Leave:
    """Have the head moved away by `leave`; `come_back` undoes it and takes `come_back_s`."""

    shot: int
    leave: tuple[str, ...]
    come_back: tuple[str, ...]
    come_back_s: float
    say: Literal["leave"] = "leave"


@dataclass(frozen=True, slots=True)
class Free:
    """Bring the head back if it has left, and let the print go on."""

    shot: int
    say: Literal["free"] = "free"


FromDaemon = Hello | Pass | Hold | Leave | Free

# -------------------------------------------------------------------------------------------------------- lines

_TOLD: dict[str, type[FromDaemon]] = {"hello": Hello, "pass": Pass, "hold": Hold, "leave": Leave, "free": Free}
_CHECKS: dict[str, type | tuple[type, ...]] = {
    "version": int,
    "host": bool,
    "printer": bool,
    "printing": bool,
    "token": (int, type(None)),
    "shot": int,
    "limit_s": (int, float),
    "come_back_s": (int, float),
    "leave": list,
    "come_back": list,
}


def line_of(message: FromBridge | FromDaemon) -> bytes:
    """A message as its line."""
    return json.dumps(asdict(message), separators=(",", ":")).encode() + b"\n"


def told(line: bytes) -> FromDaemon:
    """The daemon's message in a line; raises ValueError for anything else."""
    data = json.loads(line)
    if not isinstance(data, dict) or not isinstance(kind := data.pop("say", None), str) or kind not in _TOLD:
        raise ValueError("a message says hello, pass, hold, leave or free")
    made = _TOLD[kind]
    names = {field.name for field in fields(made)} - {"say"}
    if not data.keys() <= names:
        raise ValueError(f"{kind} knows no {', '.join(sorted(data.keys() - names))}")
    for name, value in data.items():
        if not isinstance(value, _CHECKS[name]) or (isinstance(value, float) and not math.isfinite(value)):
            raise ValueError(f"{name} of {kind} is of the wrong kind")
        if isinstance(value, list):
            data[name] = _block(value)
    try:
        return made(**data)
    except TypeError as error:
        raise ValueError(f"{kind} is not whole") from error


def _block(lines: list[object]) -> tuple[str, ...]:
    whole = [line for line in lines if isinstance(line, str) and line.isascii() and line.isprintable()]
    if not lines or len(whole) != len(lines):
        raise ValueError("a block holds lines of printable ASCII, one at least")
    return tuple(whole)
