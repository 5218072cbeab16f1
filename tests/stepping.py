"""A simulated print that waits for its shots."""

import asyncio
from collections.abc import Callable

from lapsed.sim.bench import Bench
from lapsed.sim.pace import Pace


class StepByStep(Pace):
    """Simulated time that stands still at each layer's first move until the daemon holds the print for it.

    However slow the computer, the print is then never a layer ahead of its shots. If it `rests`, it stands still after
    each hold as well, until `rested`.
    """

    def __init__(self, *, rests: bool) -> None:
        super().__init__(150)
        self.rests = rests
        self.bench: Bench | None = None
        self.rested: Callable[[], bool] = lambda: True
        self._layer = 0
        self._held = False

    async def until(self, simulated: float) -> None:
        await super().until(simulated)
        assert self.bench is not None
        layer = self.bench.facts()["job"].get("layer", 0)
        if layer > self._layer:
            self._layer = layer
            await self._stand_until(lambda: self.bench.stage != "running")
            self._held = True
        elif self.rests and self._held and self.bench.stage == "running":
            self._held = False
            await self._stand_until(self.rested)

    async def _stand_until(self, found: Callable[[], bool]) -> None:
        until = self.now() + 60
        while not found() and self.now() < until:  # noqa: ASYNC110 - another part of the program is waited for
            await asyncio.sleep(0.005)
