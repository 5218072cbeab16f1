"""Either end of the line as bytes: a file descriptor or a remote port, neither of which ever blocks the loop."""

import asyncio
import contextlib
import errno
import os
import queue
import threading
from collections.abc import Callable
from typing import TypeVar

import serial

from lapsed import clock
from lapsed.errors import RetryError

MOST_WAITING = 256 * 1024
"""Bytes kept for an end that takes none: what a host doesn't read beyond them is dropped, as by a real port."""

CROWDED = 4 * 1024
"""Bytes kept for the printer before the host is made to wait."""

_T = TypeVar("_T")
_CHUNK = 16 * 1024
_MUCH = 1024
"""Where so much has come at once there is more, and looking for it costs less than waiting to be told."""

_STRETCH_S = 0.0005
"""How long one end is read on before the other has its turn: half of what may be added to a line's way."""

_RESET_S = 0.1


class Descriptor:
    """An open, non-blocking file descriptor on the running loop, which it owns.

    `heard` is called with what comes, `lost` once, when it has gone, `crowded` how many bytes
    wait for it, when it takes less than it is sent and when it has caught up.
    """

    def __init__(
        self,
        number: int,
        heard: Callable[[bytes], None],
        lost: Callable[[str], None],
        crowded: Callable[[int], None] = lambda _waiting: None,
    ) -> None:
        self._number = number
        self._heard = heard
        self._lost = lost
        self._crowded = crowded
        self._waiting = bytearray()
        self._loop = asyncio.get_running_loop()
        self._open = self._reads = True
        os.set_blocking(number, False)
        self._loop.add_reader(number, self._readable)

    def write(self, data: bytes | bytearray) -> None:
        """Send now, the rest as soon as it can be."""
        if not self._open:
            return
        if not self._waiting:
            try:
                sent = os.write(self._number, data)
            except BlockingIOError:
                sent = 0
            except OSError as error:
                self._gone(error.strerror)
                return
            if sent == len(data):
                return
            self._loop.add_writer(self._number, self._writable)
            data = data[sent:]
        self._waiting += data[: MOST_WAITING - len(self._waiting)]
        if len(self._waiting) > CROWDED:
            self._crowded(len(self._waiting))

    def pause(self, waiting: int) -> None:
        """Read nothing while so many bytes wait elsewhere, or read again."""
        if not self._open:
            return
        self._reads = not waiting
        if self._reads:
            self._loop.add_reader(self._number, self._readable)
        else:
            self._loop.remove_reader(self._number)

    def close(self) -> None:
        """Let go of it."""
        if self._open:
            self._open = self._reads = False
            self._loop.remove_reader(self._number)
            self._loop.remove_writer(self._number)
            os.close(self._number)

    def _readable(self) -> None:
        until = clock.monotonic() + _STRETCH_S
        while self._reads:
            try:
                data = os.read(self._number, _CHUNK)
            except BlockingIOError:
                return
            except OSError as error:
                self._gone(error.strerror)
                return
            if not data:
                self._gone("it was hung up")
                return
            self._heard(data)
            if len(data) < _MUCH or clock.monotonic() > until:
                return

    def _writable(self) -> None:
        try:
            del self._waiting[: os.write(self._number, self._waiting)]
        except BlockingIOError:
            return
        except OSError as error:
            self._gone(error.strerror)
            return
        if not self._waiting:
            self._loop.remove_writer(self._number)
            self._crowded(0)

    def _gone(self, why: str | None) -> None:
        # Told before it is let go, so that what takes its place can be there first.
        self._loop.remove_reader(self._number)
        self._loop.remove_writer(self._number)
        try:
            self._lost(why or "it failed")
        finally:
            self.close()


