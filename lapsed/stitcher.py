"""Stitching after takes: one job at a time, at idle priority, stopped for as long as any printer prints."""

import asyncio
import logging
import os
import signal
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from pydantic import ValidationError

from lapsed import clock, refusal, stitch_job
from lapsed.errors import RetryError, UserError
from lapsed.now import StitchNow, Told, Trouble
from lapsed.take.digest import digest

log = logging.getLogger(__name__)

END_WITHIN_S = 2.0
"""How long a job may take to clear up after itself when the daemon ends, and to be gone once it is killed."""


class Stitcher:
    """Works off finished takes by running `lapsed stitch` on them, with the clips of the file `config`.

    `changed` is called whenever `now` has, `notice` hears what became of each. `socket` is where a service manager
    runs jobs.
    """

    def __init__(
        self,
        config: Path | None,
        changed: Callable[[], None] = lambda: None,
        notice: Callable[[Told], None] = lambda _: None,
        socket: Path = stitch_job.SOCKET,
    ) -> None:
        self._config = config.absolute() if config is not None else None
        self._socket = socket
        self._told = changed
        self._notice = notice
        self._due: deque[tuple[Path, tuple[str, ...]]] = deque()
        self._at: Path | None = None
        self._printing: set[str] = set()
        self._changed = asyncio.Event()
        self._job: stitch_job.Job | None = None
        self._trouble: Trouble | None = None

    def enqueue(self, *takes: Path, options: tuple[str, ...] = ()) -> None:
        """Stitch these takes when there is time, with these `options` of `lapsed stitch`."""
        self._due.extend((take, options) for take in takes if (take, options) not in self._due)
        self._changed.set()
        self._told()

    def now(self) -> StitchNow:
        """What is being stitched."""
        at = self._at.name if self._at is not None else None
        return StitchNow(at, len(self._due), stands_still=bool(self._printing), trouble=self._trouble)

    def works_on(self, take: Path) -> bool:
        """Whether the take is being stitched or waits for it."""
        return take in self.takes()

    def takes(self) -> frozenset[Path]:
        """The takes that are being stitched or wait for it."""
        return frozenset([take for take, _ in self._due] + ([self._at] if self._at is not None else []))

    def printing(self, printer: str, on: bool) -> None:
        """A printer began or ended a print: the job stands still while any prints."""
        (self._printing.add if on else self._printing.discard)(printer)
        self._changed.set()
        if self._job is not None:
            _signal(self._job, signal.SIGSTOP if self._printing else signal.SIGCONT)

    async def run(self) -> None:
        """Stitch until cancelled."""
        while True:
            while self._printing or not self._due:
                self._changed.clear()
                await self._changed.wait()
            take, options = self._due.popleft()
            self._at = take  # from here on nobody may delete it
            self._told()
            try:
                if await asyncio.to_thread(_on_card, take):
                    log.info("take %s has its frames on the camera's card: lapsed ingest %s FOLDER", take.name, take)
                else:
                    await self._stitch(take, options)
            finally:
                self._at = None
            self._told()

    async def _stitch(self, take: Path, options: tuple[str, ...]) -> None:
        log.info("stitching %s", take.name)
        try:
            end = await self._done(self._request(take, options))
            failed = f"ended with status {end.status}: {end.said or 'it said no more'}" if end.status != 0 else ""
        except RetryError as error:
            failed = str(error)
        except ValidationError as error:
            failed = f"can't be asked for: {refusal.first(error, 'the request')}"
        self._trouble = None
        if failed:
            log.error("stitching %s %s; try again with: lapsed stitch %s", take.name, failed, take)
            text = f"stitching {take.name} {failed}; mend that and stitch again"
            self._trouble = Trouble(clock.stamp().utc, text)
            self._notice(Told("trouble", "", take.name, text, self._trouble.utc))
        else:
            log.info("stitched %s", take.name)
            self._notice(Told("clip ready", "", take.name, f"the clips of {take.name} are made", clock.stamp().utc))

    def _request(self, take: Path, options: tuple[str, ...]) -> stitch_job.Request:
        return stitch_job.Request(take=take.absolute(), options=options, config=self._config)

    async def _done(self, request: stitch_job.Request) -> stitch_job.Answer:
        """How the job ended."""
        async with stitch_job.begun(request, self._socket) as job:
            self._job = job
            try:
                if self._printing:  # since it was asked for
                    _signal(job, signal.SIGSTOP)
                return await job.wait()
            except asyncio.CancelledError:
                await _end(job)
                raise
            finally:
                self._job = None


def _signal(job: stitch_job.Job, *numbers: signal.Signals) -> None:
    """Send signals to the whole group, as encoders may have children of their own."""
    with suppress(ProcessLookupError):  # it has just ended, and its status is on the way
        for number in numbers:
            os.killpg(job.pid, number)


async def _end(job: stitch_job.Job) -> None:
    """End the job: it clears its unfinished files away when told by SIGTERM, once it runs again."""
    for numbers in ((signal.SIGTERM, signal.SIGCONT), (signal.SIGKILL,)):
        _signal(job, *numbers)
        with suppress(TimeoutError, RetryError):
            async with asyncio.timeout(END_WITHIN_S):
                await job.wait()
                return


def _on_card(take: Path) -> bool:
    """Whether the take's main camera has left its frames on the card, and none has been ingested."""
    try:
        so_far = digest(take)
    except UserError:
        return False  # what is wrong with it is for the stitching to say
    main = so_far.cameras[0]
    return (main, "on card") in so_far.counts and (main, "landed") not in so_far.counts
