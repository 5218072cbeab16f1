"""What the simulated machine did, in order, so that tests can prove it."""

import json
from pathlib import Path
from typing import TextIO

from lapsed.errors import UserError


class Log:
    """A record after another: one JSON object a line in a file, or in `records` without one.

    A carried-out line has `t` (simulated s at its answer), `line` (its exact text), `from` ("print" or "run"), `at`
    (commanded X, Y, Z, E after it), `absolute`, `absolute_extrusion`, `feed`, `retracted`, and for lines between the
    print's `head_at`, the place of the head. Anything else has `t`, `event` and what belongs to it. All have `mono_s`,
    the real time when it was written.
    """

    def __init__(self, path: Path | None = None) -> None:
        self.records: list[dict[str, object]] = []
        self._file: TextIO | None = None
        if path is not None:
            try:
                self._file = path.open("w", encoding="ascii")
            except OSError as error:
                raise UserError(f"cannot write the log {path}: {error.strerror}") from error

    def write(self, record: dict[str, object]) -> None:
        """Keep a record; a file is sure to have it only after `flush`."""
        if self._file is None:
            self.records.append(record)
        else:
            self._file.write(json.dumps(record) + "\n")

    def flush(self) -> None:
        """Hand everything over to the file, for others to read."""
        if self._file is not None:
            self._file.flush()

    def close(self) -> None:
        """No record may come after this."""
        if self._file is not None:
            self._file.close()
