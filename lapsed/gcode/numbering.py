"""Line numbers and checksums of many lines at once."""

import numpy as np

from lapsed.gcode.arrays import Bytes, Ints

_STAR, _N, _RETURN, _NEWLINE, _DOT = b"*N\r\n."


def dress(raw: Bytes, at: Ints, digits: Ints) -> Ints:
    """Which of the marks begin the number of a line, or a checksum that is right; they say nothing of the motion.

    `at` are all bytes that are no digits, the first and the last of them newlines, `digits` how many digits follow
    each. What does not look as it should is left, for `line.parse` to judge. The checksum is the XOR of all bytes
    before the star (RepRap wiki, "G-code", section Checking).
    """
    mark = raw[at]
    newlines = np.flatnonzero(mark == _NEWLINE)
    heads = newlines[:-1] + 1
    numbered = (mark[heads] == _N) & (at[heads] == at[newlines[:-1]] + 1) & (digits[heads] > 0)
    numbered &= (digits[heads] <= 15) & (mark[np.minimum(heads + 1, len(mark) - 1)] != _DOT)
    lines = np.flatnonzero(numbered)
    heads, tails = heads[lines], newlines[lines + 1]
    tails = tails - (mark[tails - 1] == _RETURN)
    stars = tails - 1
    starred = (mark[stars] == _STAR) & (digits[stars] > 0) & (digits[stars] <= 3) & (stars > heads)
    # Nothing may stand between the digits and the end of the line.
    starred &= at[stars] + digits[stars] + 1 == at[tails]
    xors = np.bitwise_xor.accumulate(raw)
    claimed = _numbers(raw, at[stars], digits[stars])
    right = starred & (claimed == xors[at[stars] - 1] ^ xors[at[heads] - 1])
    return np.concatenate((heads, stars[right]))


def _numbers(raw: Bytes, before: Ints, digits: Ints) -> Ints:
    """The numbers of at most three digits after some bytes."""
    number = np.zeros(len(before), np.int64)
    for i in range(3):
        more = digits > i
        figure = raw[np.minimum(before + 1 + i, len(raw) - 1)].astype(np.int64) - ord("0")
        number = np.where(more, number * 10 + figure, number)
    return number
