"""Making room: the frames of the oldest stitched takes are removed, where the configuration says so.

Clips and journals stay. Nothing is removed from a take that is open, that has no clip yet, or that is spared.
"""

import logging
import sqlite3
from collections.abc import Collection, Iterator
from os import close as close_handle
from pathlib import Path

from lapsed.clock import Stamp
from lapsed.errors import LapsedError
from lapsed.model import Note
from lapsed.take import reader, schema
from lapsed.take.records import Kept, Noted, rows
from lapsed.take.space import free_mb, lock

log = logging.getLogger(__name__)

CLIPS = frozenset({".mp4", ".mov", ".mkv"})


def make_room(store: Path, wanted_mb: float, spared: Collection[Path], stamp: Stamp) -> tuple[str, ...]:
    """Thin stitched takes, oldest first, until `wanted_mb` are free; the names of those thinned.

    Blocks on the disk. A take that can't be thinned is passed over. Raises UserError, TakeEndedError for the store.
    """
    thinned = []
    for folder in _stitched(store):
        if free_mb(store) >= wanted_mb:
            break
        if folder in spared:
            continue
        try:
            removed_mb = _thin(folder, stamp)
        except (LapsedError, OSError, sqlite3.Error) as error:
            log.warning("take %s is not thinned: %s", folder.name, error)
            continue
        log.warning("take %s: its frames, %.0f MB, were removed to make room; its clips stay", folder.name, removed_mb)
        thinned.append(folder.name)
    return tuple(thinned)


def _stitched(store: Path) -> Iterator[Path]:
    for take in reversed(reader.list_takes(store)):
        clips = take.folder / "clips"
        if take.problem is not None or take.outcome is None or not clips.is_dir():
            continue
        whole = any(path.suffix in CLIPS and not path.name.startswith(".") for path in clips.iterdir())
        if whole and any(_frames(take.folder)):
            yield take.folder


def _frames(folder: Path) -> Iterator[Path]:
    cameras = (path for path in (folder / "frames").iterdir() if path.is_dir() and not path.is_symlink())
    return (path for camera in cameras for path in camera.iterdir() if path.is_file() and not path.is_symlink())


def _thin(folder: Path, stamp: Stamp) -> float:
    """Journal what is about to be done, then remove the frames; the megabytes that made."""
    handle = lock(folder)
    try:
        frames = list(_frames(folder))
        size_mb = sum(path.stat().st_size for path in frames) / 1e6
        text = f"its {len(frames)} frames, {size_mb:.0f} MB, were removed to make room"
        db = schema.open_for_writing(folder)
        try:
            db.execute("BEGIN IMMEDIATE")
            for record in (Noted(Note("thinned", text), stamp), Kept({"thinned_utc": stamp.utc})):
                for row in rows(record):
                    db.execute(row.sql, row.values)
            db.execute("COMMIT")
        finally:
            schema.close_for_good(db)
        for path in frames:
            path.unlink()
    finally:
        close_handle(handle)
    return size_mb
