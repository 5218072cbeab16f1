"""The one writer of an open take: a queue, a thread, and a commit for all that came meanwhile.

The event loop only ever puts records on the queue. A record's future is done once its rows are committed and synced.

**When the disk refuses** (full, read-only, broken), the commit is tried again for a short while, then the futures fail
with TakeEndedError. The refused rows stay owed: each later commit begins with them, so the record has no hole, and if
room comes back nothing is lost but the time. Rows of one `submit` are written together or not at all.
"""

import json
import logging
import queue
import sqlite3
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import count
from os import close as close_handle
from pathlib import Path
from typing import Self

from lapsed import __version__
from lapsed.clock import Stamp
from lapsed.errors import BugError, LapsedError, TakeEndedError
from lapsed.model import Outcome, PrintInfo
from lapsed.take import schema
from lapsed.take.frames import tidy, whole_frames
from lapsed.take.name import NAME_FORMAT, STAMPED, began_by_name, shot_of, take_name
from lapsed.take.records import Kept, PrintNoted, Record, Row, TakeEnded, landed_row, rows
from lapsed.take.space import lock

log = logging.getLogger(__name__)

RETRY_S = (0.05, 0.2, 0.75)
"""Pauses before a refused commit is tried again; together less than a second, for shots wait on it."""

RIGHT_WITHIN = timedelta(seconds=60)
"""A take's name may be so far from when it began; beyond that the clock was wrong, and the name is mended."""

_MOST_AT_ONCE = 500
_LACKS = """
    SELECT 1 FROM cue
    WHERE number = ?1 AND NOT EXISTS (SELECT 1 FROM shot WHERE cue = ?1 AND camera = ?2 AND outcome = 'landed')
"""
_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")
# What one record can have wrong in itself, unlike the disk: tried again it would fail again.
_OWN_FAULT = (sqlite3.IntegrityError, sqlite3.DataError, sqlite3.ProgrammingError, sqlite3.InterfaceError)


@dataclass(slots=True)
class _Entry:
    rows: tuple[Row, ...]
    future: Future[None] = field(default_factory=Future)
    last: bool = False
    ends: bool = False

    def __post_init__(self) -> None:
        # From here on it can't be cancelled: a waiter that gives up doesn't take the rows back.
        self.future.set_running_or_notify_cancel()

    def settle(self, error: LapsedError | None) -> None:
        if self.future.done():
            return  # an owed one, whose failure was told when it happened
        if error is None:
            self.future.set_result(None)
        else:
            self.future.set_exception(error)


