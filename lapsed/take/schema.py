"""The tables of `take.db`, their versions, and how the file is opened so that what was committed stays.

**While a take is open** the file is in WAL mode with synchronous=EXTRA: each commit appends to `take.db-wal` and syncs
it before it returns, so a committed row survives a power cut, at one sync a commit ("WAL mode is always consistent
with synchronous=NORMAL, but WAL mode does lose durability"; FULL adds the sync of the WAL after each transaction, and
EXTRA, where a file system knows no WAL, that of the folder: SQLite documentation, "PRAGMA synchronous"). Readers see
the last commit and never make the writer wait ("Write-Ahead Logging", section 2.2).

**When a take is closed** its file goes back to rollback mode (journal_mode=DELETE), which empties and removes
`take.db-wal` and `take.db-shm`: the one file is all there is to copy, and it can be read from media that can't be
written to ("Write-Ahead Logging", section 5, read-only databases). A folder copied while the take is open, or after a
crash, is whole if all files whose names begin with `take.db` come along, as they do with the folder.

**At birth** the file is filled under another name, synced, renamed, and its folder synced: there is never a `take.db`
without its tables. SQLite itself syncs the folder when it creates a WAL (os_unix.c, UNIXFILE_DIRSYNC).
"""

import os
import sqlite3
from collections.abc import Iterable
from contextlib import closing, suppress
from pathlib import Path

from lapsed.errors import UserError
from lapsed.take.records import Row

DB_NAME = "take.db"
APPLICATION_ID = 0x4C415053
"""Marks the file as a take's (SQLite documentation, "PRAGMA application_id"): the letters LAPS."""

MIGRATIONS: tuple[str, ...] = (
    """
    CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT;  -- values are JSON
    CREATE TABLE cue (
        number INTEGER PRIMARY KEY,
        why TEXT, layer INTEGER, height_mm REAL,
        utc TEXT, mono_s REAL,
        held_s REAL, parked_s REAL, returned_s REAL, resumed_s REAL
    ) STRICT;
    CREATE TABLE shot (
        cue INTEGER NOT NULL, camera TEXT NOT NULL,
        ordered_s REAL, ordered_utc TEXT,
        released_s REAL, released_utc TEXT,
        exposed_s REAL, exposed_utc TEXT,
        ended_s REAL, ended_utc TEXT,       -- when it landed or was missed
        outcome TEXT CHECK (outcome IN ('landed', 'missed')),
        reason TEXT,
        files TEXT,                         -- JSON list of paths relative to the take's folder
        size_bytes INTEGER,
        PRIMARY KEY (cue, camera)
    ) STRICT, WITHOUT ROWID;
    CREATE TABLE event (
        id INTEGER PRIMARY KEY,
        utc TEXT, mono_s REAL,
        kind TEXT NOT NULL, text TEXT NOT NULL,
        data TEXT NOT NULL                  -- JSON object
    ) STRICT;
    CREATE TABLE hold (                     -- at most one row: the shot that holds the print at this moment
        id INTEGER PRIMARY KEY CHECK (id = 1),
        shot INTEGER NOT NULL, phase TEXT NOT NULL,
        come_back TEXT NOT NULL,            -- JSON list of G-code lines
        utc TEXT, mono_s REAL
    ) STRICT;
    """,
    # Pictures may stay on the camera's card. SQLite alters no CHECK, so the table is made anew ("ALTER TABLE",
    # section 7, "Making Other Kinds Of Table Schema Changes").
    """
    CREATE TABLE shot_2 (
        cue INTEGER NOT NULL, camera TEXT NOT NULL,
        ordered_s REAL, ordered_utc TEXT,
        released_s REAL, released_utc TEXT,
        exposed_s REAL, exposed_utc TEXT,
        ended_s REAL, ended_utc TEXT,       -- when it landed, stayed on the card or was missed
        outcome TEXT CHECK (outcome IN ('landed', 'on card', 'missed')),
        reason TEXT,
        files TEXT,                         -- JSON list of paths relative to the take's folder
        size_bytes INTEGER,
        PRIMARY KEY (cue, camera)
    ) STRICT, WITHOUT ROWID;
    INSERT INTO shot_2 SELECT * FROM shot;
    DROP TABLE shot;
    ALTER TABLE shot_2 RENAME TO shot;
    """,
)
"""What takes a file from version n to n + 1, from the empty file on; entries are only ever added."""

VERSION = len(MIGRATIONS)


def create(folder: Path, first: Iterable[Row]) -> None:
    """Make `take.db` with its first rows, whole and safe on disk, or none at all. Raises sqlite3.Error, OSError."""
    fresh = folder / f"{DB_NAME}.new"
    with closing(sqlite3.connect(fresh, isolation_level=None)) as db:
        db.execute("PRAGMA synchronous = EXTRA")
        migrate(db)
        db.execute("BEGIN")
        for row in first:
            db.execute(row.sql, row.values)
        db.execute("COMMIT")
    sync_folder(folder)
    fresh.rename(folder / DB_NAME)
    sync_folder(folder)


def discard_unborn(folder: Path) -> None:
    """Remove what is left of a take whose making was cut short; a folder that holds anything else stays.

    Raises OSError where the disk refuses.
    """
    if (folder / DB_NAME).exists():
        return
    for name in (f"{DB_NAME}.new", f"{DB_NAME}.new-journal"):
        (folder / name).unlink(missing_ok=True)
    for empty in (folder / "frames", folder):
        with suppress(OSError):
            empty.rmdir()


def open_for_writing(folder: Path) -> sqlite3.Connection:
    """The take's file, durable and brought up to this version; the caller holds the take's lock.

    The connection may be handed to another thread as a whole. Raises UserError, sqlite3.Error.
    """
    uri = f"{(folder / DB_NAME).absolute().as_uri()}?mode=rw"
    db = sqlite3.connect(uri, uri=True, isolation_level=None, timeout=5.0, check_same_thread=False)
    try:
        check(db, folder)
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = EXTRA")
        migrate(db)
    except BaseException:
        db.close()
        raise
    return db


def close_for_good(db: sqlite3.Connection) -> None:
    """Close a finished take's file so that it is one file; with a reader on it, that is left to the next closing."""
    try:
        db.execute("PRAGMA busy_timeout = 500")
        db.execute("PRAGMA journal_mode = DELETE")
    except sqlite3.Error:
        # Nothing is lost: every row is already safe in the WAL, which the next opening reads.
        pass
    finally:
        db.close()


def check(db: sqlite3.Connection, folder: Path) -> int:
    """The file's version. Raises UserError if it is no take, or a later lapsed made it; sqlite3.Error if unreadable."""
    application: int = db.execute("PRAGMA application_id").fetchone()[0]
    version: int = db.execute("PRAGMA user_version").fetchone()[0]
    if application != APPLICATION_ID or version < 1:
        raise UserError(f"{folder} is not a take: its {DB_NAME} was not made by lapsed")
    if version > VERSION:
        raise UserError(f"{folder} was made by a newer lapsed (take version {version}, known here {VERSION}); update")
    return version


def migrate(db: sqlite3.Connection) -> None:
    """Bring the file to this version, all or nothing."""
    version: int = db.execute("PRAGMA user_version").fetchone()[0]
    if version == VERSION:
        return
    steps = "".join(MIGRATIONS[version:])
    db.executescript(
        f"BEGIN IMMEDIATE; {steps} PRAGMA application_id = {APPLICATION_ID}; PRAGMA user_version = {VERSION}; COMMIT;"
    )


def sync_folder(folder: Path) -> None:
    """Make the names in `folder` safe (fsync(2): a new file's directory entry needs a sync of its own)."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
