"""Simulated time against real time."""

import asyncio
from collections.abc import Awaitable, Callable

from lapsed import clock

LAG_S = 0.005
"""Real time that may be slept through late or run ahead of: finer sleeping costs more than it tells."""

TURN_S = 0.002
"""Real time after which others get their turn on the event loop."""

BEHIND_S = 0.25
"""Real time by which a slow computer may fall behind before simulated time is stretched instead of caught up."""


class Pace:
    """Lets simulated time pass `speed` times as fast as real time, sleeping coarsely.

    `now` tells real seconds and `sleep` waits for some; tests give their own and need not wait.
    """

    def __init__(
        self,
        speed: float = 1.0,
        *,
        now: Callable[[], float] = clock.monotonic,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
    ) -> None:
        self.speed = speed
        self.now = now
        self.sleep = sleep
        self._real = self._turn = now()
        self._simulated = 0.0

    def simulated(self) -> float:
        """Seconds of simulated time now."""
        return self._simulated + (self.now() - self._real) * self.speed

    async def until(self, simulated: float) -> None:
        """Wait until simulated time is `simulated` s, or about to be."""
        now = self.now()
        ahead = self._real + (simulated - self._simulated) / self.speed - now
        if ahead < -BEHIND_S:
            self._real, self._simulated = now, simulated
        if ahead > LAG_S:
            await self.sleep(ahead)
        elif now - self._turn > TURN_S:
            await self.sleep(0)
        else:
            return
        self._turn = self.now()
