"""What a service manager is told, over the socket it names (systemd, sd_notify(3)); without one nothing is told."""

import os
import socket
from collections.abc import Mapping
from contextlib import suppress


class Manager:
    """The service manager of this process, as its environment names it."""

    def __init__(self, environment: Mapping[str, str] = os.environ) -> None:
        path = environment.get("NOTIFY_SOCKET", "")
        # sd_notify(3): a path, or a name in the abstract namespace written with "@".
        self._address = f"\0{path[1:]}" if path.startswith("@") else path
        self._watchdog_s = _watchdog_s(environment)

    @property
    def there(self) -> bool:
        """Whether there is one."""
        return bool(self._address)

    @property
    def feed_every_s(self) -> float | None:
        """How often to call `alive`: half of what the watchdog waits (sd_watchdog_enabled(3)); None if none does."""
        return self._watchdog_s / 2 if self._watchdog_s is not None else None

    def ready(self) -> None:
        """The daemon is at work."""
        self._tell("READY=1")

    def alive(self) -> None:
        """The event loop turns."""
        self._tell("WATCHDOG=1")

    def status(self, text: str) -> None:
        """One line about what is going on."""
        self._tell(f"STATUS={' '.join(text.split())}")

    def stopping(self) -> None:
        """The end has begun."""
        self._tell("STOPPING=1")

    def _tell(self, text: str) -> None:
        if not self._address:
            return
        # Nothing of ours waits for the manager, nor fails with it.
        with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK) as sending:
            sending.sendto(text.encode(), self._address)


def _watchdog_s(environment: Mapping[str, str]) -> float | None:
    """Seconds after which the manager gives up on us; None if it never does, or watches another process."""
    microseconds, pid = environment.get("WATCHDOG_USEC", ""), environment.get("WATCHDOG_PID", str(os.getpid()))
    if not microseconds.isdecimal() or int(microseconds) == 0 or pid != str(os.getpid()):
        return None
    return int(microseconds) / 1e6
