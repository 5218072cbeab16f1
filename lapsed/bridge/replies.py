"""What a printer's lines mean, as far as the bridge must know.

After the RepRap wiki, "Replies from the RepRap machine to the host computer".
"""

import re
from dataclasses import dataclass
from enum import Enum

_OK = re.compile(rb"ok(?![A-Za-z0-9_])(?:\s+N(\d+))?")
_AGAIN = re.compile(rb"(?:Resend:|rs(?=[\s:]))\s*:?\s*N?\s*(\d+)", re.IGNORECASE)
_PLACE = re.compile(rb"X:\s*(-?\d+\.?\d*)\s*Y:\s*(-?\d+\.?\d*)\s*Z:\s*(-?\d+\.?\d*)")
_BUSY = re.compile(rb"(?:echo:\s*)?busy\b", re.IGNORECASE)
_ACTION = re.compile(rb"//\s*action:\s*([A-Za-z_]+)")
_UNKNOWN = re.compile(rb"unknown (?:command|code)", re.IGNORECASE)
_CARD = re.compile(rb"SD printing byte")
_CARD_DONE = re.compile(rb"Done printing file|Not SD printing")
_START = re.compile(rb"start\s*$")
_WAIT = re.compile(rb"wait\s*$")


class Kind(Enum):
    """The kinds of lines that matter."""

    OK = "ok"
    AGAIN = "again"
    START = "start"
    WAIT = "wait"
    BUSY = "busy"
    FAULT = "fault"
    UNKNOWN = "unknown"
    ACTION = "action"
    CARD = "card"
    CARD_DONE = "card done"
    OTHER = "other"


@dataclass(frozen=True, slots=True)
class Reply:
    """One line: its kind, the line number or the word it names, and the place X, Y, Z, mm, that it tells."""

    kind: Kind
    number: int | None = None
    word: str = ""
    place: tuple[float, float, float] | None = None


_PLAIN_OK = Reply(Kind.OK)
_OTHER = Reply(Kind.OTHER)


def read(line: bytes) -> Reply:
    """What a line means; any bytes are of some kind."""
    line = line.strip()
    if line == b"ok":
        return _PLAIN_OK
    place = None
    if b"X:" in line and (found := _PLACE.search(line)):
        place = float(found[1]), float(found[2]), float(found[3])
    if found := _OK.match(line):
        return Reply(Kind.OK, int(found[1]) if found[1] else None, place=place)
    if place is not None:
        return Reply(Kind.OTHER, place=place)
    if found := _AGAIN.match(line):
        return Reply(Kind.AGAIN, int(found[1]))
    if found := _ACTION.match(line):
        return Reply(Kind.ACTION, word=found[1].decode("ascii").lower())
    return _plain(line)


def _plain(line: bytes) -> Reply:
    if _START.match(line):
        return Reply(Kind.START)
    if _WAIT.match(line):
        return Reply(Kind.WAIT)
    if _BUSY.match(line):
        return Reply(Kind.BUSY)
    if line.startswith(b"!!"):
        return Reply(Kind.FAULT)
    if _UNKNOWN.search(line):
        return Reply(Kind.UNKNOWN)
    if _CARD.match(line):
        return Reply(Kind.CARD)
    if _CARD_DONE.match(line):
        return Reply(Kind.CARD_DONE)
    return _OTHER
