"""One line of G-code, taken apart."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from lapsed.gcode.dialect import Dialect

TEXT_CODES = frozenset({"M16", "M23", "M28", "M30", "M32", "M36", "M117", "M118", "M928"})
"""Commands whose rest is free text or a file name: a decoy in it such as `M118 G1 Z5` is no motion."""

_GREATEST = 1e15
_NOTHING: Mapping[str, float | None] = MappingProxyType({})
_DEFAULT = Dialect()

_NUMBERED = re.compile(r"[Nn][ \t]*([0-9]{1,18})(?![0-9.])[ \t]*")
_CHECKED = re.compile(r"\*[ \t]*([0-9]{1,3})[ \t]*$")
_CODE = re.compile(r"([A-Za-z])[ \t]*([0-9]{1,9})(?:\.([0-9]{1,4}))?(?![0-9])[ \t]*")
_WORDY = re.compile(r"[^ \t]+[ \t]*")
_BRACKETS = re.compile(r"\([^)]*\)?")
_QUOTED = r'[A-Za-z]?"[^"]*"?'
_NUMBER = r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)"
_WORD = re.compile(rf"(?P<quoted>{_QUOTED})|(?P<letter>[A-Za-z])[ \t]*(?P<value>{_NUMBER})?(?P<exponent>e[+-]?[0-9]+)?")


@dataclass(frozen=True, slots=True)
class Line:
    """A line taken apart.

    `code` is normalised ("G1" for `G01`, "T0", "" where there is no command); a lower-case command that the dialect
    does not carry out keeps its lower case, so nothing acts on it. `words` maps a letter to its number, None where it
    has none; the last of two alike counts. `text` is what follows a command that takes free text or that is a whole
    word. `trouble` says in a clause what could not be read; what could be is in the other fields all the same.
    """

    code: str = ""
    words: Mapping[str, float | None] = field(default_factory=lambda: _NOTHING)
    text: str = ""
    number: int | None = None
    checksum: int | None = None
    trouble: str | None = None

    def value(self, letter: str) -> float | None:
        """The number of a word, None if the word is absent or bare."""
        return self.words.get(letter)


def checksum(text: str | bytes) -> int:
    """The XOR of all bytes of a line before its `*` (RepRap wiki, "G-code", section Checking)."""
    result = 0
    for byte in text if isinstance(text, bytes) else text.encode("utf-8", "surrogateescape"):
        result ^= byte
    return result


def parse(raw: str, dialect: Dialect = _DEFAULT) -> Line:
    """Take one line apart; any text whatever gives a `Line`, see its `trouble`.

    Bytes that are no UTF-8 are best decoded with `surrogateescape`, so that the checksum still comes out.
    """
    body = raw.strip("\r\n").partition(";")[0]
    start = body.lstrip()
    number = None
    if numbered := _NUMBERED.match(start):
        number = int(numbered[1])
        start = start[numbered.end() :]
    claimed, trouble = None, None
    if (checked := _CHECKED.search(start)) and (number is not None or _code_of(start, dialect)[0] not in TEXT_CODES):
        claimed = int(checked[1])
        start = start[: checked.start()]
        actual = checksum(body[: body.rindex("*")])
        if claimed != actual:
            trouble = f"the checksum says {claimed} where the line gives {actual}"
    code, rest, wordy = _code_of(start, dialect)
    if wordy or code in TEXT_CODES:
        return Line(code, _NOTHING, rest.strip(), number, claimed, trouble)
    words, odd = _words(rest, dialect)
    return Line(code, words, "", number, claimed, trouble or odd)


def _code_of(text: str, dialect: Dialect) -> tuple[str, str, bool]:
    """The command, what follows it, and whether it is a whole word instead of a letter with a number."""
    if dialect.brackets_comment and text.lstrip().startswith("("):
        text = _BRACKETS.sub(" ", text, count=1).lstrip()
        return _code_of(text, dialect)
    text = text.lstrip()
    if found := _CODE.match(text):
        letter = found[1].upper() if dialect.lower_case else found[1]
        part = (found[3] or "").rstrip("0")
        return f"{letter}{int(found[2])}{'.' if part else ''}{part}", text[found.end() :], False
    if found := _WORDY.match(text):
        return found[0].strip(), text[found.end() :], True
    return "", "", False


def _words(text: str, dialect: Dialect) -> tuple[Mapping[str, float | None], str | None]:
    """The words of `text`, and what in it is none."""
    if dialect.brackets_comment and "(" in text:
        text = _BRACKETS.sub(" ", text)
    words: dict[str, float | None] = {}
    trouble = None
    at = 0
    while at < len(text):
        found = _WORD.match(text, at)
        if found is None:
            if not text[at].isspace() and trouble is None:
                trouble = f"{text[at : at + 20]!r} is no word"
            at += 1
            continue
        at = found.end()
        if found["quoted"] is not None:
            words[found["quoted"][0].upper()] = None
            continue
        at, value, odd = _value(found, dialect)
        trouble = trouble or odd
        letter = found["letter"].upper() if dialect.lower_case else found["letter"]
        words[letter] = value
    return (MappingProxyType(words) if words else _NOTHING), trouble


def _value(found: re.Match[str], dialect: Dialect) -> tuple[int, float | None, str | None]:
    """Where the word ends, its number, and what is wrong with it."""
    digits, exponent = found["value"], found["exponent"]
    if digits is None:
        return found.end("letter"), None, None
    if exponent is None:
        if abs(float(digits)) > _GREATEST:
            return found.end("value"), None, f"{digits[:20]!r} is too large a number"
        return found.end("value"), float(digits), None
    if not dialect.exponents:
        # Read as far as the digits go, as the firmware would; in a lower-case dialect what follows is a word.
        if dialect.lower_case:
            return found.end("value"), float(digits), None
        return found.end("exponent"), float(digits), f"the exponent in {found[0]!r} is not read by this dialect"
    value = float(digits + exponent)
    if abs(value) > _GREATEST:
        return found.end("exponent"), None, f"{found[0]!r} is too large a number"
    return found.end("exponent"), value, None
