"""The daemon as a service: signals, the page, the service manager, and reading the configuration anew."""

import asyncio
import gc
import logging
import signal
from collections.abc import Coroutine, Iterator
from pathlib import Path

from lapsed import configuration
from lapsed.app import Daemon
from lapsed.claim import claimed
from lapsed.errors import ClaimedError, UserError
from lapsed.manager import Manager
from lapsed.now import Now
from lapsed.settings import BridgeLink, FeedLink, Settings, SignalLink
from lapsed.web.server import Server

log = logging.getLogger(__name__)

LEAST_BETWEEN_S = 2.0
"""The service manager is told of changes no oftener than this."""


async def serve(settings: Settings, config: Path) -> None:
    """Run the daemon until SIGTERM or SIGINT; SIGHUP has the configuration read anew, once no print is filmed."""
    # To look all that was imported through for garbage takes 50 ms, in which no shot is released; none of it ever is.
    gc.collect()
    gc.freeze()
    service = _Service(settings, config)
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, service.stop)
    loop.add_signal_handler(signal.SIGHUP, service.read_anew)
    try:
        await service.run()
    finally:
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            loop.remove_signal_handler(number)


class _Service:
    def __init__(self, settings: Settings, config: Path) -> None:
        self._settings = settings
        self._next: Settings | None = None
        self._config = config
        self._manager = Manager()
        self._stopped = False
        self._waits = False
        self._daemon: Daemon | None = None

    def stop(self) -> None:
        """End it all."""
        self._stopped = True
        self._manager.stopping()
        if self._daemon is not None:
            self._daemon.stop()

    def read_anew(self) -> None:
        """Take up the configuration as it stands now, between prints; a wrong one is told, and the old one kept."""
        try:
            self._next = configuration.load(self._config)
        except UserError as error:
            log.error("the configuration stays as it was: %s", error)  # noqa: TRY400 - one sentence for a person
            return
        log.info("the configuration was read anew, and counts as soon as no print is filmed")
        if self._daemon is not None:
            self._daemon.desk.bell.ring()

    async def run(self) -> None:
        """Run daemon after daemon, each with the configuration of its time."""
        while not self._stopped:
            try:
                with claimed(_hosts(self._settings)):
                    await self._run_one()
            except ClaimedError as error:
                # Someone at a terminal sees it; a service started anew each second would cost the computer more.
                if not self._manager.there:
                    raise
                await self._wait_for_turn(str(error))
            if self._next is not None:
                self._settings, self._next = self._next, None

    async def _wait_for_turn(self, why: str) -> None:
        if not self._waits:
            log.error("%s; this one waits until then", why)
        self._waits = True
        self._manager.ready()
        self._manager.status(why)
        self._manager.alive()
        await asyncio.sleep(LEAST_BETWEEN_S)

    async def _run_one(self) -> None:
        self._waits = False
        self._daemon = Daemon(self._settings, self._config)
        page = _page(self._settings, self._daemon) if self._settings.web.serve else None
        beside: list[Coroutine[object, object, None]] = [self._watch(self._daemon), self._feed()]
        if page is not None:
            beside.append(page.run())
        tasks = [asyncio.get_running_loop().create_task(work) for work in beside]
        self._manager.ready()
        try:
            await self._daemon.run()
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)

    async def _feed(self) -> None:
        every_s = self._manager.feed_every_s
        while every_s is not None:
            self._manager.alive()
            await asyncio.sleep(every_s)

    async def _watch(self, daemon: Daemon) -> None:
        """Keep the service manager's status line true, and end this daemon once it may be followed by the next."""
        seen = -1
        while True:
            seen = await daemon.desk.bell.heard_after(seen)
            if self._next is not None and daemon.idle:
                daemon.stop()
            self._manager.status(_told(daemon.desk.now()))
            await asyncio.sleep(LEAST_BETWEEN_S)


def _hosts(settings: Settings) -> Iterator[str]:
    """Where the hosts are that a daemon follows; one that calls us can't be followed twice."""
    for printer in settings.printer:
        match printer.link:
            case FeedLink(url=url):
                yield url
            case BridgeLink() as link:
                yield str(link.socket_of(printer.name))


def _page(settings: Settings, daemon: Daemon) -> Server | None:
    """The page, its port taken; without it prints are filmed all the same."""
    folder = settings.store.folder.expanduser()
    token = settings.web.token_file.expanduser() if settings.web.token_file is not None else folder / "token"
    page = Server(settings.web, daemon.desk, token)
    try:
        page.listen()
    except UserError as error:
        calling = [printer.name for printer in settings.printer if isinstance(printer.link, SignalLink)]
        deaf = f"; until then no signal of {', '.join(calling)} is heard" if calling else ""
        log.error("%s%s", error, deaf)  # noqa: TRY400 - one sentence for a person
        return None
    return page


def _told(now: Now) -> str:
    filming = [printer for printer in now.printers if printer.take is not None]
    deaf = [printer.name for printer in now.printers if not printer.link]
    away = [camera.name for printer in now.printers for camera in printer.cameras if not camera.ready]
    parts = [
        f"{printer.name}: {printer.take.landed} of {printer.take.shots} shots landed"
        for printer in filming
        if printer.take is not None
    ]
    parts += [f"no host heard for {', '.join(deaf)}"] if deaf else []
    parts += [f"camera {', '.join(away)} not ready"] if away else []
    return "; ".join(parts) or "ready, no print"
