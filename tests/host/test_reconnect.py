import asyncio
import base64
import contextlib
import hashlib
import json
import logging
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import AbstractAsyncContextManager
from pathlib import Path
from typing import Any

import pytest
from websockets.asyncio.client import ClientConnection
from websockets.asyncio.server import ServerConnection

from lapsed.host import feed
from lapsed.host.feed import next_delay_s
from lapsed.model import LayerSeen, LinkDown, LinkUp, Outcome, PrintEnded, PrintInfo, PrintStarted

Say = Callable[..., dict[str, object]]
Handler = Callable[[ServerConnection], Awaitable[None]]
Saying = Callable[..., Handler]
Hosting = Callable[..., AbstractAsyncContextManager[str]]
Following = Callable[..., AbstractAsyncContextManager[Any]]


async def test_a_connection_cut_in_mid_message_is_made_anew(hosting: Hosting, following: Following, job: Say) -> None:
    async def handler(host: ServerConnection) -> None:
        await host.send(json.dumps(job(stage="running", file="vase", layer=3)))
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


async def test_a_host_restarted_ten_times_is_found_ten_times(
    hosting: Hosting, saying: Saying, following: Following, job: Say
) -> None:
    async with hosting(saying(job(stage="running", layer=0))) as url:
        port = int(url.rstrip("/").rpartition(":")[2])
    async with following(url) as host:
        for life in range(1, 11):
            async with hosting(saying(job(stage="running", layer=life)), port):
                await host.until(LayerSeen, life)
                assert host.feed.connected
            await host.until(LinkDown, life)
            assert not host.feed.connected
        assert await host.until(LayerSeen) == [LayerSeen(life) for life in range(1, 11)]
        assert {event.reason for event in await host.until(LinkDown)} == {
            "the host closed the connection, code 1001 (going away)"
        }


async def test_a_host_that_hangs_up_a_thousand_times_leaves_no_task_and_no_descriptor_behind(
    hosting: Hosting, following: Following, job: Say, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def once(connection: ServerConnection) -> None:
        await connection.send(json.dumps(job(stage="running", layer=1)))
        connection.transport.abort()

    def held() -> int:
        return len(list(Path("/proc/self/fd").iterdir())) + len(asyncio.all_tasks())

    monkeypatch.setattr(feed, "next_delay_s", lambda *_: 0.0)
    async with hosting(once) as url, following(url) as host:
        await host.until(LinkDown, 20)
        early = held()
        await host.until(LinkDown, 1000)
        assert held() < early + 20  # some are on their way out, none stays
        assert len(await host.until(PrintStarted)) >= 1000  # each life begins with what the host tells


async def test_a_print_that_ends_before_we_can_hear_it_is_told_to_have_ended(
    hosting: Hosting, saying: Saying, following: Following, job: Say
) -> None:
    async with hosting(saying(job(stage="idle"))) as url, following(url, known=PrintInfo("vase")) as host:
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
    hosting: Hosting, saying: Saying, following: Following, monkeypatch: pytest.MonkeyPatch
) -> None:
    pongs: asyncio.Queue[float] = asyncio.Queue()
    ping = ClientConnection.ping

    async def counted(connection: ClientConnection) -> Awaitable[float]:
        pong: asyncio.Future[float] = asyncio.ensure_future(await ping(connection))
        pong.add_done_callback(lambda answer: None if answer.cancelled() else pongs.put_nowait(answer.result()))
        return pong

    monkeypatch.setattr(ClientConnection, "ping", counted)
    async with hosting(saying()) as url, following(url, silent_after_s=0.01, reply_within_s=5) as host:
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


@pytest.mark.parametrize("url", ["ws://a..b/", "ws://" + "x" * 100 + "/"])
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
