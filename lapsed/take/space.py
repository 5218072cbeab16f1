"""Room on the disk, and who may write a take."""

import fcntl
import os
import shutil
from pathlib import Path

from lapsed.errors import TakeEndedError, UserError


def free_mb(folder: Path) -> float:
    """Megabytes (10^6 bytes) that we may still write where `folder` is, or is to be. Raises TakeEndedError."""
    place = folder.absolute()
    while not place.exists() and place != place.parent:
        place = place.parent
    try:
        return shutil.disk_usage(place).free / 1e6
    except OSError as error:
        raise TakeEndedError(
            f"cannot tell the free space at {folder}: {error.strerror}; look after the disk"
        ) from error


def lock(folder: Path) -> int:
    """Become the one process that writes the take in `folder`; closing the returned descriptor lets it go.

    The lock is on the folder itself: it leaves no file behind, and a killed process loses it at once. Locking take.db
    would not do, as closing any descriptor of it drops the locks SQLite has on it (fcntl(2)). Raises UserError.
    """
    handle = -1
    try:
        handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        if handle >= 0:
            os.close(handle)
        if isinstance(error, BlockingIOError):
            raise UserError(f"{folder} is being written by another lapsed; stop that one first") from error
        raise UserError(f"cannot write the take {folder}: {error.strerror}") from error
    return handle
