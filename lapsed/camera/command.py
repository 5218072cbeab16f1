"""The kind `command`: a program of the user's takes the picture, and leaves it in a file or prints it.

Only a worker imports this. The program runs without a shell, in a process group of its own that is ended with it, and
gets a picture's name in a folder that goes with the keeper; what it prints as errors is the reason of a missed shot.
"""

import ctypes
import os
import selectors
import shutil
import signal
import subprocess
import tempfile
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path

from lapsed.camera.landing import Landing
from lapsed.clock import monotonic
from lapsed.errors import BugError, ShotMissedError, UserError
from lapsed.model import Check, Verdict
from lapsed.settings import CommandCamera

GIVE_UP_BEFORE_S = 0.25
"""How long before the worker would be killed the program is ended and the shot given up."""

EXPOSED = b"exposed"
"""The line on stdout by which a program tells that the shutter has closed."""

_PR_SET_PDEATHSIG = 1  # linux/prctl.h
_LONGEST = 64 * 1024  # of what is kept of a program's words
_libc = ctypes.CDLL(None)


def open_camera(options: Mapping[str, object]) -> "Command":
    """The camera that `options`, the part of the configuration, describes."""
    return Command(CommandCamera.model_validate(options))


class Command:
    """One program; see `kind.Kind` for the contracts."""

    def __init__(self, part: CommandCamera) -> None:
        self._part = part
        self._program = ""
        self._folder: Path | None = None
        self._running: _Running | None = None

    def ensure_ready(self) -> str:
        """Find the program; it is not run, as it would take a picture."""
        if self._folder is None:
            found = shutil.which(self._part.argv[0])
            if found is None:
                raise UserError(
                    f"there is no program {self._part.argv[0]!r} that may be run: give its whole path in argv, and"
                    " make it executable (chmod +x)"
                )
            self._program = found
            self._folder = Path(tempfile.mkdtemp(prefix="command-"))
            for stale in self._folder.parent.glob("command-*"):  # of workers that were ended
                if stale != self._folder:
                    shutil.rmtree(stale, ignore_errors=True)
        return f"the program {self._program}"

    def release(self, by_s: float, released: Callable[[float], None]) -> None:
        """Run the program until it has told that the shutter has closed, or to its end."""
        self._end()
        try:
            self._running = _Running(self._words(), self._out.parent, int(self._part.most_mb * 1e6), self._part.has_out)
        except OSError as error:
            raise ShotMissedError(f"the program {self._program} can't be run: {error.strerror}") from error
        released(self._running.at_s)
        self._run(by_s - GIVE_UP_BEFORE_S, until_exposed=self._part.tells_exposed)

    def fetch(self, landing: Landing) -> None:
        """Wait for the program's end, if it is still at work, and take its picture over."""
        running = self._running
        if running is None:
            raise BugError("a picture was fetched that was never released")
        self._run(monotonic() + self._part.fetch_within_s - GIVE_UP_BEFORE_S, until_exposed=False)
        if not self._part.has_out:
            landing.write(self._out.name, running.out)
        elif self._out.exists():
            landing.copy(self._out.name, self._out)
        else:
            raise ShotMissedError(f"the program ended well, but left no file {{out}}{_last(running.err)}")

    def clear(self) -> None:
        """Whatever else it left goes with the worker."""
        self._end()

    def idle(self) -> str:
        """See that the program is still there."""
        if not Path(self._program).exists():
            raise UserError(f"the program {self._program} is no longer there: put it back, or change argv")
        return f"the program {self._program}"

    def inspect(self) -> tuple[Check, ...]:
        """That the program is there, and what only its author knows."""
        told = (
            f'it tells of the closed shutter by the line "{EXPOSED.decode()}"'
            if self._part.tells_exposed
            else "the print waits for its end"
        )
        advice = "" if self._part.tells_exposed else "let it print that line, and set tells_exposed, for shorter holds"
        return (
            Check("program", Verdict.PASS, f"{self._program} is there and may be run"),
            Check("shutter closed", Verdict.PASS, told, advice),
        )

    def ensure_stopped(self) -> None:
        """End the program and remove its folder."""
        self._end()
        if self._folder is not None:
            shutil.rmtree(self._folder, ignore_errors=True)
            self._folder = None

    @property
    def _out(self) -> Path:
        assert self._folder is not None  # noqa: S101 - made ready before
        return self._folder / f"picture.{self._part.suffix}"

    def _words(self) -> list[str]:
        return [self._program, *(word.replace("{out}", str(self._out)) for word in self._part.argv[1:])]

    def _run(self, until_s: float, *, until_exposed: bool) -> None:
        running = self._running
        assert running is not None  # noqa: S101 - callers have started it
        try:
            running.wait(until_s, until_exposed=until_exposed)
        except ShotMissedError:
            self._end()
            raise
        if running.code:
            how = f"was ended by signal {-running.code}" if running.code < 0 else f"ended with code {running.code}"
            self._end()
            raise ShotMissedError(f"the program {how}{_last(running.err)}")

    def _end(self) -> None:
        running, self._running = self._running, None
        if running is not None:
            running.end()
        if self._out.is_dir() and not self._out.is_symlink():
            shutil.rmtree(self._out, ignore_errors=True)
        self._out.unlink(missing_ok=True)