class Journal:
    """Writes one take; made by `create` or `reopen`, and ended by `close` or `leave`.

    `submit`, `close` and `leave` return at once, from any thread. Their futures are concurrent.futures.Future:
    asyncio.wrap_future makes them awaitable, and cancelling them undoes nothing.
    """

    def __init__(self, folder: Path, db: sqlite3.Connection, handle: int, retry_s: Sequence[float] = RETRY_S) -> None:
        self.folder = folder
        self._db = db
        self._handle = handle
        self._retry_s = retry_s
        self._queue: queue.SimpleQueue[_Entry] = queue.SimpleQueue()
        self._gate = threading.Lock()
        self._open = True
        # A daemon thread: an interpreter that ends without close() leaves the take as a kill would, which it survives.
        self._thread = threading.Thread(target=self._run, name=f"journal {folder.name}", daemon=True)
        self._thread.start()

    @classmethod
    def create(cls, store: Path, print_info: PrintInfo, meta: Mapping[str, object], stamp: Stamp) -> Self:
        """Make the folder of a new take in `store`, begin its journal with `meta`, and keep it locked.

        Under "cameras" `meta` holds the names of the cameras; the keys that lapsed keeps itself win over it. Blocks on
        the disk. Raises TakeEndedError, UserError.
        """
        try:
            folder = _make_folder(store, print_info, stamp)
            handle = lock(folder)
            try:
                (folder / "frames").mkdir()
                own = {"created_utc": stamp.utc, "since_s": stamp.mono_s, "boot": boot_id(), "software": __version__}
                schema.create(folder, (*rows(Kept({**meta, **own})), *rows(PrintNoted(print_info))))
                return cls(folder, schema.open_for_writing(folder), handle)
            except BaseException:
                close_handle(handle)
                schema.discard_unborn(folder)
                raise
        except (OSError, sqlite3.Error) as error:
            raise TakeEndedError(f"cannot begin a take in {store}: {_why(error)}; free or mend the disk") from error

    @classmethod
    def reopen(cls, folder: Path) -> Self:
        """Go on writing a take that was left open, after `recover` has put it in order.

        Blocks on the disk. Raises TakeEndedError if the disk refuses; UserError if it is no take, is written by another
        process, or was made by a newer lapsed.
        """
        handle = lock(folder)
        try:
            return cls(folder, schema.open_for_writing(folder), handle)
        except BaseException as error:
            close_handle(handle)
            if isinstance(error, sqlite3.Error):
                raise TakeEndedError(f"cannot go on with the take {folder}: {_why(error)}") from error
            raise

    def submit(self, *records: Record) -> Future[None]:
        """Have the records written in their order, together; the future is done when they are safe on disk.

        It fails with TakeEndedError when the disk refuses or the take was closed, BugError if a record can't be a row.
        """
        return self._put(_Entry(tuple(row for record in records for row in rows(record))))

    def close(self, outcome: Outcome, reason: str, stamp: Stamp) -> Future[None]:
        """End the take, after all that was submitted before; then its folder is whole and may be copied.

        If the future fails the take stays open on disk, for the next start to close.
        """
        return self._put(_Entry(rows(TakeEnded(outcome, reason, stamp)), last=True, ends=True))

    def leave(self) -> Future[None]:
        """Stop writing but leave the take open, for a later start to go on with."""
        return self._put(_Entry((), last=True))

    def _put(self, entry: _Entry) -> Future[None]:
        with self._gate:
            if self._open:
                self._open = not entry.last
                self._queue.put(entry)
            else:
                entry.settle(TakeEndedError(f"the take {self.folder.name} is closed; nothing more is written to it"))
        return entry.future

    # ------------------------------------------------------------------------------------------- the writer's thread

    def _run(self) -> None:
        owed: list[_Entry] = []
        while True:
            batch = self._next()
            last = batch.pop() if batch[-1].last else None
            owed = self._written(owed + batch)
            if last is not None:
                break
        if last.ends:
            owed = self._written([*owed, last])
            if not owed:
                _take_in_late(self._db, self.folder)
            began = None if owed else _began(self._db)
            schema.close_for_good(self._db)
            self.folder = _named_after(self.folder, began)
        else:
            self._db.close()
        close_handle(self._handle)
        last.settle(_refusal(self.folder, "the disk still refuses what was not written") if owed else None)

    def _next(self) -> list[_Entry]:
        batch = [self._queue.get()]
        with suppress(queue.Empty):
            while len(batch) < _MOST_AT_ONCE and not batch[-1].last:
                batch.append(self._queue.get_nowait())
        return batch

    def _written(self, entries: list[_Entry]) -> list[_Entry]:
        """Commit the entries and settle them; what is returned is still owed."""
        if not entries:
            return []
        # What is owed already was tried at length: one more attempt is enough, or the queue would only grow.
        pauses = iter(() if entries[0].future.done() else self._retry_s)
        while True:
            try:
                faults = self._commit(entries)
            except (sqlite3.Error, OSError) as error:
                pause = next(pauses, None)
                if pause is not None:
                    time.sleep(pause)
                    continue
                log.error("journal refused: take %s, %d owed: %s", self.folder.name, len(entries), _why(error))  # noqa: TRY400 - the sentence says all; the traceback would only repeat it
                for entry in entries:
                    if not entry.last:
                        entry.settle(_refusal(self.folder, _why(error)))
                return entries
            for entry in entries:
                if not entry.last:
                    entry.settle(faults.get(id(entry)))
            return []

    def _commit(self, entries: Sequence[_Entry]) -> dict[int, BugError]:
        """Write all entries in one transaction; those with a fault of their own are left out and returned."""
        faults: dict[int, BugError] = {}
        db = self._db
        try:
            db.execute("BEGIN IMMEDIATE")
            for entry in entries:
                db.execute("SAVEPOINT entry")
                try:
                    for row in entry.rows:
                        db.execute(row.sql, row.values)
                except _OWN_FAULT as error:
                    db.execute("ROLLBACK TO entry")
                    faults[id(entry)] = BugError(f"take {self.folder.name}: a record can't be written: {error}")
                    log.exception("journal left a record out: take %s", self.folder.name)
                db.execute("RELEASE entry")
            db.execute("COMMIT")
        except BaseException:
            with suppress(sqlite3.Error):
                if db.in_transaction:
                    db.execute("ROLLBACK")
            raise
        return faults


