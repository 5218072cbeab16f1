import asyncio
import base64
import contextlib
import hashlib
import json
import logging
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import AbstractAsyncContextManager
from itertools import pairwise
from typing import Any

import pytest
from websockets.asyncio.client import ClientConnection
from websockets.asyncio.server import ServerConnection

from lapsed.clock import monotonic
from lapsed.errors import RetryError
from lapsed.host.feed import LARGEST_BYTES, next_delay_s
from lapsed.model import (
    ConsoleSeen,
    LayerSeen,
    LinkDown,
    LinkUp,
    Outcome,
    PrintEnded,
    PrintInfo,
    PrintStarted,
    ProgressSeen,
)
from lapsed.settings import Call

Say = Callable[..., dict[str, object]]
Handler = Callable[[ServerConnection], Awaitable[None]]
Hosting = Callable[..., AbstractAsyncContextManager[str]]
Following = Callable[..., AbstractAsyncContextManager[Any]]

HOLD = Call(method="job.hold")
RUN = Call(method="lines.run", params={"lines": "{lines}"})
NO_CALLS = {"protocol": "json", "ask": None, "run": None, "hold": None, "resume": None}


async def _say(host: ServerConnection, *messages: object) -> None:
    for message in messages:
        await host.send(json.dumps(message))


def _saying(*messages: object) -> Handler:
    """A host that says `messages` and then keeps the connection."""

    async def handler(host: ServerConnection) -> None:
        await _say(host, *messages)
        await host.wait_closed()

    return handler


def _answering(answer: Callable[[dict[str, Any]], object]) -> Handler:
    """A host that answers each request with what `answer` makes of it, None being silence."""

    async def handler(host: ServerConnection) -> None:
        async for text in host:
            reply = answer(json.loads(text))
            if reply is not None:
                await _say(host, reply)

    return handler


# ------------------------------------------------------------------------------------------------ what the host says


async def test_tells_what_the_host_says(hosting: Hosting, following: Following, job: Say) -> None:
    async with hosting(_saying(job(stage="running", file="vase"), job(layer=1))) as url, following(url) as host:
        await host.until(LayerSeen)
        assert host.events == [LinkUp(), PrintStarted(PrintInfo("vase"), joined=True), LayerSeen(1)]
        assert host.feed.connected


async def test_the_calls_for_connecting_are_said_and_their_replies_read(hosting: Hosting, following: Following) -> None:
    heard: list[dict[str, Any]] = []

    def answer(request: dict[str, Any]) -> object:
        heard.append(request)
        return {"id": request["id"], "result": {"job": {"stage": "running", "layer": len(heard)}}}

    calls = (Call(method="bench.watch"), Call(method="bench.tell", params={"all": True}))
    async with hosting(_answering(answer)) as url, following(url, on_connect=calls) as host:
        assert await host.until(LayerSeen, 2) == [LayerSeen(1), LayerSeen(2)]
    assert [(one["jsonrpc"], one["method"], one.get("params")) for one in heard] == [
        ("2.0", "bench.watch", None),
        ("2.0", "bench.tell", {"all": True}),
    ]


async def test_a_host_that_is_not_ready_is_asked_again(hosting: Hosting, following: Following) -> None:
    heard: list[str] = []

    def answer(request: dict[str, Any]) -> object:
        heard.append(request["method"])
        if request["method"] == "bench.watch" and heard.count("bench.watch") < 3:
            return {"id": request["id"], "error": {"code": 1, "message": "still starting"}}
        return {"id": request["id"], "result": {"job": {"stage": "running", "layer": len(heard)}}}

    calls = (Call(method="bench.watch"), Call(method="bench.tell"))
    async with hosting(_answering(answer)) as url, following(url, on_connect=calls) as host:
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
    hosting: Hosting, following: Following, job: Say, caplog: pytest.LogCaptureFixture
) -> None:
    said = [job(layer="one")] * 50 + [job(stage="running", layer=[])]
    async with hosting(_saying(*said)) as url, following(url) as host:
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


# --------------------------------------------------------------------------------------------- losing and finding it


async def test_a_connection_cut_in_mid_message_is_made_anew(hosting: Hosting, following: Following, job: Say) -> None:
    async def handler(host: ServerConnection) -> None:
        await _say(host, job(stage="running", file="vase", layer=3))
        # RFC 6455, section 5.2: a text frame that announces 4096 bytes (0x7e: length in the next two), then 5 of them.
        host.transport.write(b"\x81\x7e\x10\x00" + b'{"par')
        await asyncio.sleep(0)
        host.transport.close()

    async with hosting(handler) as url, following(url) as host:
        assert (await host.until(LinkDown))[0] == LinkDown("the connection broke")
        first, second, *_ = await host.until(LinkUp, 2)
        assert first == LinkUp(None)
        assert 0 < second.gap_s < 5
        await host.until(LayerSeen, 2)
        assert host.events[:7] == [
            LinkUp(),
            PrintStarted(PrintInfo("vase"), joined=True),
            LayerSeen(3),
            LinkDown("the connection broke"),
            second,
            PrintStarted(PrintInfo("vase"), joined=True),
            LayerSeen(3),
        ]


