"""The composition root: one runner for each printer, the stitching of what they filmed, start and end of it all."""

import asyncio
import logging
from collections.abc import Callable, Mapping
from pathlib import Path

from lapsed import clock
from lapsed.camera import kind
from lapsed.camera.keeper import Starts
from lapsed.check import judge, place
from lapsed.model import Verdict
from lapsed.notices import Notices
from lapsed.reception import Reception
from lapsed.runner import Runner
from lapsed.settings import Settings
from lapsed.stitcher import Stitcher
from lapsed.take import reader
from lapsed.web.bell import Bell

log = logging.getLogger(__name__)

CAMERA_KINDS = {
    "gphoto": kind.GPHOTO,
    "release": "lapsed.camera.release_line:open_camera",
    "capture": "lapsed.camera.capture:open_camera",
    "stream": "lapsed.camera.stream:open_camera",
    "url": "lapsed.camera.still_url:open_camera",
    "command": "lapsed.camera.command:open_camera",
    "scene": "lapsed.sim.scene_camera:open_camera",
}
"""Where each kind of camera lives; named and not imported, as only the camera's own process loads it."""

LEAVE_WITHIN_S = 4.0
"""How long a stop waits for heads to come back; a service manager's patience is longer."""
FETCH_WITHIN_S = 3.0
"""How long it waits for a frame that is being fetched, so that all is over within 5 s."""


class Daemon:
    """All printers of one configuration, filmed until `stop`.

    `config` is the file that stitching reads its clips from; with None nothing is stitched, whatever the settings say.
    `kinds` names where each kind of camera lives; `ended` hears of each take that is over.
    """

    def __init__(
        self,
        settings: Settings,
        config: Path | None,
        *,
        kinds: Mapping[str, str] = CAMERA_KINDS,
        ended: Callable[[Path], None] | None = None,
        bell: Bell | None = None,
    ) -> None:
        self._store = settings.store.folder.expanduser()
        self._stopping = asyncio.Event()
        self._ended = ended
        self._stitches = config is not None and settings.stitch.when != "never"
        bell = bell or Bell()
        self._notices = Notices(settings.notice)
        self._stitcher = Stitcher(config, bell.ring, self._notices.tell)
        starts = Starts()
        self._runners = [
            Runner(
                printer,
                settings.store,
                kinds,
                busy=self._stitcher.printing,
                ended=self._take_ended,
                starts=starts,
                changed=bell.ring,
                notice=self._notices.tell,
                spared=self._stitcher.takes,
            )
            for printer in settings.printer
        ]
        self.desk = Reception(settings, {runner.name: runner for runner in self._runners}, self._stitcher, bell)

    @property
    def ready(self) -> bool:
        """Whether every host is heard and every camera is ready."""
        return all(runner.ready for runner in self._runners)

    @property
    def idle(self) -> bool:
        """Whether no print is filmed and nothing of the last is still to come."""
        return all(runner.idle for runner in self._runners)

    def stop(self) -> None:
        """Let go of every print and end; safe from a signal handler of the loop."""
        self._stopping.set()

    async def run(self) -> None:
        """Film until `stop`; raises TakeEndedError or UserError if the store can't be used."""
        for runner in self._runners:
            await runner.recover()
        refusal = next((runner.refusal for runner in self._runners if runner.refusal is not None), None)
        if refusal is not None and not any(runner.holding for runner in self._runners):
            raise refusal
        if self._stitches:
            self._stitcher.enqueue(*await asyncio.to_thread(_unstitched, self._store))
        async with asyncio.TaskGroup() as group:
            tasks = [group.create_task(runner.run(), name=f"printer {runner.name}") for runner in self._runners]
            tasks.append(group.create_task(self._notices.run(), name="notices"))
            tasks.append(group.create_task(self._look_at_store(), name="store"))
            stitching = group.create_task(self._stitcher.run(), name="stitcher")
            log.info("watching %s", ", ".join(runner.name for runner in self._runners))
            await self._stopping.wait()
            stitching.cancel()
            now = clock.monotonic()
            leaving = (runner.leave(now + LEAVE_WITHIN_S, now + FETCH_WITHIN_S) for runner in self._runners)
            await asyncio.gather(*leaving)
            for task in tasks:
                task.cancel()

    async def _look_at_store(self) -> None:
        """Say now, and not at the first print, that no take can be kept; the disk may still come, so nothing ends."""
        found = judge.folder(await asyncio.to_thread(place.store, self._store))
        if found.verdict is Verdict.FAIL:
            log.error("takes can't be written to %s; %s", found.found, found.advice)

    def _take_ended(self, folder: Path) -> None:
        if self._stitches:
            self._stitcher.enqueue(folder)
        if self._ended is not None:
            self._ended(folder)


def _unstitched(store: Path) -> list[Path]:
    """Takes that ended, have frames and were not stitched to the end, which is the contact sheet; oldest first."""
    takes = [take for take in reader.list_takes(store) if take.outcome is not None and take.landed]
    due = [take.folder for take in reversed(takes) if not (take.folder / "clips" / "sheet.jpg").exists()]
    return [folder for folder in due if any((folder / "frames").glob("*/*"))]
