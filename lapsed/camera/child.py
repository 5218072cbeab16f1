"""The daemon's end of a worker process: start it, write to it, hear it, kill it, and know when it is gone."""

import asyncio
import logging
import os
import signal
import subprocess
import sys
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from lapsed.camera.wire import Lines

_log = logging.getLogger(__name__)


class Child:
    """One worker process; needs a running event loop and starts no thread.

    The worker dies with the thread that started it, so that must be one that lives as long as the process.
    `heard` gets each line of its output, `ended` the end of the sentence "the worker ..." once it is gone and all it
    said has been heard. What it prints as errors goes to the log. Raises OSError when it can't be started. `close`
    must be called last; after it neither callback is called.
    """

    def __init__(self, camera: str, home: Path, heard: Callable[[bytes], None], ended: Callable[[str], None]) -> None:
        self._camera = camera
        self._heard = heard
        self._ended = ended
        self._loop = asyncio.get_running_loop()
        self._lines = Lines()
        self._errors = Lines()
        self._last = ""
        self._told_to_end = False
        # The child imports what this process would, and nothing from the folder that it happens to be started in
        # (-P). XDG_CONFIG_HOME because libgphoto2 keeps settings there that all its processes would share, TMPDIR so
        # that nothing of a killed worker's stays longer than its keeper. Its own process group
        # keeps a terminal's Ctrl-C from it, and `kill` reaches whatever it has started.
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-m", "lapsed.camera.worker"],
            bufsize=0,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env={
                **os.environ,
                "PYTHONPATH": os.pathsep.join(path or str(Path.cwd()) for path in sys.path),
                "XDG_CONFIG_HOME": str(home),
                "TMPDIR": str(home),
            },
            process_group=0,
        )
        pipes = (self._process.stdin, self._process.stdout, self._process.stderr)
        self._fds = [pipe.fileno() for pipe in pipes if pipe]
        for fd in self._fds:
            os.set_blocking(fd, False)
        _, out, err = self._fds
        self._gone = self._watch_end()
        self._loop.add_reader(out, self._on_output, out, self._lines, self._heard)
        self._loop.add_reader(err, self._on_output, err, self._errors, self._on_error_line)

    @property
    def pid(self) -> int:
        """The process's id."""
        return self._process.pid

    def send(self, line: bytes) -> None:
        """Write `line` at once; where the pipe is broken or full, the deadline that its reader misses tells."""
        with suppress(BrokenPipeError, BlockingIOError):
            os.write(self._fds[0], line)

    def close_input(self) -> None:
        """Let the worker finish what it does and end by itself."""
        self._told_to_end = True
        if self._process.stdin:
            self._process.stdin.close()

    def kill(self) -> None:
        """SIGKILL to the process and all it has started."""
        self._told_to_end = True
        with suppress(ProcessLookupError):
            os.killpg(self._process.pid, signal.SIGKILL)

    def close(self) -> None:
        """Let go of pipes and process."""
        for fd in (self._gone, *self._fds[1:]):
            self._loop.remove_reader(fd)
        os.close(self._gone)
        for pipe in (self._process.stdin, self._process.stdout, self._process.stderr):
            if pipe:
                pipe.close()

    def _watch_end(self) -> int:
        try:
            fd = os.pidfd_open(self._process.pid)
        except OSError:
            self.kill()
            self._process.communicate()
            raise
        self._loop.add_reader(fd, self._on_end)
        return fd

    def _on_output(self, fd: int, lines: Lines, heard: Callable[[bytes], None]) -> bool:
        try:
            data = os.read(fd, 65_536)
        except BlockingIOError:
            return False
        if not data:
            self._loop.remove_reader(fd)
        for line in lines.feed(data):
            heard(line)
        return bool(data)

    def _on_error_line(self, line: bytes) -> None:
        text = line.decode(errors="replace")
        self._last = text
        _log.debug("camera %s: worker %d: %s", self._camera, self.pid, text)

    def _on_end(self) -> None:
        # What it said before it ended counts; a process that it left behind may hold the pipes open and write on, so
        # only as much is read as a pipe holds.
        _, out, err = self._fds
        for fd, lines, heard in ((out, self._lines, self._heard), (err, self._errors, self._on_error_line)):
            for _ in range(16):
                if not self._on_output(fd, lines, heard):
                    break
        self._loop.remove_reader(self._gone)
        level = logging.DEBUG if self._told_to_end else logging.INFO
        self.kill()  # what it has started; its own id is not free before `poll` has fetched the code
        code = self._process.poll()
        how = f"ended by signal {-code}" if code is not None and code < 0 else f"ended with code {code}"
        if code and code > 0 and self._last:
            how += f" ({self._last})"
        _log.log(level, "camera %s: worker %d %s", self._camera, self.pid, how)
        self._ended(how)
