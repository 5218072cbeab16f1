"""A file that appears under its name only when it is whole."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from lapsed.errors import UserError


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
        raise UserError(f"cannot write {path}: {error.strerror or error}") from error
    finally:
        draft.unlink(missing_ok=True)
