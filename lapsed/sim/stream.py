"""How a streaming host sends a file: numbered lines with checksums, a window of them, again what was asked for again.

No clock and no port; after the RepRap wiki, "G-code", sections Checking and Buffering.
"""

import re
from collections.abc import Iterable

from lapsed.gcode.line import checksum

_AGAIN = re.compile(rb"(?:Resend:|rs)\s*N?\s*(\d+)", re.IGNORECASE)


class Stream:
    """Sends `lines` with at most `window` of them unanswered; M110 goes first.

    `polls` puts a temperature question after every so many lines. `numbered` false sends them bare.
    """

    def __init__(self, lines: Iterable[str], *, window: int = 1, polls: int = 0, numbered: bool = True) -> None:
        bare = [text for line in lines if (text := line.partition(";")[0].strip())]
        if polls:
            bare = [
                text for at, line in enumerate(bare, 1) for text in ((line, "M105") if at % polls == 0 else (line,))
            ]
        self.sent: list[bytes] = [b"M110 N0\n"] if not numbered else [framed(0, "M110")]
        self.sent += [framed(at, text) if numbered else f"{text}\n".encode() for at, text in enumerate(bare, 1)]
        self.unanswered = 0
        self.again = 0
        self._window = window
        self._next = 0
        self._asked, self._stale = -1, 0
        self._part = b""

    @property
    def over(self) -> bool:
        """Whether all was sent and answered."""
        return self._next == len(self.sent) and not self.unanswered

    def due(self) -> bytes:
        """What may be sent now; empty while answers are waited for."""
        out = b""
        while self.unanswered < self._window and self._next < len(self.sent):
            out += self.sent[self._next]
            self._next += 1
            self.unanswered += 1
        return out

    def heard(self, data: bytes) -> None:
        """Take in what the printer says."""
        *lines, self._part = (self._part + data).split(b"\n")
        for line in lines:
            if line.startswith(b"ok"):
                self.unanswered = max(0, self.unanswered - 1)
            elif found := _AGAIN.match(line):
                self._rewind(int(found[1]))

    def _rewind(self, number: int) -> None:
        """Send again from `number` on: what was sent after a refused line is refused as well, or was thrown away."""
        if number == self._asked and self._stale:
            self._stale -= 1  # another line that was under way when the first request came
            return
        self.again += 1
        self._asked, self._stale = number, max(0, self._next - number - 1)
        self._next = min(number, len(self.sent))
        self.unanswered = 1  # the answer to the error

    def poll(self) -> None:
        """Ask once more for the temperature, as a host does that has no more lines to send."""
        self.sent.append(framed(len(self.sent), "M105"))

    def forget(self) -> None:
        """Nothing was heard for long: an answer got lost, so wait for it no more."""
        self.unanswered = self._stale = 0


def framed(number: int, text: str) -> bytes:
    """A line with its number and checksum."""
    body = f"N{number} {text}"
    return f"{body}*{checksum(body)}\n".encode()