class _Running:
    """A program at work; `code` is None until it has ended. Must be ended."""

    def __init__(self, words: list[str], folder: Path, most: int, has_out: bool) -> None:
        self.code: int | None = None
        self.out = bytearray()
        self.err = b""
        self._most = most
        self._has_out = has_out
        self.at_s = monotonic()
        self._process = subprocess.Popen(  # noqa: S603 - running the user's own program is what this is for
            words,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            cwd=folder,
            bufsize=0,
            process_group=0,
            preexec_fn=_die_with_us,  # noqa: PLW1509 - a worker has one thread
        )
        self._selector = selectors.DefaultSelector()
        for pipe in (self._process.stdout, self._process.stderr):
            assert pipe is not None  # noqa: S101 - asked for above
            os.set_blocking(pipe.fileno(), False)
            self._selector.register(pipe, selectors.EVENT_READ)
        self._gone = os.pidfd_open(self._process.pid)
        self._selector.register(self._gone, selectors.EVENT_READ)

    def wait(self, until_s: float, *, until_exposed: bool) -> None:
        """Read what it says until it has ended, or has said "exposed" where that is waited for."""
        while self.code is None and not (until_exposed and EXPOSED in self.out.splitlines()):
            left_s = until_s - monotonic()
            ready = self._selector.select(max(0.0, left_s))
            for key, _ in ready:
                if key.fd == self._gone:
                    self._read_all()
                    self.code = self._process.wait()
                elif self._read(key.fd) == 0:
                    self._selector.unregister(key.fileobj)
            if not ready and left_s <= 0:
                raise ShotMissedError(f"the program was ended after {monotonic() - self.at_s:.1f} s{_last(self.err)}")

    def end(self) -> None:
        """End it and all it has started in its group."""
        with suppress(ProcessLookupError):
            os.killpg(self._process.pid, signal.SIGKILL)
        self._process.wait()
        self._selector.close()
        os.close(self._gone)
        for pipe in (self._process.stdout, self._process.stderr):
            if pipe is not None:
                pipe.close()

    def _read_all(self) -> None:
        # Something it left behind may hold the pipes open: what is in them now is all there is.
        for pipe in (self._process.stdout, self._process.stderr):
            while pipe is not None and self._read(pipe.fileno()) > 0:
                pass

    def _read(self, fd: int) -> int:
        """How many bytes came; 0 at the end of the pipe, -1 where there are none at present."""
        assert self._process.stderr is not None  # noqa: S101 - asked for above
        try:
            data = os.read(fd, 1 << 20)
        except BlockingIOError:
            return -1
        if fd == self._process.stderr.fileno():
            self.err = (self.err + data)[-_LONGEST:]
        elif self._has_out:
            self.out += data[: _LONGEST - len(self.out)]
        else:
            self.out += data
            if len(self.out) > self._most:
                raise ShotMissedError(f"the program printed more than most_mb = {self._most / 1e6:g} allows")
        return len(data)


def _die_with_us() -> None:
    _libc.prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)


def _last(err: bytes) -> str:
    """The last line that a program printed as an error, as the end of a sentence."""
    lines = [line.strip() for line in err.decode(errors="replace").splitlines() if line.strip()]
    return f": {lines[-1][:300]}" if lines else ""
