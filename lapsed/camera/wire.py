"""What passes between the daemon and a camera's worker: one JSON array `[name, fields]` on a line.

Down go one Opening, then Orders and Inspects; up come the camera's events, and one Inspected for each Inspect. Neither
side trusts the pipe: a line that is not a message is passed over, and an endless one is cut.
"""

import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass

from pydantic import TypeAdapter, ValidationError

from lapsed.model import CameraEvent, CameraTold, Check, Exposed, Landed, Missed, OnCard, Released

LONGEST = 64 * 1024
"""Bytes of the longest line that is looked at."""


@dataclass(frozen=True, slots=True)
class Opening:
    """Which camera the worker is to hold: the import path of its kind, and its part of the configuration."""

    kind: str
    camera: str
    part: dict[str, object]


@dataclass(frozen=True, slots=True)
class Order:
    """One frame is wanted: files named `stem` in `folder`, the shutter closed by `by_s` (monotonic)."""

    shot: int
    folder: str
    stem: str
    by_s: float


@dataclass(frozen=True, slots=True)
class Inspect:
    """The camera is to be looked over."""


@dataclass(frozen=True, slots=True)
class Inspected:
    """What looking the camera over came to."""

    checks: tuple[Check, ...]


Message = Opening | Order | Inspect | Inspected | CameraEvent

_SHAPES: dict[str, TypeAdapter[Message]] = {
    shape.__name__: TypeAdapter(shape)
    for shape in (Opening, Order, Inspect, Inspected, Released, Exposed, Landed, OnCard, Missed, CameraTold)
}


def pack(message: Message) -> bytes:
    """`message` as one line."""
    return json.dumps([type(message).__name__, asdict(message)]).encode() + b"\n"


def unpack(line: bytes) -> Message | None:
    """The message in `line`; None for anything else."""
    try:
        name, fields = json.loads(line)
        return _SHAPES[name].validate_python(fields)
    except (ValueError, TypeError, KeyError, RecursionError, ValidationError):
        return None


class Lines:
    """Cuts a stream of bytes into lines, wherever it was split; lines beyond LONGEST are dropped."""

    def __init__(self) -> None:
        self._rest = b""
        self._dropping = False

    def feed(self, data: bytes) -> Iterator[bytes]:
        """The lines that `data` completes, without their ends."""
        *whole, rest = (self._rest + data).split(b"\n")
        if whole and self._dropping:
            del whole[0]
            self._dropping = False
        if len(rest) > LONGEST:
            self._dropping, rest = True, b""
        self._rest = rest
        return (line for line in whole if len(line) <= LONGEST)
