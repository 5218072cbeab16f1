"""The pages of a WAL laid over their file, held against what SQLite itself reads from the same bytes."""

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lapsed.take.wal import merged


def rows(db: sqlite3.Connection) -> list[tuple[int, bytes]]:
    return db.execute("SELECT id, content FROM t ORDER BY id").fetchall()


@pytest.fixture(scope="module")
def killed(tmp_path_factory) -> tuple[bytes, bytes]:
    """A file and its WAL as a killed process leaves them: grown, shrunk, put back in part, begun anew, rolled back."""
    folder = tmp_path_factory.mktemp("killed")
    with closing(sqlite3.connect(folder / "a.db", isolation_level=None)) as db:
        db.executescript("PRAGMA page_size = 512; PRAGMA journal_mode = WAL; PRAGMA cache_size = 1; VACUUM;")
        db.execute("CREATE TABLE t (id INTEGER PRIMARY KEY, content BLOB)")
        for number in range(12):
            db.execute("INSERT INTO t VALUES (?, ?)", (number, bytes([number]) * 700))
        db.execute("PRAGMA wal_checkpoint(RESTART)")
        for number in range(4):
            db.execute("DELETE FROM t WHERE id = ?", (number * 3,))
            db.execute("UPDATE t SET content = ? WHERE id = ?", (b"new" * 500, number + 7))
        db.executescript("VACUUM; BEGIN; INSERT INTO t VALUES (99, zeroblob(9000)); ROLLBACK;")
        return (folder / "a.db").read_bytes(), (folder / "a.db-wal").read_bytes()


@given(cut=st.integers(0, 60_000), flip=st.none() | st.integers(0, 60_000))
def test_a_wal_cut_short_or_damaged_anywhere_holds_what_sqlite_finds_in_it(killed, tmp_path_factory, cut, flip) -> None:
    file, wal = killed
    damaged = bytearray(wal[: len(wal) - cut % len(wal)])
    if flip is not None and damaged:
        damaged[flip % len(damaged)] ^= 0x10
    folder = tmp_path_factory.mktemp("theirs")
    (folder / "a.db").write_bytes(file)
    (folder / "a.db-wal").write_bytes(damaged)
    with closing(sqlite3.connect(folder / "a.db")) as db:
        expected = rows(db)
    shutil.rmtree(folder)
    with closing(sqlite3.connect(":memory:")) as db:
        db.deserialize(merged(file, bytes(damaged)))
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert rows(db) == expected


def test_a_file_without_a_wal_stays_as_it_is_but_for_the_mark(killed) -> None:
    file, _ = killed
    assert merged(file, b"") == file[:18] + b"\1\1" + file[20:]


@pytest.mark.parametrize("wal", [b"\0" * 32, b"short", b"\x37\x7f\x06\x82" + b"\0" * 28], ids=["zero", "short", "sums"])
def test_what_is_no_wal_adds_nothing(killed, wal: bytes) -> None:
    file, _ = killed
    assert merged(file, wal) == merged(file, b"")


def test_bytes_that_are_no_database_stay_as_they_are(tmp_path: Path) -> None:
    assert merged(b"notes", b"") == b"notes"
