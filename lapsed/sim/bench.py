"""The simulated host without its network: one print at a time on one machine, and what may be asked of it."""

import asyncio
import secrets
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from lapsed.sim import rpc
from lapsed.sim.log import Log
from lapsed.sim.machine import Machine, Source, axes
from lapsed.sim.pace import Pace
from lapsed.sim.survey import Layer, Survey, survey

Reached = Callable[[Literal["layer", "line"], int], None]

NO_LAYER = Layer(0, 0.0)
BED_MM = {"x_mm": [0.0, 220.0], "y_mm": [0.0, 220.0]}


def read_lines(path: Path) -> list[str]:
    """The lines of a file without their ends; bytes that are no UTF-8 survive as surrogates. Raises OSError."""
    lines = path.read_bytes().decode("utf-8", "surrogateescape").split("\n")
    if lines[-1] == "":
        lines.pop()
    return [line.removesuffix("\r") for line in lines]


@dataclass(slots=True)
class _Job:
    path: Path
    lines: list[str]
    survey: Survey
    run: str
    next: int = 0
    layer: Layer = NO_LAYER
    held: bool = False
    paused: bool = False
    ended: str | None = None
    detail: str = ""

    @property
    def stage(self) -> str:
        return self.ended or ("paused" if self.paused else "held" if self.held else "running")

    @property
    def done(self) -> float:
        return 1.0 if self.ended == "finished" else self.next / max(1, len(self.lines))


@dataclass(slots=True)
class _Run:
    lines: list[str]
    ran: asyncio.Future[None]


