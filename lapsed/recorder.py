"""The runner's hand on the take: opens, writes and closes it, goes on with one left open, keeps room for it."""

import asyncio
import logging
from collections.abc import Awaitable, Callable, Coroutine
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from lapsed import clock
from lapsed.decide import state as s
from lapsed.errors import BugError, LapsedError, TakeEndedError, UserError
from lapsed.ledger import Ledger
from lapsed.model import Missed, Note, Outcome, PrintInfo
from lapsed.settings import Printer, Store
from lapsed.take import reader, recovery, space, thinning
from lapsed.take.digest import Digest, digest
from lapsed.take.journal import boot_id
from lapsed.take.records import CameraNoted, CueNoted, HoldCleared, HoldNoted, Noted, Record, StepNoted

log = logging.getLogger(__name__)

CLOSE_WITHIN_S = 5.0
"""How long a daemon that ends waits for takes that are just being closed; then the next start closes them."""

JOURNAL_WITHIN_S = 2.0
"""How long a hold waits for the disk to take its intention; a slower disk costs the shot, never the print."""

PROMPT_S = 1.0
"""A disk that was slower with the last hold's rows must be quicker with the next one's before the print is held."""

# Addresses, headers and arguments may carry passwords; a take is made to be handed on.
_SECRETS = {**dict.fromkeys(("url", "user", "password", "token", "argv"), True), "power": {"argv"}}
_PRIVATE: dict[str, Any] = {"link": {"headers", "url"}, "files": {"headers", "url"}, "camera": {"__all__": _SECRETS}}


@dataclass(frozen=True, slots=True)
class LeftOpen:
    """A take that the last daemon left open, put in order; `silent_s` is how long nobody wrote it.

    With a `refusal` of the disk it could only be read: it is given up until the disk is well, and not written to.
    """

    take: recovery.Recovered
    digest: Digest
    silent_s: float
    refusal: TakeEndedError | None = None


