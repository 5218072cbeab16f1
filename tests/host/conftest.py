import asyncio
import contextlib
import json
import logging
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import AbstractAsyncContextManager
from typing import Any

import pytest
from websockets.asyncio.server import ServerConnection, serve

from lapsed.host.feed import Feed
from lapsed.host.fold import HostState, fold
from lapsed.model import HostEvent, PrintInfo
from lapsed.settings import FeedLink

# The servers here break on purpose; their own log says nothing of what is tested.
_quiet = logging.getLogger("test host")
_quiet.setLevel(logging.CRITICAL)

Handler = Callable[[ServerConnection], Awaitable[None]]


def job(**facts: object) -> dict[str, object]:
    return {"jsonrpc": "2.0", "method": "bench.news", "params": {"job": facts}}


def head(**facts: object) -> dict[str, object]:
    return {"jsonrpc": "2.0", "method": "bench.news", "params": {"head": facts}}


@pytest.fixture(name="job")
def _job() -> Callable[..., dict[str, object]]:
    return job


@pytest.fixture(name="head")
def _head() -> Callable[..., dict[str, object]]:
    return head


@pytest.fixture(name="told")
def _told() -> Callable[..., tuple[HostState, list[HostEvent]]]:
    """Fold messages one after the other and return the state and all events."""

    def told(
        *messages: object, state: HostState | None = None, link: FeedLink | None = None
    ) -> tuple[HostState, list[HostEvent]]:
        state, link = state or HostState(), link or FeedLink(url="ws://host")
        events: list[HostEvent] = []
        for message in messages:
            state, more = fold(state, message, link)
            events += more
        return state, events

    return told


class Following:
    """A feed at work, and what it told."""

    def __init__(self, link: FeedLink, known: PrintInfo | None) -> None:
        self.feed = Feed(link, self._emit, known=known)
        self.events: list[HostEvent] = []
        self._news = asyncio.Event()

    def _emit(self, event: HostEvent) -> None:
        self.events.append(event)
        self._news.set()

    async def until(self, kind: type, times: int = 1) -> list[Any]:
        """The events of `kind` once there are so many."""
        async with asyncio.timeout(60):
            while len(found := [event for event in self.events if isinstance(event, kind)]) < times:
                self._news.clear()
                await self._news.wait()
        return found


@pytest.fixture
def following() -> Callable[..., AbstractAsyncContextManager[Following]]:
    """A feed that follows `url`, with nothing to say on connecting and short waits unless told otherwise."""

    @contextlib.asynccontextmanager
    async def follow(url: str, *, known: PrintInfo | None = None, **link: object) -> AsyncIterator[Following]:
        given = {"url": url, "retry_most_s": 0.02, "on_connect": (), **link}
        follower = Following(FeedLink.model_validate(given), known)
        running = asyncio.create_task(follower.feed.run())
        try:
            yield follower
        finally:
            running.cancel()
            await asyncio.wait([running])
            assert running.cancelled(), running.exception()

    return follow


@pytest.fixture
def hosting() -> Callable[..., AbstractAsyncContextManager[str]]:
    """A host on the loopback whose connections are served by `handler`; gives its address."""

    @contextlib.asynccontextmanager
    async def host(handler: Handler, port: int = 0) -> AsyncIterator[str]:
        async with serve(handler, "127.0.0.1", port, close_timeout=0.1, logger=_quiet) as server:
            yield f"ws://127.0.0.1:{server.sockets[0].getsockname()[1]}/"

    return host


@pytest.fixture
def saying() -> Callable[..., Handler]:
    """Makes a host that says some messages and then keeps the connection."""

    def saying(*messages: object) -> Handler:
        async def handler(host: ServerConnection) -> None:
            for message in messages:
                await host.send(json.dumps(message))
            await host.wait_closed()

        return handler

    return saying


@pytest.fixture
def answering() -> Callable[[Callable[[dict[str, Any]], object]], Handler]:
    """Makes a host that answers each request with what a function makes of it, None being silence."""

    def answering(answer: Callable[[dict[str, Any]], object]) -> Handler:
        async def handler(host: ServerConnection) -> None:
            async for text in host:
                reply = answer(json.loads(text))
                if reply is not None:
                    await host.send(json.dumps(reply))

        return handler

    return answering
