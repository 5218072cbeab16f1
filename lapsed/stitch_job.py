"""Running `lapsed stitch` for the daemon: by the service manager in a slice of its own, or else as the daemon's child.

`lapsed-stitch.socket` runs this module for each connection. It reads one `Request` and tells, each as an `Answer` on a
line, the job's process and then its status. A job whose daemon has hung up is ended, so that the next may begin.
"""

import asyncio
import os
import select
import signal
import socket
import subprocess
import sys
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from tempfile import TemporaryFile
from typing import Annotated, BinaryIO

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError

from lapsed import refusal
from lapsed.errors import RetryError

SOCKET = Path("/run/lapsed-stitch.socket")
PASSED = 3
"""The descriptor of the connection, by sd_listen_fds(3)."""
LONGEST_BYTES = 1 << 16
ASKED_WITHIN_S = 10.0
BEGUN_WITHIN_S = 600.0
"""The slice gets what the computer has left: on a busy one the first word takes its time."""
CLEARED_WITHIN_S = 30.0

OPTIONS = ("--clip", "--codec", "--drop", "--keep", "--length", "--rate", "--size")
"""Those of `lapsed stitch` that may be asked for: none of them names a file."""


def _absolute(path: Path) -> Path:
    if not path.is_absolute():
        raise ValueError(f"{path} means another place in another process; begin it with /")
    return path


def _pairs(options: tuple[str, ...]) -> tuple[str, ...]:
    names, values = options[::2], options[1::2]
    wrong = [name for name in names if name not in OPTIONS] + [value for value in values if value.startswith("-")]
    if wrong or len(names) != len(values):
        raise ValueError(f"only {', '.join(OPTIONS)} can be asked for, each with a value, not {' '.join(options)}")
    return options


class Request(BaseModel):
    """The take, options of `lapsed stitch` each with its value, and the configuration; both ends check it."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    take: Annotated[Path, AfterValidator(_absolute)]
    options: Annotated[tuple[str, ...], AfterValidator(_pairs)] = ()
    config: Annotated[Path, AfterValidator(_absolute)] | None = None

    def command(self) -> list[str]:
        """What is run; no shell reads it."""
        configured = [] if self.config is None else ["--config", str(self.config)]
        lapsed = [sys.executable, "-m", "lapsed", "stitch"]
        return [*lapsed, str(self.take), *self.options, "--quiet", "--idle", *configured]


class Answer(BaseModel):
    """One of three: the process that leads the job's group, the status it ended with and its last word, a refusal."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    pid: Annotated[int, Field(gt=1)] | None = None
    status: int | None = None
    said: str = ""
    refused: str | None = None


@dataclass(frozen=True, slots=True)
class Job:
    """A stitch under way: `pid` leads the group that signals go to.

    `wait` gives how it ended; raises RetryError with what became of it where nobody can tell it any more.
    """

    pid: int
    wait: Callable[[], Awaitable[Answer]]


@asynccontextmanager
async def begun(request: Request, at: Path = SOCKET) -> AsyncIterator[Job]:
    """The job, over the socket `at` or else as a child. Raises RetryError with a clause that says why there is none.

    Leaving ends a job that was begun over the socket; the caller must have waited for a child.
    """
    line = await _connected(at)
    if line is None:
        with TemporaryFile() as said:
            null = asyncio.subprocess.DEVNULL
            words = request.command()
            child = await asyncio.create_subprocess_exec(*words, stdin=null, stderr=said, start_new_session=True)

            async def ended() -> Answer:
                return Answer(status=await child.wait(), said=_last(said))

            yield Job(child.pid, ended)
        return
    reader, writer = line
    try:
        writer.write(request.model_dump_json().encode() + b"\n")
        try:
            answer = await asyncio.wait_for(_answer(reader), BEGUN_WITHIN_S)
        except TimeoutError as error:
            raise RetryError(f"was not begun within {BEGUN_WITHIN_S:.0f} s: see systemctl status {at.name}") from error
        if answer.pid is None:
            raise RetryError(f"was refused: {answer.refused or answer}")
        yield Job(answer.pid, partial(_answer, reader))
    finally:
        writer.close()


async def _connected(at: Path) -> tuple[asyncio.StreamReader, asyncio.StreamWriter] | None:
    with suppress(OSError):
        if os.stat(at).st_uid == os.geteuid():  # noqa: PTH116 - in memory; no other's job takes our signals
            return await asyncio.open_unix_connection(at)
    return None


async def _answer(reader: asyncio.StreamReader) -> Answer:
    try:
        return Answer.model_validate_json(await reader.readline())
    except (OSError, ValueError) as error:
        raise RetryError("broke off without a word: journalctl -u 'lapsed-stitch@*' may say why") from error


def serve(asking: socket.socket) -> None:
    """Do what is asked for over a connection, until it is done or whoever asked has hung up."""
    asking.settimeout(ASKED_WITHIN_S)
    try:
        with asking.makefile("rb") as lines:
            request = Request.model_validate_json(lines.readline(LONGEST_BYTES))
    except (OSError, ValidationError) as error:
        told = refusal.first(error, "the request") if isinstance(error, ValidationError) else "nothing was asked for"
        _tell(asking, Answer(refused=told))
        return
    with TemporaryFile() as said:
        _carry_out(request, asking, said)


def _carry_out(request: Request, asking: socket.socket, said: BinaryIO) -> None:
    null = subprocess.DEVNULL
    job = subprocess.Popen(request.command(), stdin=null, stderr=said, start_new_session=True)  # noqa: S603 - checked
    signal.signal(signal.SIGTERM, lambda *_: _end(job, signal.SIGTERM))
    _tell(asking, Answer(pid=job.pid))
    over = os.pidfd_open(job.pid)
    ready, _, _ = select.select([over, asking.fileno()], [], [])
    os.close(over)
    for number in () if over in ready else (signal.SIGTERM, signal.SIGKILL):
        _end(job, number)
        with suppress(subprocess.TimeoutExpired):
            job.wait(CLEARED_WITHIN_S)
    _tell(asking, Answer(status=job.wait(), said=_last(said)))


def _last(said: BinaryIO) -> str:
    """The last line that a job said; all of it goes to the log."""
    said.seek(0)
    text = said.read(LONGEST_BYTES).decode("utf-8", "replace")
    sys.stderr.write(text)
    return next((line for line in reversed(text.splitlines()) if line.strip()), "").removeprefix("lapsed: ")[:400]


def _end(job: subprocess.Popen[bytes], number: signal.Signals) -> None:
    with suppress(ProcessLookupError):
        os.killpg(job.pid, number)
        os.killpg(job.pid, signal.SIGCONT)  # it may stand still for a print


def _tell(asking: socket.socket, answer: Answer) -> None:
    with suppress(OSError):  # whoever asked has gone, as `serve` sees
        asking.sendall(answer.model_dump_json(exclude_none=True).encode() + b"\n")


def main() -> int:
    """Serve the connection that a service manager has passed (sd_listen_fds(3))."""
    if (os.environ.get("LISTEN_PID"), os.environ.get("LISTEN_FDS")) != (str(os.getpid()), "1"):
        sys.stderr.write("lapsed-stitch.socket runs this; by hand it is: lapsed stitch TAKE\n")
        return 2
    with socket.socket(fileno=PASSED) as asking:
        serve(asking)
    return 0


if __name__ == "__main__":
    sys.exit(main())
