"""The runner's hand on a take's journal: never blocks the loop, and takes records from before the take is open."""

import asyncio
from collections.abc import Callable, Collection, Mapping
from concurrent.futures import Future
from pathlib import Path
from typing import Self

from lapsed import clock
from lapsed.errors import LapsedError, TakeEndedError
from lapsed.model import Outcome, PrintInfo
from lapsed.take import schema
from lapsed.take.journal import Journal
from lapsed.take.records import Record
from lapsed.wall import Wall


class Ledger:
    """One take being written. `trouble` hears of everything that could not be.

    Opening a take waits for the disk, so it happens in a thread; what is written meanwhile follows in its order. What
    is written in one turn of the loop goes to the journal's thread at the end of that turn: cameras are ordered
    first, and one commit serves for it all.
    """

    def __init__(self, opening: Callable[[], Journal], trouble: "Trouble", began_s: float) -> None:
        self._trouble = trouble
        self._wall = Wall(began_s)
        self._due: list[tuple[tuple[Record, ...], asyncio.Future[bool]]] = []
        self._journal: Journal | None = None
        self._tried = False
        self._opening = asyncio.get_running_loop().create_task(self._open(opening))

    @classmethod
    def beginning(
        cls,
        store: Path,
        info: PrintInfo,
        meta: Mapping[str, object],
        cameras: Collection[str],
        trouble: "Trouble",
    ) -> Self:
        """A new take with a folder for each of `cameras`."""
        stamp = clock.stamp()
        whole = {**meta, "cameras": list(cameras)}
        return cls(lambda: _with_folders(Journal.create(store, info, whole, stamp), cameras), trouble, stamp.mono_s)

    @classmethod
    def going_on(cls, folder: Path, cameras: Collection[str], trouble: "Trouble", began_s: float) -> Self:
        """A take that was left open, and began at `began_s` on the monotonic clock."""
        return cls(lambda: _with_folders(Journal.reopen(folder), cameras), trouble, began_s)

    @property
    def folder(self) -> Path | None:
        """The take's folder, None until it is there."""
        return self._journal.folder if self._journal is not None else None

    async def opened(self) -> Path | None:
        """The take's folder once it is there, None if it could not be opened."""
        await asyncio.shield(self._opening)
        return self.folder

    def write(self, *records: Record) -> asyncio.Future[bool]:
        """Have the records written in their order; the future is never cancelled, and tells whether they were."""
        return self._submit(records)

    async def written(self, *records: Record) -> bool:
        """Whether the records, written in their order, are committed."""
        return await asyncio.shield(self._submit(records))

    async def close(self, outcome: Outcome, reason: str) -> Path | None:
        """End the take; its folder, or None if it never was or can't be written."""
        await asyncio.shield(self._opening)
        if self._journal is None:
            return None
        self.write(*self._wall.look())
        self._pass_on()
        done = await self._settled(self._journal.close(outcome, reason, clock.stamp()))
        return self._journal.folder if done else None

    async def leave(self) -> None:
        """Stop writing and leave the take open for a later daemon."""
        await asyncio.shield(self._opening)
        self._pass_on()
        if self._journal is not None:
            await self._settled(self._journal.leave())

    async def _open(self, opening: Callable[[], Journal]) -> None:
        try:
            self._journal = await asyncio.to_thread(opening)
        except LapsedError as error:
            self._trouble(self, error)
        finally:
            self._tried = True
            self._pass_on()

    def _pass_on(self) -> None:
        """Give the journal what is due; while it is still being opened that has to wait."""
        if not self._tried:
            return
        due, self._due = self._due, []
        for records, answer in due:
            if self._journal is None:
                answer.set_result(False)
            else:
                self._follow(self._journal.submit(*records), answer)

    def _submit(self, records: tuple[Record, ...]) -> asyncio.Future[bool]:
        loop = asyncio.get_running_loop()
        answer: asyncio.Future[bool] = loop.create_future()
        if not self._due:
            loop.call_soon(self._pass_on)
        self._due.append(((*self._wall.look(), *records), answer))
        return answer

    def _follow(self, writing: Future[None], answer: asyncio.Future[bool]) -> None:
        def settle(done: asyncio.Future[None]) -> None:
            error = done.exception()
            if isinstance(error, LapsedError):
                self._trouble(self, error)
            if not answer.done():
                answer.set_result(error is None)

        asyncio.wrap_future(writing).add_done_callback(settle)

    async def _settled(self, writing: Future[None]) -> bool:
        try:
            await asyncio.wrap_future(writing)
        except LapsedError as error:
            self._trouble(self, error)
            return False
        return True


Trouble = Callable[[Ledger, LapsedError], None]
"""Hears which take could not be written, and why."""


def _with_folders(journal: Journal, cameras: Collection[str]) -> Journal:
    frames = journal.folder / "frames"
    try:
        for camera in cameras:
            (frames / camera).mkdir(exist_ok=True)
        schema.sync_folder(frames)
    except OSError as error:
        journal.leave()
        raise TakeEndedError(f"cannot make folders in {frames}: {error.strerror}; free or mend the disk") from error
    return journal
