"""Real daemons one after another, killed and started at will, and the takes that they leave."""

import asyncio
import contextlib
import json
import os
import resource
import signal
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import psutil

from lapsed.__main__ import IN_PART
from lapsed.errors import UserError
from lapsed.take import reader

PATIENCE_S = 60.0
"""How long anything may take on a machine that is busy with other things."""


class Lives:
    """One home, one store, one daemon at a time; between `begin` and `end`.

    `safe` holds what daemons have told to be landed, as (beginning of the take, shot): the file's bytes; a take that
    began while the clock was wrong is given another name when it ends.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.home = folder / "home"
        self.store = folder / "takes"
        self.tmp = self.home / "tmp"
        self.tmp.mkdir(parents=True)
        self.config = folder / "lapsed.toml"
        self.log: list[str] = []
        self.safe: dict[tuple[float, int], bytes] = {}
        self.exits: dict[int, int] = {}
        self.pid: int | None = None
        self.restarts = 0
        self._tasks: list[asyncio.Task[None]] = []
        self._said: asyncio.Queue[list[str]] = asyncio.Queue()

    async def begin(self) -> None:
        """Have daemons at hand."""
        root = str(Path(__file__).parents[2])
        self._forker = await asyncio.create_subprocess_exec(
            sys.executable,
            "-m",
            "tests.chaos.daemons",
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
            env={**os.environ, "PYTHONPATH": root},
            cwd=root,
        )
        self._tasks = [asyncio.create_task(work) for work in (self._hear(), self._read_log())]

    async def end(self) -> None:
        """Leave no process behind."""
        if self.pid is not None:
            await self.kill()
        self._forker.stdin.close()
        await self._forker.wait()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    async def _hear(self) -> None:
        while line := await self._forker.stdout.readline():
            word, pid, *status = line.decode().split()
            if word == "gone":
                self.exits[int(pid)] = int(status[0])
                if int(pid) == self.pid:
                    self.pid = None
                    self._tasks.append(asyncio.create_task(self._restart(int(status[0]))))
            else:
                self._said.put_nowait([word, pid])

    async def _restart(self, status: int) -> None:
        """What the service manager does with a daemon that ended by itself, other than for its configuration."""
        if status != IN_PART:
            self.log.append(f"a daemon ended by itself, with {status}, and isn't started again")
            return
        await asyncio.sleep(0.2)
        self.restarts += 1
        await self.start()

    async def _read_log(self) -> None:
        while line := await self._forker.stderr.readline():
            self.log.append(line.decode(errors="replace").rstrip())

    # ------------------------------------------------------------------------------------------------ the daemon

    async def start(self) -> int:
        """Start a daemon, as the service manager does."""
        order = json.dumps({"home": str(self.home), "config": str(self.config)})
        self._forker.stdin.write(order.encode() + b"\n")
        await self._forker.stdin.drain()
        _, pid = await asyncio.wait_for(self._said.get(), PATIENCE_S)
        self.pid = int(pid)
        return self.pid

    async def kill(self, number: int = signal.SIGKILL) -> int:
        """End the daemon by a signal; its exit code."""
        await self.until(lambda: self.pid is not None)
        pid, self.pid = self.pid, None
        os.kill(pid, number)
        await self.until(lambda: pid in self.exits)
        return self.exits[pid]

    def signal(self, number: int) -> None:
        """A signal for the daemon."""
        if self.pid is not None:
            os.kill(self.pid, number)

    def workers(self) -> list[psutil.Process]:
        """The camera workers of the daemon."""
        try:
            return psutil.Process(self.pid).children(recursive=True) if self.pid is not None else []
        except psutil.NoSuchProcess:
            return []

    def signal_workers(self, number: int) -> None:
        """A signal for each camera worker."""
        for worker in self.workers():
            with contextlib.suppress(psutil.NoSuchProcess):
                worker.send_signal(number)

    async def seen(self) -> None:
        """Until the daemon's camera is there."""
        await self.until(
            lambda: any(f"{self.pid} INFO camera main of ottermole: a camera" in line for line in self.log)
        )

    async def until(self, condition: Callable[[], object], within_s: float = PATIENCE_S) -> None:
        """Wait for others."""
        try:
            async with asyncio.timeout(within_s):
                while not condition():  # noqa: ASYNC110 - other processes are waited for
                    await asyncio.sleep(0.005)
        except TimeoutError:
            raise AssertionError("\n".join(["this never came about; the log says:", *self.log[-40:]])) from None

    # ------------------------------------------------------------------------------------------- doubles and disk

    def order(self, *orders: str) -> None:
        """Order faults of the camera, as "fetch hang"."""
        fresh = self.home / "orders.new"
        fresh.write_text("".join(f"{order}\n" for order in orders))
        fresh.rename(self.home / "orders")

    def set_wall(self, offset_s: float) -> None:
        """Step the daemon's wall clock to be wrong by so much."""
        (self.home / "wall_s").write_text(str(offset_s))

    def slow_disk(self, commit_s: float) -> None:
        """Have each commit take so long."""
        (self.home / "commit_s").write_text(str(commit_s))

    def refuse_writes(self, *, on: bool) -> None:
        """Have the kernel refuse every write to a file, of the daemon and its workers (setrlimit(2), EFBIG)."""
        limit = (0 if on else resource.RLIM_INFINITY, resource.RLIM_INFINITY)
        pids = [self.pid, *(worker.pid for worker in self.workers())] if self.pid is not None else []
        for pid in pids:
            with contextlib.suppress(ProcessLookupError):
                resource.prlimit(pid, resource.RLIMIT_FSIZE, limit)

    # ------------------------------------------------------------------------------------------------------ takes

    def takes(self) -> list[reader.TakeView]:
        """All takes, in the order of their names; those that can't be read are a failure."""
        found = []
        for summary in sorted(reader.list_takes(self.store), key=lambda take: take.name):
            assert summary.problem is None, summary.problem
            try:
                found.append(reader.read_take(summary.folder))
            except UserError:
                if summary.folder.exists():
                    raise
                return self.takes()  # it was given its right name as it was closed
        return found

    def note_safe(self) -> None:
        """Remember all that has been told to be landed until now."""
        for view in self._readable():
            for shot in view.shots:
                key = view.meta["since_s"], shot.cue
                if shot.outcome == "landed" and key not in self.safe:
                    with contextlib.suppress(FileNotFoundError):  # it has just been given its right name
                        self.safe[key] = (view.folder / shot.files[0]).read_bytes()

    def _readable(self) -> Iterator[reader.TakeView]:
        for summary in reader.list_takes(self.store):
            # A take may be closed, and its files put together, while it is looked at.
            with contextlib.suppress(UserError):
                yield reader.read_take(summary.folder)
