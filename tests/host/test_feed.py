import asyncio
import json
import logging
from collections.abc import Awaitable, Callable
from contextlib import AbstractAsyncContextManager
from itertools import pairwise
from typing import Any

import pytest
from websockets.asyncio.server import ServerConnection

from lapsed.clock import monotonic
from lapsed.host.feed import LARGEST_BYTES
from lapsed.model import ConsoleSeen, LayerSeen, LinkDown, LinkUp, PrintInfo, PrintStarted, ProgressSeen
from lapsed.settings import Call

Say = Callable[..., dict[str, object]]
Handler = Callable[[ServerConnection], Awaitable[None]]
Saying = Callable[..., Handler]
Answering = Callable[[Callable[[dict[str, Any]], object]], Handler]
Hosting = Callable[..., AbstractAsyncContextManager[str]]
Following = Callable[..., AbstractAsyncContextManager[Any]]


async def _say(host: ServerConnection, *messages: object) -> None:
    for message in messages:
        await host.send(json.dumps(message))


async def test_tells_what_the_host_says(hosting: Hosting, saying: Saying, following: Following, job: Say) -> None:
    async with hosting(saying(job(stage="running", file="vase"), job(layer=1))) as url, following(url) as host:
        await host.until(LayerSeen)
        assert host.events == [LinkUp(), PrintStarted(PrintInfo("vase"), joined=True), LayerSeen(1)]
        assert host.feed.connected


async def test_the_calls_for_connecting_are_said_and_their_replies_read(
    hosting: Hosting, answering: Answering, following: Following
) -> None:
    heard: list[dict[str, Any]] = []

    def answer(request: dict[str, Any]) -> object:
        heard.append(request)
        return {"id": request["id"], "result": {"job": {"stage": "running", "layer": len(heard)}}}

    calls = (Call(method="bench.watch"), Call(method="bench.tell", params={"all": True}))
    async with hosting(answering(answer)) as url, following(url, on_connect=calls) as host:
        assert await host.until(LayerSeen, 2) == [LayerSeen(1), LayerSeen(2)]
    assert [(one["jsonrpc"], one["method"], one.get("params")) for one in heard] == [
        ("2.0", "bench.watch", None),
        ("2.0", "bench.tell", {"all": True}),
    ]


async def test_a_host_that_is_not_ready_is_asked_again(
    hosting: Hosting, answering: Answering, following: Following
) -> None:
    heard: list[str] = []

    def answer(request: dict[str, Any]) -> object:
        heard.append(request["method"])
        if request["method"] == "bench.watch" and heard.count("bench.watch") < 3:
            return {"id": request["id"], "error": {"code": 1, "message": "still starting"}}
        return {"id": request["id"], "result": {"job": {"stage": "running", "layer": len(heard)}}}

    calls = (Call(method="bench.watch"), Call(method="bench.tell"))
    async with hosting(answering(answer)) as url, following(url, on_connect=calls) as host:
        await host.until(LayerSeen, 2)
        assert heard == ["bench.watch", "bench.tell", "bench.watch", "bench.watch"]
        assert host.events.count(LinkUp()) == 1


@pytest.mark.parametrize(
    ("garbage", "text"),
    [
        pytest.param(b"\xff\xfe\x00", True, id="text that is no UTF-8"),
        pytest.param(b"\x89PNG\r\n", False, id="binary"),
        pytest.param(b"{", True, id="half a message"),
        pytest.param(b"", True, id="nothing"),
        pytest.param(b"[" * 200_000, True, id="nested past any stack"),
        pytest.param(b"9" * 5000, True, id="a number of 5000 digits"),
    ],
)
async def test_garbage_is_counted_and_passed_over(
    hosting: Hosting,
    following: Following,
    job: Say,
    caplog: pytest.LogCaptureFixture,
    *,
    garbage: bytes,
    text: bool,
) -> None:
    async def handler(host: ServerConnection) -> None:
        for _ in range(9):
            await host.send(garbage, text=text)
        await _say(host, job(stage="running"))
        await host.wait_closed()

    with caplog.at_level(logging.INFO, "lapsed"):
        async with hosting(handler) as url, following(url) as host:
            await host.until(PrintStarted)
            assert host.feed.connected
            assert host.feed.unreadable == 9
    assert [record.levelname for record in caplog.records] == ["INFO", "WARNING"]


async def test_an_odd_fact_is_reported_once(
    hosting: Hosting, saying: Saying, following: Following, job: Say, caplog: pytest.LogCaptureFixture
) -> None:
    said = [job(layer="one")] * 50 + [job(stage="running", layer=[])]
    async with hosting(saying(*said)) as url, following(url) as host:
        await host.until(PrintStarted)
    odd = [record.getMessage() for record in caplog.records if "layer" in record.getMessage()]
    assert len(odd) == 1
    assert odd[0].endswith("tells layer as 'one' at /params/job/layer, ignored")


async def test_large_messages_are_read_and_larger_ones_cost_only_the_connection(
    hosting: Hosting, following: Following, job: Say
) -> None:
    async def handler(host: ServerConnection) -> None:
        await _say(host, {**job(stage="running", layer=1), "more": "x" * 1_000_000})
        await _say(host, {"more": "x" * LARGEST_BYTES})
        await host.wait_closed()

    async with hosting(handler) as url, following(url) as host:
        assert (await host.until(LinkDown))[0].reason == "it sent a message of more than 4 MiB"
        await host.until(LayerSeen, 2)


async def test_a_flood_leaves_the_event_loop_turning(hosting: Hosting, following: Following, job: Say) -> None:
    count = 5000
    done = asyncio.Event()

    async def handler(host: ServerConnection) -> None:
        # Written at once, as a host does whose backlog comes loose.
        host.protocol.send_text(json.dumps(job(stage="running")).encode())
        for number in range(count):
            host.protocol.send_text(json.dumps(job(done=number / count)).encode())
        host.transport.write(b"".join(host.protocol.data_to_send()))
        await host.wait_closed()

    turns: list[float] = []

    async def turn() -> None:
        while not done.is_set():
            turns.append(monotonic())
            await asyncio.sleep(0)

    async with hosting(handler) as url, following(url) as host:
        turning = asyncio.create_task(turn())
        await host.until(ProgressSeen, count)
        done.set()
        await turning
    # A turn of the loop may hold one read of 256 kB (asyncio's own), its frames, and _TURN_S of folding.
    assert max(later - earlier for earlier, later in pairwise(turns)) < 0.25
    assert len(turns) > 20


async def test_a_message_is_an_event_well_within_the_budget(hosting: Hosting, following: Following, job: Say) -> None:
    lag: list[float] = []

    async def handler(host: ServerConnection) -> None:
        for number in range(200):
            sent_s = monotonic()
            await _say(host, {"params": {"console": str(number), "job": {"layer": number, "stage": "running"}}})
            await news.get()
            lag.append(monotonic() - sent_s)
        await host.wait_closed()

    news: asyncio.Queue[None] = asyncio.Queue()
    async with hosting(handler) as url, following(url) as host:
        taken = 0
        while taken < 200:
            await host.until(ConsoleSeen, taken + 1)
            taken += 1
            news.put_nowait(None)
    # The budget is 5 ms from cue to release, p99; this is the whole way there and back, on a machine with other work.
    assert sorted(lag)[len(lag) // 2] < 0.005
