"""The yard where chaos happens: a simulated host in this process, real daemons and camera workers beside it."""

import asyncio
from pathlib import Path
from types import TracebackType
from typing import Self

from lapsed import clock
from lapsed.sim.host import SimHost
from lapsed.sim.machine import Machine
from lapsed.sim.pace import Pace
from tests import configured
from tests.chaos.lives import Lives

HOLD_LIMIT_S = 4.0


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


class Yard(Lives):
    """One simulated host and one store, with a daemon after another; up while the context lasts.

    `deaf` holds the times, on the monotonic clock, during which no daemon listened to the host: print and hold are
    the host's own then; `excused` those in which the print may wait for someone else.
    """

    def __init__(self, folder: Path, *, speed: float = 60.0) -> None:
        super().__init__(folder)
        self.host = SimHost(pace=Pace(speed), machine=Machine(buffer_moves=4))
        self.deaf: list[tuple[float, float]] = []
        self.excused: list[tuple[float, float]] = []

    async def __aenter__(self) -> Self:
        await self.host.__aenter__()
        self.config.write_text(
            configured.written(
                self.store,
                f'url = "{self.host.url}"\nretry_most_s = 0.2\nreply_within_s = 1.0\nsilent_after_s = 1.0',
                cadence=f"every_layers = 1\nhold_limit_s = {HOLD_LIMIT_S}",
            )
        )
        await self.begin()
        self._tasks.append(asyncio.create_task(self._watch()))
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.end()
        await self.host.__aexit__(kind, error, trace)

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

    async def ready(self) -> None:
        """Until a daemon listens and its camera is there."""
        await self.seen()
        await self.until(lambda: bool(self.host._watchers))
