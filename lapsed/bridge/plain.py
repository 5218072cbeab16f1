"""Plain moves, nearly all that a print sends, taken apart by one expression: a subset of what `parse` reads."""

import re
from functools import reduce
from operator import xor

Words = tuple[
    bytes | None, bytes | None, bytes | None, bytes | None, bytes | None, bytes | None, bytes | None, bytes | None
]
"""The line number, F if it stands first, X, Y, Z, E, F if it stands last, and the checksum, as they are written."""

_FEED = rb"([0-9]{1,9}(?:\.[0-9]*)?)"
_PLACE = rb"(-?(?:[0-9]{1,9}(?:\.[0-9]*)?|\.[0-9]+))"
_PLAIN = re.compile(
    rb"(?:N([0-9]{1,9}) )?G[01](?: F" + _FEED + rb")?"
    rb"(?: X" + _PLACE + rb")?(?: Y" + _PLACE + rb")?(?: Z" + _PLACE + rb")?(?: E" + _PLACE + rb")?"
    rb"(?: F" + _FEED + rb")?(?:\*([0-9]{1,3}))?\r?\n\Z"
)


def words(raw: bytes) -> Words | None:
    """The words of a plain move, None for any other line."""
    found = _PLAIN.match(raw)
    return None if found is None else found.groups()  # type: ignore[return-value]  # typeshed knows no count of groups


def checksum(raw: bytes) -> int:
    """The XOR of all bytes before the last `*` (RepRap wiki, "G-code", section Checking)."""
    return reduce(xor, raw[: raw.rindex(b"*")])