def boot_id() -> str:
    """What tells this boot of the machine from others, as the monotonic clock begins anew with each (random(4))."""
    try:
        return _BOOT_ID.read_text("ascii").strip()
    except OSError:
        return ""


def _make_folder(store: Path, print_info: PrintInfo, stamp: Stamp) -> Path:
    # In the person's own time zone: they look for the print of that evening. The journal holds UTC.
    moment = datetime.fromisoformat(stamp.utc).astimezone()
    _ensure_store(store)
    folder = next(folder for folder in _names(store, moment, print_info.name) if _made(folder))
    schema.sync_folder(store)
    return folder


def _take_in_late(db: sqlite3.Connection, folder: Path) -> None:
    """Take in frames of workers ended at their deadline that were whole by then, and remove parts of frames."""

    def lacks(camera: str, name: str) -> bool:
        return db.execute(_LACKS, (shot_of(name), camera)).fetchone() is not None

    try:
        for (shot, camera), late in whole_frames(folder, tidy(folder, lacks), frozenset()).items():
            row = landed_row(shot, camera, None, late.utc, files=late.files, size_bytes=late.size_bytes)
            db.execute(row.sql, row.values)
            log.info("take %s: shot %d of %s landed late", folder.name, shot, camera)
    except (sqlite3.Error, OSError) as error:
        log.warning("take %s is closed without looking for late frames: %s", folder.name, _why(error))


def _began(db: sqlite3.Connection) -> datetime | None:
    """When the take began, as is known by its end: the computer's clock may have been set meanwhile."""
    try:
        (value,) = db.execute("SELECT value FROM meta WHERE key = 'created_utc'").fetchone()
        return datetime.fromisoformat(json.loads(value)).astimezone()
    except (sqlite3.Error, ValueError, TypeError):
        return None


def _named_after(folder: Path, began: datetime | None) -> Path:
    """Where the take lies once its name tells the time at which it began; a name that is about right stays."""
    told = began_by_name(folder.name)
    if began is None or told is None or abs(began.replace(tzinfo=None) - told) < RIGHT_WITHIN:
        return folder
    stem = folder.name[len(STAMPED) :]
    for attempt in count(1):
        name = f"{began:{NAME_FORMAT}}{stem}" + (f"-{attempt}" if attempt > 1 else "")
        target = folder.with_name(name)
        if target.exists():
            continue
        try:
            folder.rename(target)
            schema.sync_folder(folder.parent)
        except OSError as error:
            log.warning("take %s keeps the name of a wrong time: %s", folder.name, _why(error))
            return folder
        return target
    return folder


def _ensure_store(store: Path) -> None:
    """Make the store and the folders it lies in, each safe under its name."""
    for folder in (*reversed(store.absolute().parents), store):
        if not folder.is_dir():
            folder.mkdir(exist_ok=True)
            schema.sync_folder(folder.parent)
    with suppress(OSError):  # whoever else made it may not have; and we may not read where it lies
        schema.sync_folder(store.absolute().parent)


def _names(store: Path, moment: datetime, print_name: str) -> Iterator[Path]:
    return (store / take_name(moment, print_name, attempt) for attempt in count(1))


def _made(folder: Path) -> bool:
    try:
        folder.mkdir()
    except FileExistsError:
        return False
    return True


def _refusal(folder: Path, why: str) -> TakeEndedError:
    return TakeEndedError(f"cannot write the journal of take {folder.name}: {why}; free or mend the disk")


def _why(error: Exception) -> str:
    if isinstance(error, OSError) and error.strerror:
        return error.strerror.lower()
    return str(error)
