"""A streaming host: opens a serial port and sends a G-code file through it.

Run as `python -m lapsed.sim.sender PORT FILE`; it ends with 0 once everything is sent and answered, with 1 when the
port goes away before that.
"""

import argparse
import os
import select
import sys
import termios
import tty
from collections.abc import Sequence
from pathlib import Path

from lapsed import clock
from lapsed.sim.stream import Stream

QUIET_S = 2.0
"""How long a silent printer is waited for before the host goes on; longer than it takes to say that it is busy."""


def send(port: Path, stream: Stream, *, quiet_s: float = QUIET_S) -> bool:
    """Send it all; false when the port went away before the end. Raises OSError if it can't be opened."""
    terminal = os.open(port, os.O_RDWR | os.O_NOCTTY)
    try:
        tty.setraw(terminal)
        termios.tcflush(terminal, termios.TCIFLUSH)
        heard_s = clock.monotonic()
        while not stream.over:
            if due := stream.due():
                _write(terminal, due)
            if not select.select([terminal], [], [], quiet_s / 4)[0]:
                if clock.monotonic() - heard_s > quiet_s:
                    stream.forget()
                    heard_s = clock.monotonic()
                continue
            data = os.read(terminal, 65536)
            if not data:
                return False
            heard_s = clock.monotonic()
            stream.heard(data)
    except OSError:
        return False
    finally:
        os.close(terminal)
    return True


def _write(terminal: int, data: bytes) -> None:
    while data:
        data = data[os.write(terminal, data) :]


def main(argv: Sequence[str] | None = None) -> int:
    """Send a file as a process."""
    parser = argparse.ArgumentParser(prog="python -m lapsed.sim.sender", description="A simulated streaming host.")
    parser.add_argument("port", type=Path, help="serial port")
    parser.add_argument("file", type=Path, help="G-code to send")
    parser.add_argument("--window", type=int, default=1, help="how many lines may be unanswered")
    parser.add_argument("--polls", type=int, default=0, metavar="N", help="ask for temperatures after every N lines")
    parser.add_argument("--bare", action="store_true", help="no numbers and checksums")
    parser.add_argument("--quiet", type=float, default=QUIET_S, metavar="S", help="go on after so long a silence")
    options = parser.parse_args(argv)
    lines = options.file.read_text("utf-8", "surrogateescape").splitlines()
    stream = Stream(lines, window=options.window, polls=options.polls, numbered=not options.bare)
    return 0 if send(options.port, stream, quiet_s=options.quiet) else 1


if __name__ == "__main__":
    sys.exit(main())
