import asyncio
import json
from collections.abc import Awaitable, Callable
from contextlib import AbstractAsyncContextManager
from typing import Any

import pytest
from websockets.asyncio.server import ServerConnection

from lapsed.errors import RetryError
from lapsed.model import LinkUp, PrintStarted
from lapsed.settings import Call

Handler = Callable[[ServerConnection], Awaitable[None]]
Answering = Callable[[Callable[[dict[str, Any]], object]], Handler]
Hosting = Callable[..., AbstractAsyncContextManager[str]]
Following = Callable[..., AbstractAsyncContextManager[Any]]

HOLD = Call(method="job.hold")
RUN = Call(method="lines.run", params={"lines": "{lines}"})
NO_CALLS = {"protocol": "json", "ask": None, "run": None, "hold": None, "resume": None}


async def test_what_a_reply_tells_is_told_before_the_call_returns(
    hosting: Hosting, answering: Answering, following: Following
) -> None:
    def answer(request: dict[str, Any]) -> object:
        return {"id": request["id"], "result": {"job": {"stage": "held"}, "lines": request["params"]["lines"]}}

    async with hosting(answering(answer)) as url, following(url) as host:
        await host.until(LinkUp)
        await host.feed.call(RUN, ["G1 X1"])
        assert isinstance(host.events[1], PrintStarted)


@pytest.mark.parametrize(
    ("answer", "says"),
    [
        (
            lambda request: {"id": request["id"], "error": {"code": -32601, "message": "no {such} method"}},
            "refused job.hold: no {such} method",
        ),
        (lambda _: None, "did not answer job.hold within 0.3 s"),
        (lambda request: {"id": request["id"] + 1, "result": 1}, "did not answer job.hold within 0.3 s"),
    ],
    ids=["refused", "silent", "answer to another"],
)
async def test_calls_that_fail_say_why_and_the_next_one_works(
    hosting: Hosting, answering: Answering, following: Following, answer: Any, says: str
) -> None:
    def answers(request: dict[str, Any]) -> object:
        return {"id": request["id"], "result": 1} if request["method"] == "lines.run" else answer(request)

    async with hosting(answering(answers)) as url, following(url) as host:
        await host.until(LinkUp)
        with pytest.raises(RetryError, match=r"the host at 127\.0\.0\.1:[0-9]+ ") as caught:
            await host.feed.call(HOLD, within_s=0.3)
        assert str(caught.value).endswith(says)
        await host.feed.call(RUN, ["M400"])
        assert host.feed.connected


async def test_a_call_fails_at_once_when_the_host_goes_away(hosting: Hosting, following: Following) -> None:
    async def handler(host: ServerConnection) -> None:
        await host.recv()
        host.transport.abort()

    async with hosting(handler) as url, following(url, reply_within_s=60) as host:
        await host.until(LinkUp)
        async with asyncio.timeout(5):
            with pytest.raises(RetryError, match=r"went away before it answered job\.hold"):
                await host.feed.call(HOLD)


async def test_a_call_without_a_host_fails_at_once(following: Following) -> None:
    async with following("ws://127.0.0.1:9/") as host:
        with pytest.raises(RetryError, match=r"is not connected, so job\.hold was not sent"):
            await host.feed.call(HOLD)


async def test_plain_messages_are_sent_as_they_are(hosting: Hosting, following: Following) -> None:
    heard: asyncio.Queue[object] = asyncio.Queue()

    async def handler(host: ServerConnection) -> None:
        async for text in host:
            heard.put_nowait(json.loads(text))

    async with hosting(handler) as url, following(url, **NO_CALLS) as host:
        await host.until(LinkUp)
        await host.feed.call(Call(message={"do": {"lines": "{lines}"}}), ["M400", "G4 P1"])
        assert await asyncio.wait_for(heard.get(), 5) == {"do": {"lines": ["M400", "G4 P1"]}}


async def test_many_calls_at_once_each_get_their_own_answer(hosting: Hosting, following: Following) -> None:
    async def handler(host: ServerConnection) -> None:
        asked = [json.loads(await host.recv()) for _ in range(40)]
        replies: list[dict[str, object]] = [
            {"id": one["id"], "result": 1}
            if one["method"] == "even"
            else {"id": one["id"], "error": {"message": one["method"]}}
            for one in reversed(asked)
        ]
        await host.send(json.dumps(replies))
        await host.wait_closed()

    async with hosting(handler) as url, following(url) as host:
        await host.until(LinkUp)
        names = ["even" if number % 2 == 0 else f"odd {number}" for number in range(40)]
        ended = await asyncio.gather(*(host.feed.call(Call(method=name)) for name in names), return_exceptions=True)
    assert [str(end).rpartition(": ")[2] if end else "even" for end in ended] == names


async def test_a_cancelled_call_leaves_nothing_behind(hosting: Hosting, following: Following) -> None:
    heard: list[int] = []
    asked = asyncio.Event()

    async def handler(host: ServerConnection) -> None:
        async for text in host:
            heard.append(json.loads(text)["id"])
            asked.set()
            if len(heard) == 2:
                # The answer to the call that nobody waits for any more, and then the other's.
                for number in heard:
                    await host.send(json.dumps({"id": number, "result": {}}))

    async with hosting(handler) as url, following(url) as host:
        await host.until(LinkUp)
        call = asyncio.create_task(host.feed.call(HOLD))
        await asked.wait()
        call.cancel()
        with pytest.raises(asyncio.CancelledError):
            await call
        await host.feed.call(HOLD)
        assert host.feed._waiting == {}