class Recorder:
    """The takes of one printer in `store`, one at a time.

    `over` hears of each take that was closed, with the sentence of its end, `failed` of what could not be written,
    and whether the open take was given up for it; `thinned` of takes whose frames made room. `spared` tells the takes
    that nothing may be removed from.
    """

    def __init__(
        self,
        printer: Printer,
        store: Store,
        *,
        over: Callable[[Path, str], None],
        failed: Callable[[LapsedError, bool], None],
        thinned: Callable[[str], None],
        spared: Callable[[], frozenset[Path]],
    ) -> None:
        self._printer = printer
        self._cameras = tuple(camera.name for camera in printer.camera)
        self._store = store.folder.expanduser()
        self._least_free_mb = store.min_free_mb
        self._thins = store.thin
        self._thinning = asyncio.Lock()
        self._over, self._failed, self._thinned, self._spared = over, failed, thinned, spared
        self._take: Ledger | None = None
        self._cleared: asyncio.Future[bool] | None = None
        self.prompt = True
        """Whether the disk was quick with the last hold's rows, so that a print held now would not wait for it."""
        self._failing: Path | None = None
        self._closing: set[asyncio.Task[None]] = set()
        self.room_mb: float | None = None
        """Room for frames when it was last looked at; None where it isn't known."""

    @property
    def take(self) -> Ledger | None:
        """The open take."""
        return self._take

    @property
    def folder(self) -> Path | None:
        """The folder of the open take, None until it is there."""
        return self._take.folder if self._take is not None else None

    # ----------------------------------------------------------------------------------------------- open and close

    async def left_open(self) -> LeftOpen | None:
        """The take to go on with after a restart, open again; older ones are closed.

        Raises UserError for the store, TakeEndedError for a take that can't even be read: another start may find it
        well.
        """
        found = await asyncio.to_thread(recovery.find_open, self._store)
        try:
            return await self._last_of(found)
        except UserError as error:
            raise TakeEndedError(str(error)) from error

    async def _last_of(self, found: list[Path]) -> LeftOpen | None:
        mine = [folder for folder in found if await asyncio.to_thread(_printer_of, folder) == self._printer.name]
        for folder in mine[:-1]:
            with suppress(TakeEndedError):  # the disk refuses: what the last one owes its print comes first
                await asyncio.to_thread(_finish, folder, "a later take was begun before this one was ended")
        return await self._reopened(mine[-1]) if mine else None

    async def _reopened(self, folder: Path) -> LeftOpen:
        stamp = clock.stamp()
        silent_s = await asyncio.to_thread(_silent_s, folder, stamp)
        refusal = None
        try:
            take = await asyncio.to_thread(recovery.recover, folder, stamp)
        except TakeEndedError as error:
            refusal = error
            take = await asyncio.to_thread(recovery.glimpse, folder, stamp)
        so_far = await asyncio.to_thread(digest, folder)
        if refusal is None:
            self._take = Ledger.going_on(folder, self._cameras, self._trouble, take.since_s)
            log.info("take %s goes on after cue %d", folder.name, take.cues)
        else:
            self._failing = folder
        return LeftOpen(take, so_far, silent_s, refusal)

    def open(self, info: PrintInfo) -> Ledger:
        """A new take of the print `info`."""
        settings = self._printer.model_dump(mode="json", exclude=_PRIVATE)
        meta = {"printer": self._printer.name, "settings": settings}
        self._take = Ledger.beginning(self._store, info, meta, self._cameras, self._trouble)
        log.info("a take of %s at %s is begun", info.name, self._printer.name)
        return self._take

    def close(self, outcome: Outcome, reason: str, last: Callable[[Ledger], Awaitable[None]]) -> None:
        """The take is over; `last` may still write to it before it is closed."""
        take, self._take = self._take, None
        if take is not None:
            self._hold_on(self._closed(take, outcome, reason, last), f"closing a take of {self._printer.name}")

    async def leave(self) -> None:
        """Wait for takes that are being closed, then stop writing and leave the open take for a later daemon."""
        if self._closing:
            await asyncio.wait(self._closing, timeout=CLOSE_WITHIN_S)
        for task in self._closing:
            task.cancel()
        await asyncio.gather(*self._closing, return_exceptions=True)
        if self._take is not None:
            await self._take.leave()

    async def _closed(
        self, take: Ledger, outcome: Outcome, reason: str, last: Callable[[Ledger], Awaitable[None]]
    ) -> None:
        if outcome is not Outcome.LOST:
            await last(take)
        folder = await take.close(outcome, reason)
        if folder is not None:
            log.info("take %s is over: %s", folder.name, outcome)
            self._over(folder, f"the take ended: {outcome}{f', {reason}' if reason else ''}")

    def _trouble(self, take: Ledger, error: LapsedError) -> None:
        """A take could not be written: it is left as it is for the next start, and the print goes on without it."""
        log.error("%s: %s", self._printer.name, error)
        given_up = not isinstance(error, BugError) and take is self._take
        if given_up:
            self._take, self._failing = None, take.folder
            self._hold_on(take.leave(), f"leaving a take of {self._printer.name}")
        self._failed(error, given_up)

    async def well_again(self) -> bool:
        """Whether the take that was given up could be put in order and closed: then the disk takes writes again."""
        folder = self._failing
        if folder is None:
            return True  # it could not even be begun, so that only another attempt tells
        try:
            reason = "the disk refused to be written; once it was well the print went on in another take"
            await asyncio.to_thread(_finish, folder, reason)
        except LapsedError:
            return False
        self._failing = None
        self._over(folder, f"the take ended: {reason}")
        return True

    def _hold_on(self, work: Coroutine[object, object, None], name: str) -> None:
        task = asyncio.get_running_loop().create_task(work, name=name)
        self._closing.add(task)
        task.add_done_callback(self._let_go)

    def _let_go(self, task: asyncio.Task[None]) -> None:
        self._closing.discard(task)
        if not task.cancelled() and task.exception() is not None:
            log.error("%s: a take could not be closed", self._printer.name, exc_info=task.exception())

    # -------------------------------------------------------------------------------------------------------- write

    def write(self, *records: Record) -> None:
        """Have the records written in their order, where a take is open."""
        if self._take is not None and records:
            self._take.write(*records)

    @property
    def knows_no_way_back(self) -> bool:
        """Whether the journal surely holds no hold any more: what was to be forgotten is committed."""
        return self._cleared is None or (self._cleared.done() and self._cleared.result())

    def forget_hold(self) -> None:
        """No shot holds the print."""
        self._cleared = self._take.write(HoldCleared()) if self._take is not None else None

    async def intend(self, shot: int, phase: str, come_back: tuple[str, ...]) -> bool | None:
        """Whether a later daemon would know of the hold and the way back; None where there is no take to write to."""
        take = self._take
        if take is None:
            return None
        self.prompt = False
        try:
            async with asyncio.timeout(JOURNAL_WITHIN_S):
                await take.opened()
                since_s = clock.monotonic()
                written = await take.written(HoldNoted(shot, phase, come_back, clock.stamp()))
        except TimeoutError:
            return False
        self.prompt = clock.monotonic() - since_s < PROMPT_S
        return written

    # --------------------------------------------------------------------------------------------------------- room

    async def short_of_room(self) -> str | None:
        """Why no shot may be begun, None where there is room; room is made where that is wanted."""
        least = self._least_free_mb
        free = await asyncio.to_thread(space.free_mb, self._store)
        # Where room is made as it is needed, nobody knows how much there will be.
        self.room_mb = free - least if not self._thins else None
        if free < least and self._thins and not self._thinning.locked():
            async with self._thinning:
                await self._thin(2 * least)
            free = await asyncio.to_thread(space.free_mb, self._store)
        return f"the disk has {free:.0f} MB left and min_free_mb is {least}" if free < least else None

    async def _thin(self, wanted_mb: float) -> None:
        thinned = await asyncio.to_thread(thinning.make_room, self._store, wanted_mb, self._spared(), clock.stamp())
        if thinned:
            text = f"the frames of {', '.join(thinned)} were removed to make room"
            self.write(Noted(Note("thinned", text), clock.stamp()))
            self._thinned(text)


