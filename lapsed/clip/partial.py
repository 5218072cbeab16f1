"""A file that appears under its name only when it is whole, in a folder that one stitch at a time writes to."""

import errno
import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from lapsed.errors import UserError

_FULL: Final = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})


@contextmanager
def whole_or_nothing(path: Path) -> Iterator[Path]:
    """Give a name beside `path` to write to; on leaving, it is synced and renamed, or on any exception removed.

    Raises UserError, naming `path`, where the file system refuses.
    """
    draft = path.with_name(f".{path.stem}.unfinished{path.suffix}")
    try:
        yield draft
        with draft.open("rb+") as file:
            os.fsync(file.fileno())
        draft.replace(path)
    except OSError as error:
        raise UserError(f"cannot write {path}: {said(error.errno, error.strerror or str(error))}") from error
    finally:
        draft.unlink(missing_ok=True)


def said(number: int | None, why: str | None) -> str:
    """Why a file could not be written, by errno and its text, and what to do where the disk is full."""
    return f"{why}; make room or name another folder with --out" if number in _FULL else str(why)


@contextmanager
def only_one(folder: Path) -> Iterator[None]:
    """Keep other processes from stitching into `folder` meanwhile; the lock ends with this process, however it ends.

    Raises UserError where another has it.
    """
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            if error.errno in {errno.EWOULDBLOCK, errno.EACCES}:
                raise UserError(
                    f"another stitch is writing to {folder}; wait for it or name another with --out"
                ) from error
            # Some network file systems have no locks; stitching without one is better than not at all.
        yield
    finally:
        os.close(handle)