async def test_a_host_that_breaks_the_protocol_is_left_and_tried_again(hosting: Hosting, following: Following) -> None:
    async def handler(host: ServerConnection) -> None:
        host.transport.write(b"\x83\x00")  # RFC 6455, section 5.2: opcode 3 is reserved
        await host.wait_closed()

    async with hosting(handler) as url, following(url) as host:
        assert (await host.until(LinkDown))[0].reason.startswith("the host broke the WebSocket protocol, code 1002")
        await host.until(LinkUp, 2)


async def test_a_host_restarted_ten_times_is_found_ten_times(hosting: Hosting, following: Following, job: Say) -> None:
    async with hosting(_saying(job(stage="running", layer=0))) as url:
        port = int(url.rstrip("/").rpartition(":")[2])
    async with following(url) as host:
        for life in range(1, 11):
            async with hosting(_saying(job(stage="running", layer=life)), port):
                await host.until(LayerSeen, life)
                assert host.feed.connected
            await host.until(LinkDown, life)
            assert not host.feed.connected
        assert await host.until(LayerSeen) == [LayerSeen(life) for life in range(1, 11)]
        assert {event.reason for event in await host.until(LinkDown)} == {
            "the host closed the connection, code 1001 (going away)"
        }


async def test_a_print_that_ends_before_we_can_hear_it_is_told_to_have_ended(
    hosting: Hosting, following: Following, job: Say
) -> None:
    async with hosting(_saying(job(stage="idle"))) as url, following(url, known=PrintInfo("vase")) as host:
        assert await host.until(PrintEnded) == [PrintEnded(Outcome.LOST, "it ended while the host could not be heard")]


@contextlib.asynccontextmanager
async def _deaf_host(*, talks: bool) -> AsyncIterator[str]:
    """A host that shakes hands and then never answers a ping; it tells its layer on and on if it `talks`."""
    tasks: set[asyncio.Task[None]] = set()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        tasks.add(asyncio.current_task())  # type: ignore[arg-type]  # a coroutine always runs in one
        with contextlib.suppress(ConnectionError):
            asked = (await reader.readuntil(b"\r\n\r\n")).decode()
            key = next(line.split(": ")[1] for line in asked.split("\r\n") if line.startswith("Sec-WebSocket-Key"))
            # RFC 6455, section 4.2.2.
            digest = hashlib.sha1((key + "258EAFA5-E914-47DA-95CA-C5AB0DC85B11").encode(), usedforsecurity=False)
            writer.write(
                b"HTTP/1.1 101 Switching Protocols\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
                b"Sec-WebSocket-Accept: " + base64.b64encode(digest.digest()) + b"\r\n\r\n"
            )
            layer = 0
            while not reader.at_eof():
                if talks:
                    layer += 1
                    text = json.dumps({"params": {"job": {"stage": "running", "layer": layer}}}).encode()
                    writer.write(b"\x81" + bytes([len(text)]) + text)
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(reader.read(4096), 0.02)
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    try:
        yield f"ws://127.0.0.1:{server.sockets[0].getsockname()[1]}/"
    finally:
        server.close()
        await asyncio.wait(tasks)