def _finish(folder: Path, reason: str) -> None:
    """Put a take in order that is not gone on with, and close it."""
    stamp = clock.stamp()
    recovery.recover(folder, stamp)
    recovery.finish(folder, Outcome.LOST, reason, stamp)


def _printer_of(folder: Path) -> str:
    return str(reader.reading(folder, reader.meta_of).get("printer"))


def _silent_s(folder: Path, now: clock.Stamp) -> float:
    """Seconds since the take's last row; without end where the machine was started anew meanwhile."""
    boot, last_s = reader.reading(folder, lambda db: (reader.meta_of(db).get("boot"), reader.last_s(db)))
    return now.mono_s - last_s if boot == boot_id() and last_s is not None else float("inf")


def records_of(action: s.Action) -> tuple[Record, ...]:
    """What the journal keeps of a decision. Raises BugError for one that is none of the journal's."""
    now = clock.stamp()
    match action:
        case s.WriteCue(cue):
            return (CueNoted(cue, now),)
        case s.WriteStep(shot, step):
            return (StepNoted(shot, step, now),)
        case s.WriteMissed(shot, cameras, reason):
            log.warning("shot %d missed: %s", shot, reason)
            return tuple(CameraNoted(Missed(shot, camera, now.mono_s, reason), now) for camera in cameras)
        case s.WriteNote(note):
            return (Noted(note, now),)
        case _:
            raise BugError(f"nothing carries out {action}")
