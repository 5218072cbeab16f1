"""Lines that go to the printer at once and are read a moment later, as nothing in them can be a reason to hold.

A line is read before it goes on only where that may matter: where it may begin a layer, or where an order waits for
the next move. Between two layers that is a fraction of the lines, and none while no daemon is there.
"""

import re

MOST_BEHIND = 2 * 1024
"""Bytes that may be unread while a host waits for answers: what has to be read before the next layer takes no longer
than a quarter of a millisecond."""

MOST_UNREAD = 256 * 1024
"""Bytes kept for reading from a host that waits for no answers; a line of 250 000 baud takes 10 s for them."""

MOST_DUE = 256
"""A host with more lines unanswered than this doesn't wait for answers: nothing can be put between its lines."""

READ_EVERY_S = 0.02
SLICE = 2 * 1024
"""Bytes read at a time: half a millisecond where no line can be read by one expression, and four times what a line of
250 000 baud brings meanwhile."""

_LEVEL = b"NGXYEF0123456789.-* \r\n"
_ODD = re.compile(rb"\n[\s;]")
_SILENT = re.compile(rb"\s*(?:;.*)?$", re.DOTALL)


def level(lines: bytes) -> bool:
    """Whether whole lines do no more, as they stand, than move at one height or count filament anew."""
    if lines.translate(None, _LEVEL):
        return False
    return lines.count(b"G") == lines.count(b"G1 ") + lines.count(b"G0 ") + lines.count(b"G92 E")


def answers_due(lines: bytes) -> int:
    """How many of whole lines the printer answers: all but the empty ones and those with nothing but a comment."""
    if lines[:1].isspace() or lines[:1] == b";" or _ODD.search(lines):
        return sum(not _SILENT.match(line) for line in lines.split(b"\n")[:-1])
    return lines.count(b"\n")


def split(lines: bytes) -> list[bytes]:
    """Whole lines one by one, each with its end."""
    return [line + b"\n" for line in lines.split(b"\n")[:-1]]


class Ahead:
    """What has gone to the printer and is still to be read, no later than `read_at`.

    `rough` tells that not all of it is known to be level.
    """

    def __init__(self) -> None:
        self.read_at: float | None = None
        self.rough = False
        self._unread = bytearray()

    def __len__(self) -> int:
        return len(self._unread)

    def put(self, lines: bytes, now: float, *, rough: bool) -> bool:
        """Keep whole lines for reading; false if they were too many, and all is thrown away."""
        if len(self._unread) + len(lines) > MOST_UNREAD:
            self._clear()
            return False
        self._unread += lines
        self.rough = self.rough or rough
        if self.read_at is None:
            self.read_at = now + READ_EVERY_S
        return True

    def take(self, most: int) -> list[bytes]:
        """The oldest lines, some `most` bytes of them."""
        end = self._unread.find(b"\n", most) + 1 if len(self._unread) > most else len(self._unread)
        lines = split(bytes(self._unread[:end]))
        del self._unread[:end]
        if not self._unread:
            self._clear()
        return lines

    def _clear(self) -> None:
        self._unread.clear()
        self.read_at, self.rough = None, False

    def later(self, now: float) -> None:
        """Read what is left in a while."""
        if self._unread:
            self.read_at = now + READ_EVERY_S
