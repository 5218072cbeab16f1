"""The kind `release`: the contacts of a wired remote, closed by control lines of a USB-serial adapter.

Only a worker imports this. The kernel raises both lines as it opens the port, before anyone can say otherwise, and
drops them as it closes it (termios(3), HUPCL). So the port is opened once and held, and what the camera does at the
opening is over before the first shot.
"""

import time
from collections.abc import Callable, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Protocol

import serial

from lapsed.camera import contacts
from lapsed.camera.landing import Landing
from lapsed.clock import monotonic
from lapsed.errors import RetryError, ShotMissedError, UserError
from lapsed.model import Check
from lapsed.settings import ReleaseCamera


class Port(Protocol):
    """What is used of `serial.Serial`; a line that is set to True is asserted."""

    rts: bool
    dtr: bool

    @property
    def cts(self) -> bool:
        """An input line, read to learn whether the adapter is still there."""

    def close(self) -> None:
        """Let go of the port."""


def open_camera(options: Mapping[str, object]) -> "ReleaseLine":
    """The release line that `options`, the part of the configuration, describes; opened by `ensure_ready`."""
    return ReleaseLine(ReleaseCamera.model_validate(options))


def open_port(path: str, *, rts: bool, dtr: bool) -> Port:
    """The port at `path`, for us alone, its lines set as early as the system allows."""
    opened = serial.Serial(exclusive=True)
    opened.port = path
    opened.rts, opened.dtr = rts, dtr
    opened.open()
    port: Port = opened
    return port


class ReleaseLine:
    """One release line; see `kind.Kind` for the contracts. `now` and `sleep` are the machine's but in tests."""

    def __init__(
        self,
        part: ReleaseCamera,
        opener: Callable[..., Port] = open_port,
        now: Callable[[], float] = monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._part = part
        self._opener = opener
        self._now = now
        self._sleep = sleep
        self._port: Port | None = None
        self._pressed_s = now()

    def ensure_ready(self) -> str:
        """Open the port and wait until a picture that this may have taken is over."""
        if self._port is None:
            self._open()
        return self._sentence()

    def release(self, by_s: float, released: Callable[[float], None]) -> None:
        """Half-press, press, let go, and count the time until the shutter has closed."""
        part = self._part
        if self._now() + part.least_s > by_s:
            raise ShotMissedError("there was no time left for the presses, the release lag and the exposure")
        with self._contacts():
            if part.focus != "none":
                self._close(part.focus)
                self._sleep(part.half_press_s)
            self._close(part.shutter)
            at_s = self._now()
            released(at_s)
            self._sleep(part.full_press_s)
        closed_s = at_s + part.release_lag_s + part.exposure_s + part.margin_s
        self._sleep(max(0.0, closed_s - self._now()))

    def fetch(self, landing: Landing) -> None:
        """Nothing but the contacts reaches the camera."""
        landing.stay_on_card()

    def clear(self) -> None:
        """Nothing is kept but on the card."""

    def idle(self) -> str:
        """See that the adapter is there, and keep the camera awake where that is wanted."""
        part = self._part
        with self._errors():
            _ = self._held.cts
        # Between prints a camera may as well sleep, but nobody tells us of prints; it is woken all the time.
        if part.keep_awake_s is not None and self._now() >= self._pressed_s + part.keep_awake_s:
            with self._contacts():
                self._close(part.focus)
                self._sleep(part.half_press_s)
        return self._sentence()

    def inspect(self) -> tuple[Check, ...]:
        """What may be told without a word from the camera: the lines, their wiring and the times."""
        with self._errors():
            _ = self._held.cts
        return contacts.checks(self._part)

    def ensure_stopped(self) -> None:
        """Let go of the port, which drops both lines."""
        port, self._port = self._port, None
        if port is not None:
            port.close()

    # -------------------------------------------------------------------------------------------------------- lines

    @property
    def _held(self) -> Port:
        if self._port is None:
            raise RetryError(f"the port {self._part.port} is not open")
        return self._port

    def _open(self) -> None:
        part = self._part
        if not Path(part.port).exists():
            raise RetryError(f"there is no {part.port}: plug the adapter in; /dev/serial/by-id has the names")
        try:
            self._port = self._opener(part.port, rts="rts" in part.inverted, dtr="dtr" in part.inverted)
            # Set once more: pyserial passes over a port without such lines as it opens, and says so only now.
            self._let_go()
        except (OSError, serial.SerialException) as error:
            self.ensure_stopped()
            raise _refusal(part.port, error) from error
        self._sleep(part.release_lag_s + part.exposure_s + part.margin_s)
        self._pressed_s = self._now()

    def _close(self, line: str) -> None:
        """Close the contact on `line`."""
        setattr(self._held, line, line not in self._part.inverted)

    def _let_go(self) -> None:
        # The shutter's first: with both active at once a wiring that needs both fires.
        for line in (self._part.shutter, self._part.focus):
            if line != "none":
                setattr(self._held, line, line in self._part.inverted)

    @contextmanager
    def _contacts(self) -> Any:
        """Lets the contacts go whatever happens in between."""
        with self._errors():
            try:
                yield
            finally:
                self._let_go()
                self._pressed_s = self._now()

    @contextmanager
    def _errors(self) -> Any:
        try:
            yield
        except (OSError, serial.SerialException) as error:
            raise RetryError(f"the adapter at {self._part.port} is gone: {_why(error)}; plug it in again") from error

    def _sentence(self) -> str:
        told = f"release line on {self._part.port}; nothing tells whether a camera is on it"
        if contacts.opening_fires(self._part):
            told += "; opening the port may have fired it once, and that picture is no shot"
        return told


def _refusal(path: str, error: Exception) -> RetryError | UserError:
    number = getattr(error, "errno", None)
    if isinstance(error, serial.SerialException) and "exclusively" in str(error):
        return RetryError(f"another program holds {path}: end it, or name another port")
    if isinstance(error, PermissionError) or number == 13:  # EACCES, errno(3)
        return UserError(f"{path} may not be opened: add the daemon's user to the group of that device (often dialout)")
    if number in (22, 25):  # EINVAL, ENOTTY
        return UserError(f"{path} has no RTS and DTR lines: name the device of a USB-serial adapter")
    return RetryError(f"{path} cannot be opened: {_why(error)}; plug the adapter in again")


def _why(error: Exception) -> str:
    return getattr(error, "strerror", None) or str(error)
