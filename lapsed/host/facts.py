"""The facts that one message tells: found by their pointers, each read as what it has to be.

A host may say anything. What can't be what the fact is, such as a word for a layer number, is passed over and noted
as odd. Null, an empty text, and nothing or less where a count or an extent is due say that the host has no such fact.
"""

import re
from collections import deque
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from lapsed.host.pointer import ABSENT, resolve
from lapsed.settings import FeedLink

GREATEST = 1e9
"""No fact of a print is larger, in any of its units; what claims to be is a slip of the host's."""

LONGEST = 1000
"""Characters of a text, and lines of one message, that are read; the rest is no name and no news."""

# A number as JSON (RFC 8259, section 6) or G-code writes it, ".25" and "5." included; no underscores, no "nan".
_NUMBER = re.compile(r"[+-]?([0-9]{1,20}\.?[0-9]{0,40}|\.[0-9]{1,40})([eE][+-]?[0-9]{1,3})?")

_Reader = Callable[[object], object]


class _OddError(ValueError):
    """The value can't be what the fact is."""


@dataclass(frozen=True, slots=True)
class Told:
    """What one message tells.

    `facts` by their names in `settings.Facts`, None where the host says that it has none; `lines` of the console;
    `odd` shows the values that can't be what their facts are.
    """

    facts: Mapping[str, Any] = field(default_factory=dict)
    lines: tuple[str, ...] = ()
    odd: Mapping[str, str] = field(default_factory=dict)


def read(message: object, link: FeedLink) -> Told:
    """What `message`, any parsed JSON, tells of the host behind `link`."""
    facts: dict[str, Any] = {}
    odd: dict[str, str] = {}
    words = [word for listed in vars(link.states).values() for word in listed]
    readers: dict[str, _Reader] = {
        "state": partial(_state, words=words),
        "progress": partial(_share, full=link.facts.progress_full),
        **_READERS,
    }
    for name, reader in readers.items():
        try:
            value = _first(message, getattr(link.facts, name), reader)
        except _OddError as error:
            odd[name] = str(error)
            continue
        if value is not ABSENT:
            facts[name] = value
    if facts.get("state", ABSENT) is None:
        del facts["state"]  # a host is always in some state; null is no word for any
    return Told(facts, facts.pop("console", None) or (), odd)


def _first(message: object, pointers: Sequence[str], reader: _Reader) -> object:
    """The first usable value among the candidates; else None if one was null, _OddError if one was odd, or ABSENT."""
    result: object = ABSENT
    odd: _OddError | None = None
    for pointer in pointers:
        raw = resolve(message, pointer)
        if raw is ABSENT:
            continue
        try:
            value = None if raw is None else reader(raw)
        except _OddError:
            odd = odd or _OddError(f"{_shown(raw)} at {pointer or 'the top'}")
            continue
        if value is not None:
            return value
        result = None
    if result is ABSENT and odd is not None:
        raise odd
    return result


def _number(raw: object) -> float:
    if isinstance(raw, str) and _NUMBER.fullmatch(raw.strip()):
        raw = float(raw)
    # A bool is an int to Python and no number to JSON; the comparison also refuses NaN, and needs no float of a
    # number that has none.
    if isinstance(raw, bool) or not isinstance(raw, int | float) or not -GREATEST <= raw <= GREATEST:
        raise _OddError
    return float(raw)


def _whole(raw: object) -> int:
    number = _number(raw)
    if not number.is_integer():
        raise _OddError
    return int(number)


def _count(raw: object) -> int | None:
    number = _whole(raw)
    return number if number > 0 else None


def _extent(raw: object) -> float | None:
    number = _number(raw)
    return number if number > 0 else None


def _share(raw: object, full: float) -> float:
    share = _number(raw) / full
    # Rounding may carry a host a little over the end; far over it, progress_full is not what the host means.
    if not -0.01 <= share <= 1.01:
        raise _OddError
    return min(max(share, 0.0), 1.0)


def _flag(raw: object) -> bool:
    if isinstance(raw, bool):
        return raw
    if isinstance(raw, int) and raw in (0, 1):
        return raw == 1
    raise _OddError


def _text(raw: object) -> str | None:
    if not isinstance(raw, str):
        raise _OddError
    text = raw[:LONGEST]
    if not text.isascii():
        # JSON can escape half of a surrogate pair (RFC 8259, section 8.2), which no file or database takes.
        text = text.encode("utf-8", "replace").decode()
    return text or None


def _identity(raw: object) -> str | int | float | None:
    if isinstance(raw, str):
        return _text(raw)
    # Larger than any other fact: it may be a time in nanoseconds or 128 random bits.
    if isinstance(raw, bool) or not isinstance(raw, int | float) or not abs(raw) < 1e40:
        raise _OddError
    return int(raw) if raw == int(raw) else raw


def _state(raw: object, words: Collection[str]) -> str | None:
    """The word for the state; a truth or a number only where `words`, those that were listed, are of that sort."""
    if isinstance(raw, bool) and not {"true", "false"}.isdisjoint(words):
        return "true" if raw else "false"
    if isinstance(raw, int | float) and not isinstance(raw, bool) and any(map(_NUMBER.fullmatch, words)):
        return str(_identity(raw))
    return _text(raw)


def _lines(raw: object) -> tuple[str, ...]:
    texts = [text for text in (raw if isinstance(raw, list) else [raw]) if isinstance(text, str)]
    if raw != [] and not texts:
        raise _OddError
    lines = (line for text in texts[-LONGEST:] for part in text.splitlines()[-LONGEST:] if (line := _text(part)))
    return tuple(deque(lines, maxlen=LONGEST))


def _shown(raw: object) -> str:
    if isinstance(raw, dict | list):
        return "an object" if isinstance(raw, dict) else "a list"
    if isinstance(raw, int) and abs(raw) >= 1e40:  # Python refuses to write out integers past 4300 digits
        return "a huge number"
    return repr(raw[:60] if isinstance(raw, str) else raw)


_READERS: Mapping[str, _Reader] = {
    "detail": _text,
    "file": _text,
    "identity": _identity,
    "layers": _count,
    "expected_s": _extent,
    "part_height_mm": _extent,
    "layer": _whole,
    "height_mm": _extent,
    "x": _number,
    "y": _number,
    "z": _number,
    "e": _number,
    "feed_mm_min": _number,
    "absolute": _flag,
    "absolute_extrusion": _flag,
    "retracted": _flag,
    "console": _lines,
}
