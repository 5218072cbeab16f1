"""The simulated printer: a RepRap-style firmware behind a pseudo-terminal.

Run as `python -m lapsed.sim.firmware` it is a process of its own, which writes one JSON line with its `port`.
"""

import argparse
import asyncio
import contextlib
import json
import os
import signal
import sys
import tty
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

from lapsed import clock
from lapsed.errors import UserError
from lapsed.sim.controller import FAULTS, Controller, Fault, Ways
from lapsed.sim.log import Log
from lapsed.sim.pace import Pace

UNSAID_MOST = 64 * 1024
"""Bytes that wait for a reader at most."""

BUSY_EVERY_S = 2.0
"""How often it says that it is busy (RepRap wiki, "Replies"), in simulated seconds."""


class SimFirmware:
    """The printer, switched on while the context lasts; `port` is where it can be reached.

    `link` is a name that leads to the port, also after a new one has come with the cable's being put in again.
    `reports_every_s` has it tell temperatures unasked, in simulated seconds.
    """

    def __init__(
        self,
        *,
        ways: Ways | None = None,
        pace: Pace | None = None,
        log: Log | None = None,
        link: Path | None = None,
        faults: tuple[Fault, ...] = (),
        reports_every_s: float | None = None,
    ) -> None:
        self.pace = pace or Pace()
        self.log = log or Log()
        self.controller = Controller(
            ways or Ways(), self.log, faults=faults, unplugged=self._unplug, now=clock.monotonic
        )
        self.port = Path()
        self._link = link
        self._reports_s = reports_every_s
        self._master = self._slave = -1
        self._came = asyncio.Event()
        self._unsaid = bytearray()
        self._work: asyncio.Task[None] | None = None
        self._away: asyncio.TimerHandle | None = None

    async def __aenter__(self) -> Self:
        self._plug()
        self._say(self.controller.start())
        self._work = asyncio.create_task(self._run())
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._away is not None:
            self._away.cancel()
        self._out()
        if self._work is not None:
            self._work.cancel()
            await asyncio.gather(self._work, return_exceptions=True)
        if self._link is not None:
            self._link.unlink(missing_ok=True)
        self.log.close()

    def reset(self) -> None:
        """Start anew, as after a press of its button."""
        self._say(self.controller.start())

    # ------------------------------------------------------------------------------------------------ the port

    def _plug(self) -> None:
        # The slave stays open here, so that a reader's coming and going is not seen: a printer doesn't notice either.
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.port = Path(os.ttyname(self._slave))
        if self._link is not None:
            fresh = self._link.with_name(self._link.name + ".new")
            fresh.unlink(missing_ok=True)
            fresh.symlink_to(self.port)
            fresh.replace(self._link)
        asyncio.get_running_loop().add_reader(self._master, self._readable)

    def _out(self) -> None:
        if self._master >= 0:
            asyncio.get_running_loop().remove_reader(self._master)
            asyncio.get_running_loop().remove_writer(self._master)
            self._unsaid.clear()
            os.close(self._master)
            os.close(self._slave)
            self._master = self._slave = -1

    def _unplug(self, for_s: float) -> None:
        self._out()
        if self._link is not None:
            self._link.unlink(missing_ok=True)
        self._away = asyncio.get_running_loop().call_later(for_s, self._plug)

    def _readable(self) -> None:
        try:
            data = os.read(self._master, 65536)
        except BlockingIOError:
            return
        self._say(self.controller.receive(data))
        self._came.set()

    def _say(self, data: bytes) -> None:
        # What nobody reads is lost in the end, as on a wire; but a terminal refuses for a moment though it has room.
        if data and self._master >= 0:
            self._unsaid += data[: UNSAID_MOST - len(self._unsaid)]
            self._speak()

    def _speak(self) -> None:
        loop = asyncio.get_running_loop()
        with contextlib.suppress(BlockingIOError):
            del self._unsaid[: os.write(self._master, self._unsaid)]
        if self._unsaid:
            loop.add_writer(self._master, self._speak)
        else:
            loop.remove_writer(self._master)

    # --------------------------------------------------------------------------------------------- carrying out

    async def _run(self) -> None:
        reports = self.pace.simulated()
        while True:
            if not self.controller.waiting:
                self._came.clear()
                self.log.flush()
                await self._came.wait()
                continue
            machine = self.controller.machine
            machine.wait_until(max(machine.now_s, self.pace.simulated()))
            said, answer = self.controller.step()
            self._say(said)
            await self._until(self.controller.machine.now_s)
            self._say(answer)
            if self._reports_s is not None and self.pace.simulated() - reports > self._reports_s:
                reports = self.pace.simulated()
                self._say(b" T:212.0 /212.0 B:60.0 /60.0 @:64 B@:20\n")

    async def _until(self, due_s: float) -> None:
        while due_s - self.pace.simulated() > BUSY_EVERY_S:
            await self.pace.until(self.pace.simulated() + BUSY_EVERY_S)
            self._say(b"echo:busy: processing\n")
        await self.pace.until(due_s)


# ------------------------------------------------------------------------------------------------- the process


def _arguments(argv: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m lapsed.sim.firmware", description="A simulated serial printer.")
    parser.add_argument("--link", type=Path, help="a name that leads to its port")
    parser.add_argument("--speed", type=float, default=1.0, help="how many times faster than a real machine")
    parser.add_argument("--log", type=Path, help="where to write what was carried out, a JSON object a line")
    parser.add_argument("--faults", type=Path, help="JSON file with a list of faults: at, kind, for_s, text")
    parser.add_argument("--advanced", action="store_true", help="answer with line numbers and room")
    parser.add_argument("--reports-every", type=float, metavar="S", help="tell temperatures unasked")
    return parser.parse_args(argv)


async def _main(options: argparse.Namespace) -> None:
    stop = asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        asyncio.get_running_loop().add_signal_handler(number, stop.set)
    faults = FAULTS.validate_json(options.faults.read_text()) if options.faults is not None else ()
    firmware = SimFirmware(
        ways=Ways(advanced=options.advanced),
        pace=Pace(options.speed),
        log=Log(options.log),
        link=options.link,
        faults=faults,
        reports_every_s=options.reports_every,
    )
    async with firmware:
        sys.stdout.write(json.dumps({"port": str(firmware.port)}) + "\n")
        sys.stdout.flush()
        await stop.wait()


def main(argv: Sequence[str] | None = None) -> int:
    """Run the printer as a process; 0 when it ends as asked, 2 when the arguments can't be followed."""
    try:
        asyncio.run(_main(_arguments(argv)))
    except (UserError, OSError, ValueError) as error:
        sys.stderr.write(f"{error}\n")
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