class Bench:
    """Feeds the machine line by line, from the print and from whoever has lines run between the print's.

    `changed` is called when something changed that is told at once, with the console lines that came; `reached` as the
    print gets to a layer or a line (counted from 1). `feed` must run for anything to happen. Calls that can't be
    followed as things stand raise RpcError. Times told to others are real ones: simulated time over `pace.speed`.
    """

    def __init__(
        self,
        machine: Machine,
        pace: Pace,
        log: Log,
        *,
        tell_layers: bool = True,
        changed: Callable[[tuple[str, ...]], None] = lambda _console: None,
        reached: Reached = lambda _what, _number: None,
    ) -> None:
        self._machine = machine
        self._pace = pace
        self._log = log
        self._tell_layers = tell_layers
        self._changed = changed
        self._reached = reached
        self._job: _Job | None = None
        self._told_stage = "idle"
        self._runs: deque[_Run] = deque()
        self._between: list[asyncio.Future[None]] = []
        self._wake = asyncio.Event()
        self.ended = asyncio.Event()
        """Set once a print has ended, one way or other, until the next begins."""
        self._rested = True

    # ------------------------------------------------------------------------------------------------ facts

    @property
    def stage(self) -> str:
        """What the print does, in one word."""
        return "idle" if self._job is None else self._job.stage

    def facts(self) -> dict[str, dict[str, object]]:
        """All that the host tells; what it doesn't know is left out."""
        return {"job": self._job_facts(), "head": self._head_facts()}

    def _job_facts(self) -> dict[str, object]:
        job = self._job
        if job is None:
            return {"stage": "idle"}
        known: dict[str, object] = {
            "stage": job.stage,
            "done": round(job.done, 6),
            "file": job.path.name,
            "run": job.run,
            "expected_s": round(job.survey.duration_s / self._pace.speed, 3),
            "detail": job.detail,
        }
        if self._tell_layers:
            known |= {
                "layer": job.layer.number,
                "layers": job.survey.layers,
                "height_mm": job.layer.height_mm,
                "part_height_mm": job.survey.height_mm,
            }
        return known

    def _head_facts(self) -> dict[str, object]:
        state = self._machine.state
        return {
            "x": state.position.x,
            "y": state.position.y,
            "z": state.position.z,
            "e": state.position.e,
            "feed_mm_min": state.feed_mm_min,
            "absolute": state.absolute,
            "absolute_extrusion": state.absolute_extrusion,
            "retracted": state.retracted,
        }

    def scene(self) -> dict[str, object]:
        """What a camera would need to see: the file, how many of its lines the head is done with, where it is now."""
        (x, y, z), done = self._machine.head(max(self._pace.simulated(), self._machine.now_s))
        path = None if self._job is None else str(self._job.path.absolute())
        return {"file": path, "lines_done": done, "head": {"x": x, "y": y, "z": z}, "bed": BED_MM}

    # ------------------------------------------------------------------------------------------------ calls

    async def begin(self, path: Path) -> str:
        """Start printing a file; gives the name of this run."""
        try:
            lines = read_lines(path)
        except OSError as error:
            raise rpc.RpcError(rpc.INVALID_PARAMS, f"cannot read {path}: {error.strerror}") from error
        seen = await survey(lines, self._machine)
        if self._job is not None and self._job.ended is None:
            raise rpc.RpcError(rpc.NOT_NOW, f"{self._job.path.name} is being printed; abandon it first")
        job = self._job = _Job(path, lines, seen, secrets.token_hex(4))
        self._machine.printed = 0
        self.ended.clear()
        self.note("begin", file=str(path), run=job.run)
        self._stir()
        return job.run

    async def hold(self) -> None:
        """Let the print wait; on return none of its lines will be carried out any more."""
        job = self._running()
        job.held = True
        await self._between_lines()
        self._still(job)

    def carry_on(self) -> None:
        """Let the print go on after a hold; nothing happens if none is in force."""
        self._running().held = False
        self._stir()

    async def pause(self) -> None:
        """The user's own pause; a hold may come and go within it."""
        job = self._running()
        job.paused = True
        await self._between_lines()
        self._still(job)

    def unpause(self) -> None:
        """The end of the user's pause."""
        self._running().paused = False
        self._stir()

    async def abandon(self, ended: str = "abandoned", detail: str = "") -> None:
        """End the print before its end; on return none of its lines will be carried out any more."""
        job = self._running()
        job.ended, job.detail = ended, detail
        await self._between_lines()

    def lose(self) -> None:
        """Know nothing of any print any more."""
        self._job = None
        self._stir()

    async def run(self, lines: list[str]) -> None:
        """Have lines carried out between the print's; returns when they were, with all the waits they ask for."""
        run = _Run(lines, asyncio.get_running_loop().create_future())
        self._runs.append(run)
        self._stir()
        await run.ran

    def _running(self) -> _Job:
        if self._job is None or self._job.ended is not None:
            raise rpc.RpcError(rpc.NOT_NOW, "nothing is being printed")
        return self._job

    def _still(self, job: _Job) -> None:
        if self._job is not job or job.ended is not None:
            raise rpc.RpcError(rpc.NOT_NOW, "the print ended meanwhile")

    async def _between_lines(self) -> None:
        """Wait until the line under way, if any, was carried out."""
        waiting = asyncio.get_running_loop().create_future()
        self._between.append(waiting)
        self._stir()
        await waiting

    def _stir(self) -> None:
        self._wake.set()

    # ---------------------------------------------------------------------------------------------- feeding

    async def feed(self) -> None:
        """Carry out lines for ever; the only one that does, so that lines never mix."""
        while True:
            self._come_between()
            job = self._job
            if self._runs:
                await self._carry_out(self._runs.popleft())
            elif job is not None and job.stage == "running":
                await self._print_on(job)
            else:
                self._wake.clear()
                await self._wake.wait()
                self._rested = True

    def _come_between(self) -> None:
        """Between two lines: tell a change of stage, and whoever waits for this."""
        if self.stage != self._told_stage:
            self._told_stage = self.stage
            self.note(self.stage)
            self._changed(())
            if self._job is not None and self._job.ended is not None:
                self.ended.set()
        for waiting in self._between:
            if not waiting.done():
                waiting.set_result(None)
        self._between.clear()

    async def _carry_out(self, run: _Run) -> None:
        for text in run.lines:
            await self._execute(text, "run")
        self._log.flush()
        if not run.ran.done():  # whoever asked may have gone away
            run.ran.set_result(None)

    async def _print_on(self, job: _Job) -> None:
        """Carry out the print's next line, or end it after the last."""
        if job.next == len(job.lines):
            self._machine.finish()
            await self._pace.until(self._machine.now_s)
            job.ended = job.ended or "finished"
            return
        index = job.next
        job.next += 1
        self._reached("line", job.next)
        layer = job.survey.begins.get(index)
        if layer is not None:
            job.layer = layer
        await self._execute(job.lines[index], "print", layer)

    async def _execute(self, text: str, source: Source, layer: Layer | None = None) -> None:
        machine = self._machine
        if self._rested:
            machine.wait_until(self._pace.simulated())
            self._rested = False
        console = machine.execute(text, source)
        self._log.write(self._record(text, source))
        if layer is not None and self._tell_layers:
            self._changed(console)
            self._reached("layer", layer.number)
        elif console:
            self._changed(console)
        await self._pace.until(machine.now_s)

    def _record(self, text: str, source: Source) -> dict[str, object]:
        state, now_s = self._machine.state, self._machine.now_s
        record: dict[str, object] = {
            "t": round(now_s, 6),
            "mono_s": self._pace.now(),
            "line": text,
            "from": source,
            "at": axes(state.position),
            "absolute": state.absolute,
            "absolute_extrusion": state.absolute_extrusion,
            "feed": state.feed_mm_min,
            "retracted": state.retracted,
        }
        if source == "run":
            record["head_at"] = self._machine.head(now_s)[0]
        return record

    def note(self, event: str, **more: object) -> None:
        """Put something other than a line on record."""
        self._log.write({"t": round(self._machine.now_s, 6), "mono_s": self._pace.now(), "event": event, **more})
        self._log.flush()
