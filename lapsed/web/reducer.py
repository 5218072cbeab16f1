"""Has pictures reduced by a child process that ends when nobody has looked for a while."""

import asyncio
import heapq
import json
import sys
from asyncio.subprocess import PIPE, Process
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from lapsed.errors import RetryError, UserError

CHILD = "lapsed.clip.reduction"

ANSWER_WITHIN_S = 20.0
"""Past this the child has hung on a picture, and is ended."""

REST_AFTER_S = 60.0
"""How long an unused child keeps its memory."""

MOST_WAITING = 64
"""Pictures that may wait for the child; whoever asks for more is told to ask later."""


@dataclass(frozen=True, slots=True)
class Reduced:
    """A reduced picture and its measure."""

    jpeg: bytes
    measure: dict[str, Any]
    size: tuple[int, int]


class Reducer:
    """One child for all; pictures are reduced one after another, those that someone waits for before all others."""

    def __init__(self) -> None:
        self._child: Process | None = None
        self._busy = False
        self._queue: list[tuple[bool, int, asyncio.Future[None]]] = []
        self._asked = 0
        self._rest: asyncio.TimerHandle | None = None

    async def reduce(self, order: dict[str, Any], *, later: bool = False) -> Reduced:
        """Carry out an order as `lapsed.clip.reduction` describes it; `later` lets others go first.

        Raises UserError for a picture that can't be reduced, RetryError when too many wait or the child failed.
        """
        if len(self._queue) >= MOST_WAITING:
            raise RetryError("too many pictures are waiting to be reduced; ask again in a moment")
        await self._turn(later=later)
        try:
            return await self._reduce(order)
        finally:
            self._next()

    async def _turn(self, *, later: bool) -> None:
        if not self._busy:
            self._busy = True
            return
        self._asked += 1
        waiter: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        heapq.heappush(self._queue, (later, self._asked, waiter))
        try:
            await waiter
        except asyncio.CancelledError:
            if waiter.done() and not waiter.cancelled():
                self._next()  # the turn had come just then
            raise

    def _next(self) -> None:
        while self._queue:
            _, _, waiter = heapq.heappop(self._queue)
            if not waiter.done():
                waiter.set_result(None)
                return
        self._busy = False

    async def end(self) -> None:
        """End the child."""
        if self._rest is not None:
            self._rest.cancel()
            self._rest = None
        child, self._child = self._child, None
        if child is not None and child.returncode is None:
            child.kill()
            await child.wait()

    async def _reduce(self, order: dict[str, Any]) -> Reduced:
        if self._rest is not None:
            self._rest.cancel()
        try:
            async with asyncio.timeout(ANSWER_WITHIN_S):
                answered = await self._exchange(order)
        except (TimeoutError, asyncio.IncompleteReadError, ConnectionError, json.JSONDecodeError) as error:
            await self.end()
            raise RetryError(f"{Path(order['path']).name} could not be reduced; it may be damaged") from error
        except asyncio.CancelledError:
            await self.end()  # its answer would be taken for the next order's
            raise
        self._rest = asyncio.get_running_loop().call_later(REST_AFTER_S, self._let_rest)
        return answered

    async def _exchange(self, order: dict[str, Any]) -> Reduced:
        if self._child is None or self._child.returncode is not None:
            self._child = await asyncio.create_subprocess_exec(
                sys.executable, "-P", "-m", CHILD, stdin=PIPE, stdout=PIPE
            )
        pipe_in, pipe_out = self._child.stdin, self._child.stdout
        assert pipe_in is not None  # noqa: S101 - asked for above
        assert pipe_out is not None  # noqa: S101 - likewise
        pipe_in.write(json.dumps(order).encode() + b"\n")
        await pipe_in.drain()
        head = json.loads(await pipe_out.readline())
        if "problem" in head:
            raise UserError(head["problem"])
        jpeg = await pipe_out.readexactly(head["bytes"])
        width, height = head["size"]
        return Reduced(jpeg, head["measure"], (width, height))

    def _let_rest(self) -> None:
        if self._child is not None and self._child.stdin is not None and not self._busy:
            self._child.stdin.close()  # it ends by itself
            self._child = None
