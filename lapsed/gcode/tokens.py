"""Many lines of G-code taken apart at once, with NumPy.

A line of regular shape (words of an upper-case letter and at most 15 digits, blanks, a `;` comment) gives exactly what
`line.parse` gives; any other is handed back by its index, for `line.parse` to look at.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lapsed.gcode.arrays import Bytes, Flags, Floats, Ints
from lapsed.gcode.dialect import Dialect
from lapsed.gcode.numbering import dress

M, T, NO_CODE, ODD_CODE = 10_000, 20_000, 30_000, 30_001
"""A command as one number: G by itself, M and T from these on; then lines without a command, and irregular ones."""

PAD = b" " * 7 + b"\n"
"""Put before the text, so that eight bytes can be loaded before any digit."""

_DIGIT, _NEWLINE, _BLANK, _LETTER, _DOT, _SIGN, _SEMICOLON, _OTHER = range(8)


def _classes() -> Bytes:
    table = np.full(256, _OTHER, np.uint8)
    table[ord("0") : ord("9") + 1] = _DIGIT
    table[ord("A") : ord("Z") + 1] = _LETTER
    for text, kind in ((b"\n", _NEWLINE), (b" \t\r", _BLANK), (b".", _DOT), (b"+-", _SIGN), (b";", _SEMICOLON)):
        table[list(text)] = kind
    return table


def _regular_pairs() -> Flags:
    """Which two neighbours may stand in a regular line: index 16 a + b, each twice its class plus "digits follow"."""
    table = np.zeros(256, bool)
    enders = (_NEWLINE, _BLANK, _LETTER, _SEMICOLON)

    def allow(kind: int, nexts: tuple[tuple[int, bool], ...], *, digits: bool = False) -> None:
        for after, more in nexts:
            table[16 * (2 * kind + digits) + 2 * after + more] = True

    new_word = tuple((kind, kind == _LETTER and more) for kind in enders for more in (False, True))
    for kind in (_NEWLINE, _BLANK, _SEMICOLON):
        allow(kind, new_word)
    # A bare letter may not touch another: such a thing is a whole word and no G-code.
    bare_after = ((_NEWLINE, False), (_BLANK, False), (_SEMICOLON, False), (_SIGN, True), (_SIGN, False), (_DOT, True))
    allow(_LETTER, bare_after)
    allow(_LETTER, (*new_word, (_DOT, False), (_DOT, True)), digits=True)
    allow(_SIGN, ((_DOT, True),))
    allow(_SIGN, (*new_word, (_DOT, False), (_DOT, True)), digits=True)
    allow(_DOT, new_word)
    allow(_DOT, new_word, digits=True)
    return table


_CLASS = _classes()
_REGULAR = _regular_pairs()
_TENS = 10.0 ** np.arange(17)
_WHOLE_TENS = 10 ** np.arange(17)
_LAST_BYTES = np.array([0] + [(0x0F0F0F0F0F0F0F0F << (64 - 8 * n)) & (2**64 - 1) for n in range(1, 9)], np.uint64)
_MOST_DIGITS = 8
_EXACT_DIGITS = 15  # any integer of 15 digits is exact in a double (IEEE 754), so one division rounds as float() does


@dataclass(frozen=True, slots=True)
class Table:
    """Lines taken apart: `starts` are byte offsets, `code` a number for each line, `odd` the irregular lines.

    `letter`, `line` and `value` describe the words of regular lines after the command, in order; NaN is a bare word.
    """

    starts: Ints
    code: Ints
    odd: Ints
    letter: Bytes
    line: Ints
    value: Floats


def tokenise(text: bytes, dialect: Dialect) -> Table:
    """Take apart whole lines; `text` ends with a newline."""
    if dialect.lower_case and not dialect.exponents:
        text = text.upper()
    raw: Bytes = np.frombuffer(PAD + text, np.uint8)
    at, kind, digits = _marks(raw)
    if text.startswith(b"N") or b"\nN" in text:
        blank = dress(raw, at, digits)
        kind[blank], digits[blank] = _BLANK, 0
    after = at + (digits - (_MOST_DIGITS - 1))  # where the eight bytes begin that end with the digits
    if (kind == _SEMICOLON).any():
        keep = _outside_comments(kind)
        at, kind, digits, after = at[keep], kind[keep], digits[keep], after[keep]
        digits[kind == _SEMICOLON] = 0
    newline = kind == _NEWLINE
    line_of = np.cumsum(newline, dtype=np.int64)
    line_of -= 1
    breaks = np.flatnonzero(newline)
    starts = at[breaks] - (len(PAD) - 1)
    irregular = _irregular(kind, digits)
    words = np.flatnonzero(kind == _LETTER)
    value, plain = _values(raw, kind, digits, after, words)
    code, odd, is_first = _codes(
        raw[at[words]],
        line_of[words],
        value,
        plain=plain,
        irregular_lines=line_of[irregular],
        lines=len(starts) - 1,
    )
    keep_word = np.flatnonzero(~is_first & (code[line_of[words]] != ODD_CODE))
    kept = words[keep_word]
    return Table(starts, code, odd, raw[at[kept]], line_of[kept], value[keep_word])


def _marks(raw: Bytes) -> tuple[Ints, Bytes, Ints]:
    """All that is no digit, from the newline before the text on: where, of which class, and how many digits follow."""
    kinds = _CLASS.take(raw)
    at = np.flatnonzero(kinds)[len(PAD) - 1 :]
    digits = np.diff(at, append=at[-1] + 1)
    digits -= 1
    return at, kinds.take(at), digits


def _outside_comments(kind: Bytes) -> Flags:
    """Which marks stand outside comments; the semicolon that begins one does."""
    breaks = np.flatnonzero(kind == _NEWLINE)
    semicolons = np.flatnonzero(kind == _SEMICOLON)
    line = np.searchsorted(breaks, semicolons)
    first = np.flatnonzero(np.diff(line, prepend=-1))
    step = np.zeros(len(kind) + 1, np.int8)
    step[semicolons[first] + 1] = 1
    ends = breaks[line[first]]
    step[ends] -= 1
    inside: Flags = np.cumsum(step[:-1], dtype=np.int8).view(np.bool_)
    return ~inside


def _irregular(kind: Bytes, digits: Ints) -> Ints:
    """The marks at which a line ceases to be regular."""
    with_digits = kind + kind
    with_digits += digits > 0
    pair = with_digits[:-1] << 4
    pair |= with_digits[1:]
    return np.flatnonzero(~_REGULAR.take(pair) | (digits[:-1] > _MOST_DIGITS))


def _values(raw: Bytes, kind: Bytes, digits: Ints, after: Ints, words: Ints) -> tuple[Floats, Flags]:
    """The number after each letter of `words`, and whether it is written with digits alone."""
    runs = _runs(raw, digits, after)
    head = words + 1
    signed = kind.take(head) == _SIGN
    whole = words + signed
    dot = whole + 1
    has_dot = kind.take(dot, mode="clip") == _DOT
    many = digits.take(whole)
    parts = digits.take(dot, mode="clip") * has_dot
    np.minimum(parts, _MOST_DIGITS, out=parts)
    mantissa = runs.take(whole) * _WHOLE_TENS.take(parts)
    mantissa += runs.take(dot, mode="clip") * has_dot
    value = mantissa / _TENS.take(parts)
    minus = np.flatnonzero(signed)
    minus = minus[raw[after[words[minus]] + _MOST_DIGITS] == ord("-")]
    value[minus] *= -1
    value[(many + parts) == 0] = np.nan
    # Too long for exact arithmetic: read the slow way.
    value[(many + parts) > _EXACT_DIGITS] = np.inf
    return value, (~signed & ~has_dot & (many > 0))


def _runs(raw: Bytes, digits: Ints, after: Ints) -> Ints:
    """The run of digits that follows each mark, as a whole number; eight digits are summed in three multiplications."""
    eights: npt.NDArray[np.uint64] = np.ndarray((len(raw) - 7,), "<u8", raw.data, 0, (1,))
    x = eights[after]
    x &= _LAST_BYTES.take(digits, mode="clip")
    x *= np.uint64(2561)
    x >>= np.uint64(8)
    x &= np.uint64(0x00FF00FF00FF00FF)
    x *= np.uint64(6553601)
    x >>= np.uint64(16)
    x &= np.uint64(0x0000FFFF0000FFFF)
    x *= np.uint64(42949672960001)
    x >>= np.uint64(32)
    return x.view(np.int64)


def _codes(
    letter: Bytes, line: Ints, value: Floats, *, plain: Flags, irregular_lines: Ints, lines: int
) -> tuple[Ints, Ints, Flags]:
    """The command of each line, the irregular lines, and which words are commands."""
    first = np.diff(line, prepend=-1) != 0
    firsts = np.flatnonzero(first)
    where, what, number = line[firsts], letter[firsts], value[firsts]
    code = np.full(lines, NO_CODE, np.int64)
    known = (what == ord("G")) | (what == ord("M")) | (what == ord("T"))
    small = plain[firsts] & (number < M)
    numbers = np.where(small, number, 0).astype(np.int64)
    numbers += M * (what == ord("M")) + T * (what == ord("T"))
    code[where] = np.where(known & small, numbers, np.where(known | (what == ord("N")), ODD_CODE, NO_CODE))
    code[irregular_lines[irregular_lines < lines]] = ODD_CODE
    code[line[np.isinf(value)]] = ODD_CODE
    return code, np.flatnonzero(code == ODD_CODE), first
