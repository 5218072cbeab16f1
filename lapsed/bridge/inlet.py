"""What the host sends, cut into lines: of a line under way part may have gone to the printer already."""

import re

from lapsed.bridge.holding import LONGEST_LINE
from lapsed.bridge.wire import Wire

_MAY_MOVE = re.compile(rb"\s*(?:N(?:\d+\s*)?)?(?:G[^\n]*)?$")


class Inlet:
    """The host's bytes; `part` is the beginning of a line, which waits for its end up to `until`."""

    def __init__(self, wire: Wire, part_within_s: float) -> None:
        self.part = b""
        self.passed = 0
        """Bytes of `part` that have gone on."""
        self.until: float | None = None
        self.overlong = False
        """Whether the line under way is an over-long one, of which all that has come has gone on."""
        self._wire = wire
        self._within_s = part_within_s

    def cut(self, data: bytes) -> tuple[bytes, int, bytes]:
        """The lines that end in `data`, how much of the first has gone on, and what begins after them.

        The rest must be given to `keep` once the lines are dealt with: none of it may go on before.
        """
        data = self.part + data if self.part else data
        end = data.rfind(b"\n") + 1
        if not end:
            return b"", 0, data
        passed = self.passed
        self.part, self.passed, self.until = b"", 0, None
        return data[:end], passed, data[end:]

    def keep(self, rest: bytes) -> None:
        """Take in the beginning of the next line."""
        self.part = rest

    def settle(self, now: float) -> None:
        """Pass the beginning of a line on, unless its end may show that it is the one to withhold."""
        part = self.part
        if not part:
            return
        if self.passed or not self._wire.attached or len(part) > LONGEST_LINE or not _MAY_MOVE.match(part):
            self.push()
        else:
            self.until = now + self._within_s

    def push(self) -> None:
        """Pass the beginning of a line on now."""
        self.until = None
        self._wire.to_printer += self.part[self.passed :]
        self.passed = len(self.part)
        if self.passed > LONGEST_LINE:
            self.part, self.passed, self.overlong = b"", 0, True
        elif self.overlong:
            self.part, self.passed = b"", 0

    def clear(self) -> None:
        """Begin anew, with another host."""
        self.part, self.passed, self.until, self.overlong = b"", 0, None, False