class Port(Descriptor):
    """A serial port of this machine; raises RetryError where it can't be opened."""

    def __init__(
        self,
        name: str,
        baud: int,
        heard: Callable[[bytes], None],
        lost: Callable[[str], None],
        crowded: Callable[[int], None],
    ) -> None:
        # Without a time between bytes pyserial sets VMIN to 0, and then a read of nothing looks like a port
        # that has gone (termios(3), "MIN == 0, TIME == 0").
        try:
            self._port = serial.Serial(name, baud, timeout=0, write_timeout=0, inter_byte_timeout=0, exclusive=True)
        except (serial.SerialException, OSError, ValueError) as error:
            raise _refused(name, error) from error
        super().__init__(os.dup(self._port.fileno()), heard, lost, crowded)

    def close(self) -> None:
        """Let go of it."""
        super().close()
        self._port.close()

    def reset(self) -> None:
        """Pull DTR low for a moment; boards that reset with it do."""
        with contextlib.suppress(OSError):
            self._port.dtr = False
            self._loop.call_later(_RESET_S, self._raise)

    def _raise(self) -> None:
        with contextlib.suppress(OSError, serial.PortNotOpenError):
            self._port.dtr = True


class Remote:
    """A port that pyserial reaches by an address, `socket://` or `rfc2217://`; threads do what would block."""

    def __init__(
        self,
        url: str,
        baud: int,
        heard: Callable[[bytes], None],
        lost: Callable[[str], None],
        crowded: Callable[[int], None],
    ) -> None:
        try:
            self._port = serial.serial_for_url(url, baud, timeout=0.2)
        except (serial.SerialException, OSError, ValueError) as error:
            raise _refused(url, error) from error
        self._loop = asyncio.get_running_loop()
        self._heard, self._lost, self._crowded = heard, lost, crowded
        self._open = True
        self._waiting = 0
        self._out: queue.SimpleQueue[bytes | None] = queue.SimpleQueue()
        self._threads = [threading.Thread(target=work, daemon=True) for work in (self._read, self._write)]
        for thread in self._threads:
            thread.start()

    def write(self, data: bytes | bytearray) -> None:
        """Send in the writing thread."""
        if self._open and self._waiting < MOST_WAITING:
            self._waiting += len(data)
            self._out.put(bytes(data))
            if self._waiting > CROWDED:
                self._crowded(self._waiting)

    def close(self) -> None:
        """Let go of it; the threads end by themselves."""
        if self._open:
            self._open = False
            self._out.put(None)

    def reset(self) -> None:
        """Pull DTR low for a moment, where the far end can."""
        self._out.put(b"")

    def _read(self) -> None:
        why = ""
        try:
            while self._open:
                if data := self._port.read(max(1, self._port.in_waiting)):
                    self._tell(self._heard_now, data)
        except (serial.SerialException, OSError, TypeError, AttributeError) as error:
            why = str(error) or type(error).__name__  # pyserial's remote ports trip over their own closing
        self._port.close()
        self._tell(self._gone, why)

    def _write(self) -> None:
        with contextlib.suppress(serial.SerialException, OSError):
            while (data := self._out.get()) is not None:
                if data:
                    self._port.write(data)
                    self._tell(self._took, len(data))
                else:
                    self._port.dtr = False
                    threading.Event().wait(_RESET_S)
                    self._port.dtr = True

    def _tell(self, what: Callable[[_T], None], value: _T) -> None:
        with contextlib.suppress(RuntimeError):  # the loop has ended
            self._loop.call_soon_threadsafe(what, value)

    def _heard_now(self, data: bytes) -> None:
        if self._open:
            self._heard(data)

    def _took(self, count: int) -> None:
        self._waiting -= count
        if not self._waiting:
            self._crowded(0)

    def _gone(self, why: str) -> None:
        if self._open:
            self.close()
            self._lost(why)


def _refused(name: str, error: Exception) -> RetryError:
    """Why a port can't be opened, and what to do; pyserial's own words hold the number and the name twice over."""
    number = getattr(error, "errno", None)
    if "exclusively" in str(error):
        why = "another program has it; end that one"
    elif number == errno.EACCES:
        why = "this user may not; add it to the group of the device, often dialout"
    else:
        why = os.strerror(number).lower() if number else str(error)
    return RetryError(f"the printer's port {name} cannot be opened: {why}")


def open_port(
    name: str,
    baud: int,
    heard: Callable[[bytes], None],
    lost: Callable[[str], None],
    crowded: Callable[[int], None],
) -> Port | Remote:
    """The printer's port by its name or address."""
    return (Remote if "://" in name else Port)(name, baud, heard, lost, crowded)