async def test_a_silent_host_is_given_up_and_called_anew(following: Following, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("lapsed.host.feed._CLOSE_WITHIN_S", 0.02)
    async with _deaf_host(talks=False) as url, following(url, silent_after_s=0.05, reply_within_s=0.05) as host:
        assert (await host.until(LinkDown))[0].reason == "the host fell silent and did not answer a ping"
        await host.until(LinkUp, 2)


async def test_a_host_that_talks_need_not_answer_pings(following: Following, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("lapsed.host.feed._CLOSE_WITHIN_S", 0.02)
    # Each gap in its talk is long enough for a ping.
    async with _deaf_host(talks=True) as url, following(url, silent_after_s=0.005, reply_within_s=0.1) as host:
        await host.until(LayerSeen, 20)
        assert not [event for event in host.events if isinstance(event, LinkDown)]


async def test_a_quiet_host_that_answers_pings_is_kept(
    hosting: Hosting, following: Following, monkeypatch: pytest.MonkeyPatch
) -> None:
    pongs: asyncio.Queue[float] = asyncio.Queue()
    ping = ClientConnection.ping

    async def counted(connection: ClientConnection) -> Awaitable[float]:
        pong: asyncio.Future[float] = asyncio.ensure_future(await ping(connection))
        pong.add_done_callback(lambda answer: None if answer.cancelled() else pongs.put_nowait(answer.result()))
        return pong

    monkeypatch.setattr(ClientConnection, "ping", counted)
    async with hosting(_saying()) as url, following(url, silent_after_s=0.01, reply_within_s=5) as host:
        async with asyncio.timeout(5):
            for _ in range(3):
                await pongs.get()
        assert host.events == [LinkUp()]


async def test_a_host_that_is_no_websocket_is_tried_on_and_said_once(
    following: Following, caplog: pytest.LogCaptureFixture
) -> None:
    tries = 0
    enough = asyncio.Event()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal tries
        tries += 1
        writer.write(b"HTTP/1.1 404 Not Found\r\nContent-Length: 0\r\n\r\n" if tries % 2 else b"SSH-2.0\r\n")
        writer.close()
        if tries == 5:
            enough.set()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    with caplog.at_level(logging.INFO, "lapsed"):
        async with server, following(f"ws://user:secret@127.0.0.1:{port}/") as host:
            await asyncio.wait_for(enough.wait(), 5)
            assert (host.events, host.feed.connected) == ([], False)
    assert [record.levelname for record in caplog.records] == ["WARNING"]
    assert "secret" not in caplog.text


@pytest.mark.parametrize("url", ["ws://", "ws://host.invalid:99999/", "ws://" + "x" * 100 + "/", "ws://[/"])
async def test_an_address_that_can_be_none_never_ends_the_feed(
    following: Following, caplog: pytest.LogCaptureFixture, url: str
) -> None:
    async with following(url) as host:
        async with asyncio.timeout(5):
            while not caplog.records:  # noqa: ASYNC110 - what is waited for is a line in the log
                await asyncio.sleep(0.001)
        assert "cannot be reached" in caplog.text
        assert not host.feed.connected
    # The loop looks names up in a thread of its own, which it keeps.
    await asyncio.get_running_loop().shutdown_default_executor()


def test_waits_double_up_to_the_longest_and_start_anew_after_a_life() -> None:
    waits = [0.0]
    while len(waits) < 9:
        waits.append(next_delay_s(waits[-1], 0.0, 15.0))
    assert waits == [0.0, 0.2, 0.4, 0.8, 1.6, 3.2, 6.4, 12.8, 15.0]
    assert next_delay_s(15.0, 14.0, 15.0) == 15.0
    assert next_delay_s(15.0, 16.0, 15.0) == 0.2
    assert next_delay_s(0.2, 3600.0, 0.1) == 0.1


# ------------------------------------------------------------------------------------------------------- calling it


async def test_what_a_reply_tells_is_told_before_the_call_returns(hosting: Hosting, following: Following) -> None:
    def answer(request: dict[str, Any]) -> object:
        return {"id": request["id"], "result": {"job": {"stage": "held"}, "lines": request["params"]["lines"]}}

    async with hosting(_answering(answer)) as url, following(url) as host:
        await host.until(LinkUp)
        await host.feed.call(RUN, ["G1 X1"])
        assert isinstance(host.events[1], PrintStarted)


@pytest.mark.parametrize(
    ("answer", "within_s", "says"),
    [
        (
            lambda request: {"id": request["id"], "error": {"code": -32601, "message": "no {such} method"}},
            None,
            "refused job.hold: no {such} method",
        ),
        (lambda _: None, 0.02, "did not answer job.hold within 0.02 s"),
        (lambda request: {"id": request["id"] + 1, "result": 1}, 0.02, "did not answer job.hold within 0.02 s"),
    ],
    ids=["refused", "silent", "answer to another"],
)
async def test_calls_that_fail_say_why_and_the_next_one_works(
    hosting: Hosting, following: Following, answer: Any, within_s: float | None, says: str
) -> None:
    def answers(request: dict[str, Any]) -> object:
        return {"id": request["id"], "result": 1} if request["method"] == "lines.run" else answer(request)

    async with hosting(_answering(answers)) as url, following(url) as host:
        await host.until(LinkUp)
        with pytest.raises(RetryError, match=r"the host at 127\.0\.0\.1:[0-9]+ ") as caught:
            await host.feed.call(HOLD, within_s=within_s)
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
        await _say(host, replies)
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
                await _say(host, *({"id": number, "result": {}} for number in heard))

    async with hosting(handler) as url, following(url) as host:
        await host.until(LinkUp)
        call = asyncio.create_task(host.feed.call(HOLD))
        await asked.wait()
        call.cancel()
        with pytest.raises(asyncio.CancelledError):
            await call
        await host.feed.call(HOLD)
        assert host.feed._waiting == {}


async def test_message_to_event_takes_well_under_a_millisecond(
    hosting: Hosting, following: Following, job: Say
) -> None:
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
