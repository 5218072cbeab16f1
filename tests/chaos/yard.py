"""The yard where chaos happens: a simulated host in this process, real daemons and camera workers beside it."""

import asyncio
import contextlib
import json
import os
import resource
import signal
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import TracebackType
from typing import Self

import psutil

from lapsed import clock
from lapsed.errors import UserError
from lapsed.sim.host import SimHost
from lapsed.sim.machine import Machine
from lapsed.sim.pace import Pace
from lapsed.take import reader

HOLD_LIMIT_S = 4.0
PATIENCE_S = 60.0
"""How long anything may take on a machine that is busy with other things."""

CONFIG = """
[web]
serve = false
[store]
folder = "{store}"
min_free_mb = 0
[stitch]
when = "never"
[[printer]]
name = "ottermole"
[printer.link]
url = "{url}"
retry_most_s = 0.2
reply_within_s = 1.0
silent_after_s = 1.0
[printer.machine]
park_point_mm = [8, 212]
travel_mm_s = 1000
acceleration_mm_s2 = 50000
lift_mm_s = 100
lift_acceleration_mm_s2 = 5000
settle_s = 0.005
[printer.cadence]
every_layers = 1
hold_limit_s = {limit}
[[printer.camera]]
kind = "gphoto"
exposure_s = 0.01
expose_within_s = 1.0
fetch_within_s = 1.0
ready_within_s = 20.0
"""


def part(layers: int) -> str:
    """A marker post of the pier's model, square and quickly drawn: so many layers of 0.2 mm, some seconds each."""
    lines = ["G28", "G90", "M82", "G92 E0", "G1 Z0.2 F600"]
    e = 0.0
    for layer in range(1, layers + 1):
        lines.append(f"G1 Z{layer * 0.2:.1f} F600")
        for _ in range(2):
            for x, y in ((120, 100), (120, 120), (100, 120), (100, 100)):
                e += 0.8
                lines.append(f"G1 X{x} Y{y} E{e:.3f} F1200")
        lines.append("G1 X100 Y99 F6000")
    return "\n".join([*lines, f"G1 Z{layers * 0.2 + 10:.1f} F600", "M84"]) + "\n"


class Yard:
    """One simulated host and one store, with a daemon after another; up while the context lasts.

    `deaf` holds the times, on the monotonic clock, during which no daemon listened to the host: print and hold are
    the host's own then. `safe` holds what daemons have told to be landed, as (beginning of the take,
    shot): the file's bytes; a take that began while the clock was wrong is given another name when it ends.
    """

    def __init__(self, folder: Path, *, speed: float = 60.0) -> None:
        self.folder = folder
        self.home = folder / "home"
        self.store = folder / "takes"
        self.tmp = self.home / "tmp"
        self.tmp.mkdir(parents=True)
        self.host = SimHost(pace=Pace(speed), machine=Machine(buffer_moves=4))
        self.config = folder / "lapsed.toml"
        self.log: list[str] = []
        self.deaf: list[tuple[float, float]] = []
        self.safe: dict[tuple[float, int], bytes] = {}
        self.excused: list[tuple[float, float]] = []
        self.exits: dict[int, int] = {}
        self.pid: int | None = None
        self._tasks: list[asyncio.Task[None]] = []
        self._said: asyncio.Queue[list[str]] = asyncio.Queue()

    async def __aenter__(self) -> Self:
        await self.host.__aenter__()
        self.config.write_text(CONFIG.format(store=self.store, url=self.host.url, limit=HOLD_LIMIT_S))
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
        self._tasks = [asyncio.create_task(work) for work in (self._hear(), self._read_log(), self._watch())]
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self.pid is not None:
            await self.kill()
        self._forker.stdin.close()
        await self._forker.wait()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        await self.host.__aexit__(kind, error, trace)

    async def _hear(self) -> None:
        while line := await self._forker.stdout.readline():
            word, pid, *status = line.decode().split()
            if word == "gone":
                self.exits[int(pid)] = int(status[0])
            else:
                self._said.put_nowait([word, pid])

    async def _read_log(self) -> None:
        while line := await self._forker.stderr.readline():
            self.log.append(line.decode(errors="replace").rstrip())

    async def _watch(self) -> None:
        """Note when no daemon listens."""
        since: float | None = clock.monotonic()
        while True:
            listens = bool(self.host._watchers) and self.host._speaking.is_set()
            now = clock.monotonic()
            if listens and since is not None:
                self.deaf.append((since, now))
                since = None
            elif not listens and since is None:
                since = now
            await asyncio.sleep(0.005)

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
        pid, self.pid = self.pid, None
        os.kill(pid, number)
        await self.until(lambda: pid in self.exits)
        return self.exits[pid]

    def signal(self, number: int) -> None:
        """A signal for the daemon."""
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

    async def ready(self) -> None:
        """Until a daemon listens and its camera is there."""
        await self.until(
            lambda: any(f"{self.pid} INFO camera main of ottermole: a camera" in line for line in self.log)
        )
        await self.until(lambda: bool(self.host._watchers))

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

    def calm_host(self) -> None:
        """End the host's faults that would strike later."""
        self.host._news.burst, self.host._news._kept = 0, []
        self.host._errors.clear()
        self.host._mute = 0

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
