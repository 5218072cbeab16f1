"""The bridge's process: the relay between a printer's port, a host's terminal and a daemon's socket."""

import asyncio
import logging
import os
import signal
from dataclasses import replace
from pathlib import Path

from lapsed import clock
from lapsed.bridge import end, talk
from lapsed.bridge.daemon import Daemon
from lapsed.bridge.options import Options
from lapsed.bridge.relay import Relay
from lapsed.bridge.terminal import Terminal
from lapsed.errors import RetryError, UserError

log = logging.getLogger(__name__)

FIRST_WAIT_S, LONGEST_WAIT_S = 0.25, 3.0
"""Between attempts to open the printer's port."""

LEAVE_WITHIN_S = 5.0


class Bridge:
    """One printer's bridge; raises UserError where the name or the socket can't be had."""

    def __init__(self, options: Options) -> None:
        self._options = options
        session = f"{os.getpid()}-{clock.monotonic():.3f}"
        self._relay = Relay(replace(options.ways, session=session))
        self._cable = options.socket is None
        self._terminal = Terminal(Path(options.link), options.mode, self._from_host, self._host)
        self._port: end.Port | end.Remote | None = None
        self._lost = asyncio.Event()
        self._why = ""
        self._daemon: Daemon | None = None
        self._timer: asyncio.TimerHandle | None = None
        self._timer_at = float("inf")

    async def run(self, stop: asyncio.Event) -> None:
        """Be the cable until `stop`."""
        self._terminal.claim()
        server = await self._serve()
        stopped = asyncio.create_task(stop.wait())
        try:
            wait_s = 0.0
            while not stop.is_set():
                wait_s = 0.0 if await self._connected(stopped) else min(max(2 * wait_s, FIRST_WAIT_S), LONGEST_WAIT_S)
                await asyncio.wait((stopped,), timeout=wait_s)
        finally:
            stopped.cancel()
            self._hang_up()
            if self._timer is not None:
                self._timer.cancel()
            if server is not None:
                server.close()
                _remove(self._options.socket)
            if self._daemon is not None:
                self._daemon.close()
            self._terminal.release()

    async def _connected(self, stopped: asyncio.Task[bool]) -> bool:
        """Open the printer's port and stay as long as it is there; false if it can't be opened."""
        options = self._options
        self._lost.clear()
        try:
            # A far port may take seconds to open; before it is there, nobody is kept waiting by that.
            self._port = end.open_port(
                options.port, options.baud, self._from_printer, self._printer_lost, self._terminal.pause
            )
        except RetryError as error:
            if str(error) != self._why:
                log.warning("%s; it is tried again", error)
            self._why = str(error)
            return False
        self._why = ""
        log.info("%s is there; the host's port is %s", options.port, options.link)
        self._relay.printer_there(there=True, reason="", now=clock.monotonic())
        self._terminal.open()
        self._after()
        lost = asyncio.create_task(self._lost.wait())
        await asyncio.wait((stopped, lost), return_when=asyncio.FIRST_COMPLETED)
        lost.cancel()
        if stopped.done():
            await self._let_go()
        return True

    async def _let_go(self) -> None:
        """Bring a head back before the end."""
        until = clock.monotonic() + LEAVE_WITHIN_S
        self._relay.detach(clock.monotonic())
        self._after()
        while self._relay.holds and clock.monotonic() < until:  # noqa: ASYNC110 - once in the process's life
            await asyncio.sleep(0.02)

    def _hang_up(self) -> None:
        if self._port is not None:
            self._port.close()
            self._port = None
        self._terminal.close()

    def _printer_lost(self, why: str) -> None:
        reason = f"the printer's port went away: {why}" if why else "the printer's port went away"
        log.warning("%s: %s", self._options.port, reason)
        self._hang_up()
        now = clock.monotonic()
        self._relay.printer_there(there=False, reason=reason, now=now)
        self._relay.host_there(there=False, now=now)
        self._after()
        self._lost.set()

    # --------------------------------------------------------------------------------------------------- bytes

    def _from_host(self, data: bytes) -> None:
        if self._cable:
            self._to_printer(data)
            return
        self._relay.host(data, clock.monotonic())
        self._after()

    def _from_printer(self, data: bytes) -> None:
        if self._cable:
            self._terminal.write(data)
            return
        self._relay.printer(data, clock.monotonic())
        self._after()

    def _to_printer(self, data: bytes | bytearray) -> None:
        if self._port is not None:
            self._port.write(data)

    def _host(self, *, there: bool) -> None:
        log.info("the host %s %s", "opened" if there else "closed", self._options.link)
        if there and self._options.reset and self._port is not None:
            self._port.reset()
        self._relay.host_there(there, clock.monotonic())
        self._after()

    def _after(self) -> None:
        """Carry out what the relay wants."""
        wire = self._relay.wire
        if wire.to_printer:
            data, wire.to_printer = wire.to_printer, bytearray()
            self._to_printer(data)
        if wire.to_host:
            data, wire.to_host = wire.to_host, bytearray()
            self._terminal.write(data)
        if wire.says:
            says, wire.says = wire.says, []
            if self._daemon is not None:
                self._daemon.say(says)
        wake = self._relay.wake_at()
        if wake is not None and wake < self._timer_at:
            if self._timer is not None:
                self._timer.cancel()
            # The loop's clock is the monotonic one (asyncio, "Event Loop", loop.time).
            self._timer_at = wake
            self._timer = asyncio.get_running_loop().call_at(wake, self._tick)

    def _tick(self) -> None:
        self._timer, self._timer_at = None, float("inf")
        self._relay.tick(clock.monotonic())
        self._after()

    # ---------------------------------------------------------------------------------------------- the daemon

    async def _serve(self) -> asyncio.Server | None:
        if self._options.socket is None:
            return None
        path = self._options.socket
        # The name's lock says that no other bridge is there, so a socket found is one left behind.
        mask = os.umask(0o777 ^ self._options.mode)
        try:
            _remove(path)
            return await asyncio.get_running_loop().create_unix_server(lambda: Daemon(self), path)
        except OSError as error:
            raise UserError(f"cannot listen on {path}: {error.strerror}; choose another folder") from error
        finally:
            os.umask(mask)

    def attach(self, daemon: Daemon) -> None:
        """A daemon has said hello; one that was there before has been replaced."""
        if self._daemon is not None:
            old, self._daemon = self._daemon, None
            old.close()
            self._relay.detach(clock.monotonic())
        self._daemon = daemon
        log.info("the daemon is there")
        self._relay.attach(clock.monotonic())
        self._after()

    def detach(self, daemon: Daemon) -> None:
        """A daemon has gone."""
        if self._daemon is daemon:
            self._daemon = None
            log.info("the daemon went away; the line is a plain cable")
            self._relay.detach(clock.monotonic())
            self._after()

    def told(self, daemon: Daemon, message: talk.FromDaemon) -> None:
        """A daemon's word."""
        if self._daemon is daemon:
            self._relay.told(message, clock.monotonic())
            self._after()


def _remove(socket: str | None) -> None:
    if socket is not None:
        Path(socket).unlink(missing_ok=True)


async def serve(options: Options) -> None:
    """Be the bridge until SIGTERM or SIGINT."""
    stop = asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        asyncio.get_running_loop().add_signal_handler(number, stop.set)
    await Bridge(options).run(stop)
