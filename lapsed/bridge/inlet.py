"""What the host sends, cut into lines: of a line under way part may have gone to the printer already."""

import re
from collections.abc import Iterator

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
        self._wire = wire
        self._within_s = part_within_s
        self._overlong = False

    def lines(self, data: bytes) -> Iterator[tuple[bytes, int]]:
        """The lines that end in `data`, and how much of each has gone on."""
        *lines, part = (self.part + data).split(b"\n")
        # Nothing of the last line may go on while those before it are being dealt with.
        self.part, self.until = b"", None
        for line in lines:
            passed, self.passed = self.passed, 0
            yield line + b"\n", passed
        self.part = part

    def ends_overlong(self) -> bool:
        """Whether the line just given is the end of an over-long one."""
        was, self._overlong = self._overlong, False
        return was

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
            self.part, self.passed, self._overlong = b"", 0, True
        elif self._overlong:
            self.part, self.passed = b"", 0

    def clear(self) -> None:
        """Begin anew, with another host."""
        self.part, self.passed, self.until, self._overlong = b"", 0, None, False
