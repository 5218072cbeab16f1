"""A worker's own folder for temporary files and its library's settings, and what killed daemons left of such."""

import fcntl
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

PREFIX = "lapsed-camera-"


@contextmanager
def home() -> Iterator[Path]:
    """A fresh folder, gone again at the end; those that killed processes of this user left are removed first.

    Raises OSError.
    """
    _sweep(Path(tempfile.gettempdir()))
    folder, handle = _made()
    try:
        yield folder
    finally:
        os.close(handle)
        shutil.rmtree(folder, ignore_errors=True)


def _made() -> tuple[Path, int]:
    """A folder with a lock on it, which its process loses however it ends (flock(2))."""
    while True:
        folder = Path(tempfile.mkdtemp(prefix=PREFIX))
        # Another process may sweep it away before it is locked: then the next one is tried.
        handle = _locked(folder)
        if handle is not None and folder.exists():
            return folder, handle
        if handle is not None:
            os.close(handle)


def _locked(folder: Path) -> int | None:
    try:
        handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW)
    except OSError:
        return None
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(handle)
        return None
    return handle


def _sweep(place: Path) -> None:
    for folder in place.glob(f"{PREFIX}*"):
        try:
            if folder.lstat().st_uid != os.geteuid():
                continue
        except OSError:
            continue
        handle = _locked(folder)
        if handle is not None:  # nobody uses it
            shutil.rmtree(folder, ignore_errors=True)
            os.close(handle)
