"""The printed file, found and read in a process of its own: `python -m lapsed.printed_file`.

It reads one JSON request on stdin and writes one JSON answer on stdout: a forecast, or why there is none. It runs at
idle priority beside the print, and nothing it holds or fails at touches the daemon that started it.
"""

import json
import math
import os
import signal
import stat
import sys
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from http.client import HTTPException
from io import BufferedIOBase
from pathlib import Path, PurePosixPath
from typing import Any, Self
from urllib.error import HTTPError, URLError
from urllib.parse import quote
from urllib.request import (
    HTTPDefaultErrorHandler,
    HTTPErrorProcessor,
    HTTPHandler,
    HTTPSHandler,
    OpenerDirector,
    Request,
)

from lapsed.clip import quiet
from lapsed.errors import RetryError, UserError
from lapsed.gcode.choice import climbed
from lapsed.gcode.reading import read
from lapsed.gcode.setup import setup_of
from lapsed.model import Forecast
from lapsed.settings import Files, Machine

PIECE = 1 << 18
MB = 1_000_000
SILENT_S = 20.0
"""A server that sends nothing for so long has hung."""


@dataclass(frozen=True, slots=True)
class Asked:
    """The file called `name` by the host, wherever `files` says that it is, as `machine` prints it."""

    name: str
    files: Files
    machine: Machine


def asked_in(text: str) -> Asked:
    """The request that the daemon wrote."""
    raw = json.loads(text)
    return Asked(raw["name"], Files.model_validate(raw["files"]), Machine.model_validate(raw["machine"]))


def forecast(asked: Asked) -> Forecast:
    """Read the file. Raises UserError or RetryError with a clause that says why it can't be."""
    with _opened(asked.name, asked.files) as stream:
        found = read(_pieces(stream, asked.files.most_mb * MB), setup_of(asked.machine))
    if not found.layers:
        raise UserError("nothing in it feeds filament while the head moves, so it has no layers")
    # A journal keeps it: thousandths of a second and tenths of a micrometre are more than anyone can see.
    heights = tuple(round(height, 4) for height in found.heights_mm)
    rising = tuple(round(height, 4) for height in climbed(found.heights_mm))
    begins = tuple(round(begin, 3) for begin in found.begins_s)
    laid_s = found.end.at_s if found.end is not None else found.print_s
    return Forecast(round(found.print_s, 3), round(laid_s, 3), begins, heights, rising, found.objects)


def _opened(name: str, files: Files) -> "BufferedIOBase | _Body":
    reasons = []
    if files.folder is not None:
        try:
            return in_folder(files.folder.expanduser(), name)
        except UserError as error:
            reasons.append(str(error))
    if files.url is not None:
        try:
            return _Body(files.url, name, files.headers)
        except (UserError, RetryError) as error:
            reasons.append(str(error))
    raise UserError("; ".join(reasons))


def in_folder(folder: Path, name: str) -> BufferedIOBase:
    """The file `name` in `folder`, open. Raises UserError if it isn't there or if the name leads out of the folder."""
    try:
        root = folder.resolve(strict=True)
        whole = Path(name)
        within = whole.is_absolute() and whole.is_relative_to(root)
        path = (whole if within else root / name.lstrip("/")).resolve(strict=True)
        if not path.is_relative_to(root):
            raise UserError(f"its name {name!r} leads out of {folder}")
        # Opened without waiting: a pipe of that name would otherwise never open.
        handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_NOFOLLOW | os.O_CLOEXEC)
    except (OSError, ValueError, RuntimeError) as error:
        why = error.strerror.lower() if isinstance(error, OSError) and error.strerror else "the name can't be used"
        raise UserError(f"{name!r} can't be read in {folder}: {why}") from error
    if not stat.S_ISREG(os.fstat(handle).st_mode):
        os.close(handle)
        raise UserError(f"{name!r} in {folder} is no file")
    return os.fdopen(handle, "rb")


def address(template: str, name: str) -> str:
    """`template` with the file's name in it, quoted (RFC 3986, 2.1). Raises UserError for a name that climbs."""
    steps = PurePosixPath(name.lstrip("/")).parts
    if not steps or any(step in (".", "..") for step in steps) or "\\" in name:
        raise UserError(f"its name {name!r} is not one to ask a server for")
    return template.replace("{file}", quote("/".join(steps), errors="replace"))


class _Body:
    """What a server sends of a file, as it comes; nothing of it is kept on disk or in memory."""

    def __init__(self, template: str, name: str, headers: Mapping[str, str]) -> None:
        url = address(template, name)
        opener = OpenerDirector()  # it knows HTTP alone: no files, no proxies, no redirects
        for handler in (HTTPHandler, HTTPSHandler, HTTPDefaultErrorHandler, HTTPErrorProcessor):
            opener.add_handler(handler())
        try:
            self._answer = opener.open(Request(url, headers=dict(headers)), timeout=SILENT_S)  # noqa: S310 - the settings and the opener take HTTP alone
        except HTTPError as error:
            error.close()
            hint = "; redirects are not followed, give the address itself" if 300 <= error.code < 400 else ""
            raise RetryError(f"{url} answers {error.code} {error.reason}{hint}") from error
        except (URLError, HTTPException, OSError, ValueError) as error:
            raise RetryError(f"{url} can't be reached: {getattr(error, 'reason', error)}") from error
        self._url = url
        told = self._answer.headers.get("Content-Length", "")
        self.due = int(told) if told.isdecimal() else None
        self._got = 0

    def read(self, size: int) -> bytes:
        """Up to `size` bytes; none at the end. Raises RetryError where the answer breaks off."""
        try:
            piece: bytes = self._answer.read(size)
        except (HTTPException, OSError) as error:
            raise RetryError(f"{self._url} broke off after {self._got} bytes: {error}") from error
        self._got += len(piece)
        if not piece and self.due is not None and self._got != self.due:
            raise RetryError(f"{self._url} broke off after {self._got} of {self.due} bytes")
        return piece

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._answer.close()


def _pieces(stream: "BufferedIOBase | _Body", most: int) -> Iterator[bytes]:
    size = stream.due if isinstance(stream, _Body) else os.fstat(stream.fileno()).st_size
    got = 0
    too_large = UserError(f"it is larger than the {most // MB} MB that files.most_mb allows")
    if size is not None and size > most:
        raise too_large
    while piece := stream.read(PIECE):
        got += len(piece)
        if got > most:
            raise too_large
        yield piece


def main() -> int:
    """Answer the request on stdin."""
    quiet.lower()
    answer: dict[str, Any]
    try:
        asked = asked_in(sys.stdin.read())
        # The daemon ends it sooner; should that have been killed, this does.
        signal.alarm(math.ceil(asked.files.within_s) + 5)
        answer = {"forecast": asdict(forecast(asked))}
    except (UserError, RetryError) as error:
        answer = {"refused": str(error)}
    except OSError as error:
        answer = {"refused": f"it can't be read to its end: {error.strerror}"}
    json.dump(answer, sys.stdout)
    return 0


if __name__ == "__main__":
    sys.exit(main())
