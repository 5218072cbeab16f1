"""Waiting for what tells nobody of its coming: other processes, terminals, files."""

import asyncio
from collections.abc import Callable

PATIENCE_S = 60.0
"""A machine that is five times slower and busy besides has to do in it."""


async def until(condition: Callable[[], object], within_s: float = PATIENCE_S) -> None:
    """Wait until `condition()` holds; TimeoutError where it never does."""
    async with asyncio.timeout(within_s):
        while not condition():  # noqa: ASYNC110 - no event comes from there
            await asyncio.sleep(0.005)
