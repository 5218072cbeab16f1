"""The pseudo-terminal that the host opens in place of the printer's port, under a name that stays."""

import asyncio
import contextlib
import fcntl
import os
import select
import termios
import tty
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

from lapsed.bridge.end import Descriptor
from lapsed.errors import UserError

LOOK_EVERY_S = 0.05
"""How often is looked whether a host has opened it: the kernel tells of closing only."""


class There(Protocol):
    """Hears of the host's coming and going."""

    def __call__(self, *, there: bool) -> None:
        """It has come or gone."""


class Terminal:
    """The host's end, up from `open` to `close`. `there` is told when a host opens and closes it, `heard` what it says.

    After a host has closed it the next one gets a fresh terminal, without anything that the last one has set or left.
    """

    def __init__(self, link: Path, mode: int, heard: Callable[[bytes], None], there: "There") -> None:
        self._link = link
        self._mode = mode
        self._heard = heard
        self._there = there
        self._lock = -1
        self._master = -1
        self._end: Descriptor | None = None
        self._look: asyncio.TimerHandle | None = None

    def claim(self) -> None:
        """Take hold of the name, so that no other bridge does; raises UserError."""
        if self._link.exists() and not self._link.is_symlink():
            raise UserError(f"{self._link} is there and no link; name another with --link")
        lock = self._link.with_name(f".{self._link.name}.lock")
        try:
            self._link.parent.mkdir(parents=True, exist_ok=True)
            self._lock = _locked(lock)
        except BlockingIOError:
            raise UserError(f"another bridge has {self._link}; give each its own name") from None
        except OSError as error:
            raise UserError(
                f"cannot make {self._link}: {error.strerror}; choose a folder that can be written"
            ) from error
        # One that was killed has left its name, and the terminal of that number may be someone else's by now.
        self._link.unlink(missing_ok=True)

    def open(self) -> None:
        """Make a terminal and lead the name to it."""
        master, slave = os.openpty()
        try:
            tty.setraw(slave)
            os.fchmod(slave, self._mode)
            name = os.ttyname(slave)
        finally:
            os.close(slave)
        self._master = master
        fresh = self._link.with_name(f".{self._link.name}.new")
        fresh.unlink(missing_ok=True)
        fresh.symlink_to(name)
        fresh.replace(self._link)
        self._watch()

    def close(self) -> None:
        """Take the terminal away: a host that has it open sees its port go."""
        if self._look is not None:
            self._look.cancel()
            self._look = None
        if self._end is not None:
            self._end.close()
            self._end = None
        elif self._master >= 0:
            os.close(self._master)
        self._master = -1
        self._link.unlink(missing_ok=True)

    def release(self) -> None:
        """Give the name up."""
        self.close()
        if self._lock >= 0:
            self._link.with_name(f".{self._link.name}.lock").unlink(missing_ok=True)
            os.close(self._lock)
            self._lock = -1

    def write(self, data: bytes | bytearray) -> None:
        """Say something to the host; what no one is there to hear is lost."""
        if self._end is not None:
            self._end.write(data)

    def pause(self, waiting: int) -> None:
        """Make the host wait while so many bytes of what it sent wait elsewhere, or hear it again."""
        if self._end is not None:
            self._end.pause(waiting)

    def _watch(self) -> None:
        if self._absent():
            self._look = asyncio.get_running_loop().call_later(LOOK_EVERY_S, self._watch)
            return
        self._look = None
        # Set only now, as it would keep the host out as well; it binds all but root (tty_ioctl(4)).
        with contextlib.suppress(OSError):
            other = os.open(self._link, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK | os.O_CLOEXEC)
            try:
                fcntl.ioctl(other, termios.TIOCEXCL)
            finally:
                os.close(other)
        self._there(there=True)
        if self._master >= 0:
            self._end = Descriptor(self._master, self._heard, self._gone)

    def _absent(self) -> bool:
        look = select.poll()
        look.register(self._master, 0)
        return any(events & select.POLLHUP for _, events in look.poll(0))

    def _gone(self, why: str) -> None:
        del why
        self._end, self._master = None, -1
        self.open()
        self._there(there=False)


def _locked(path: Path) -> int:
    """The file open and locked; raises BlockingIOError where it is another's."""
    number = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    try:
        fcntl.flock(number, fcntl.LOCK_EX | fcntl.LOCK_NB)
        # Its last owner may have removed it between the two: a lock on it would keep nobody out.
        if os.fstat(number).st_nlink == 0:
            raise BlockingIOError
    except OSError:
        os.close(number)
        raise
    return number
