"""Stitching after takes: one child at a time, at idle priority, stopped for as long as any printer prints."""

import asyncio
import logging
import os
import signal
import sys
from collections import deque
from collections.abc import Callable
from pathlib import Path

from lapsed import clock
from lapsed.errors import UserError
from lapsed.now import StitchNow, Told, Trouble
from lapsed.take import reader

log = logging.getLogger(__name__)

END_WITHIN_S = 2.0
"""How long a stitching child may take to clear up after itself when the daemon ends."""


class Stitcher:
    """Works off finished takes by running `lapsed stitch` on them, with the clips of the file `config`.

    `changed` is called whenever `now` has, `notice` hears what became of each.
    """

    def __init__(
        self,
        config: Path | None,
        changed: Callable[[], None] = lambda: None,
        notice: Callable[[Told], None] = lambda _: None,
    ) -> None:
        self._config = config
        self._told = changed
        self._notice = notice
        self._due: deque[tuple[Path, tuple[str, ...]]] = deque()
        self._at: Path | None = None
        self._printing: set[str] = set()
        self._changed = asyncio.Event()
        self._child: asyncio.subprocess.Process | None = None
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
        """A printer began or ended a print: the child stands still while any prints."""
        (self._printing.add if on else self._printing.discard)(printer)
        self._changed.set()
        if self._child is not None and self._child.returncode is None:
            # The whole group, as encoders may have children of their own.
            os.killpg(self._child.pid, signal.SIGSTOP if self._printing else signal.SIGCONT)

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
        command = [sys.executable, "-m", "lapsed", "stitch", str(take), *options, "--quiet", "--idle"]
        if self._config is not None:
            command += ["--config", str(self._config)]
        log.info("stitching %s", take.name)
        self._child = await asyncio.create_subprocess_exec(
            *command, stdin=asyncio.subprocess.DEVNULL, start_new_session=True
        )
        try:
            status = await self._child.wait()
        except asyncio.CancelledError:
            await self._end(self._child)
            raise
        finally:
            self._child = None
        self._trouble = None
        if status:
            log.error("stitching %s ended with status %d; try again with: lapsed stitch %s", take.name, status, take)
            text = f"stitching {take.name} ended with status {status}: the lines in the log say why; then stitch again"
            self._trouble = Trouble(clock.stamp().utc, text)
            self._notice(Told("trouble", "", take.name, text, self._trouble.utc))
        else:
            log.info("stitched %s", take.name)
            self._notice(Told("clip ready", "", take.name, f"the clips of {take.name} are made", clock.stamp().utc))

    async def _end(self, child: asyncio.subprocess.Process) -> None:
        """End the child: it clears its unfinished files away when told by SIGTERM, once it runs again."""
        if child.returncode is not None:
            return
        os.killpg(child.pid, signal.SIGTERM)
        os.killpg(child.pid, signal.SIGCONT)
        try:
            async with asyncio.timeout(END_WITHIN_S):
                await child.wait()
        except TimeoutError:
            os.killpg(child.pid, signal.SIGKILL)
            await child.wait()


def _on_card(take: Path) -> bool:
    """Whether the take's main camera has left its frames on the card, and none has been ingested."""
    try:
        view = reader.read_take(take)
    except UserError:
        return False  # what is wrong with it is for the stitching to say
    outcomes = {shot.outcome for shot in view.shots if shot.camera == view.cameras[0]}
    return "on card" in outcomes and "landed" not in outcomes
