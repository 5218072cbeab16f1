"""How much of the daemon whoever can reach its port may use up."""

import asyncio
import contextlib
import json

import pytest

from lapsed.web import door, routes, server


@contextlib.asynccontextmanager
async def connected(site, count=1):
    """So many connections that ask for nothing."""
    made = [await asyncio.open_connection("127.0.0.1", site.server.port) for _ in range(count)]
    try:
        yield made
    finally:
        for _, writer in made:
            writer.close()


async def over(reader) -> bool:
    """Whether the connection is hung up on, before the library's own limit of 20 s."""
    try:
        return await asyncio.wait_for(reader.read(1), 15) == b""
    except ConnectionResetError:
        return True


async def test_connections_that_ask_for_nothing_give_way_and_the_page_is_served(site, monkeypatch):
    monkeypatch.setattr(door, "MOST_CONNECTIONS", 5)
    monkeypatch.setattr(door, "ASKED_WITHIN_S", 600.0)
    async with connected(site, 40) as made:
        assert (await site.get("/health"))[0] == 200
        open_ = [asyncio.create_task(over(reader)) for reader, _ in made]
        async with asyncio.timeout(30):
            while sum(task.done() for task in open_) < 35:  # noqa: ASYNC110 - the kernel tells of the ends
                await asyncio.sleep(0.01)
        assert all(task.result() for task in open_ if task.done())
        for task in open_:
            task.cancel()
        await asyncio.gather(*open_, return_exceptions=True)


@pytest.mark.parametrize("before", [False, True], ids=["its first request", "its second"])
@pytest.mark.parametrize("begun", [b"", b"GET /health HTT"], ids=["nothing", "half of one"])
async def test_headers_that_never_end_are_hung_up_on(site, monkeypatch, before, begun):
    monkeypatch.setattr(door, "ASKED_WITHIN_S", 0.1)
    async with connected(site) as ((reader, writer),):
        if before:
            writer.write(f"GET /health HTTP/1.1\r\nHost: {site.host}\r\n\r\n".encode())
            await asyncio.wait_for(reader.readuntil(b"}"), 30)
        writer.write(begun)
        if begun or not before:  # between requests it is the library that waits, for 20 s
            assert await over(reader)


async def test_a_body_that_never_ends_is_refused(site, monkeypatch):
    monkeypatch.setattr(routes, "BODY_WITHIN_S", 0.1)
    async with connected(site) as ((reader, writer),):
        head = f"POST /api/printers/pier/skip HTTP/1.1\r\nHost: {site.host}\r\nContent-Type: application/json\r\n"
        writer.write(f'{head}Content-Length: 20\r\n\r\n{{"on"'.encode())
        answer = await asyncio.wait_for(reader.read(4096), 30)
    assert b" 503 " in answer
    assert b"not whole within 0.1 s" in answer
    assert site.desk.asked == []


async def test_a_request_that_is_answered_for_long_is_not_hung_up_on(site, monkeypatch):
    monkeypatch.setattr(door, "ASKED_WITHIN_S", 0.05)
    async with connected(site) as ((reader, writer),):
        writer.write(f"GET /api/now/stream HTTP/1.1\r\nHost: {site.host}\r\n\r\n".encode())
        await asyncio.wait_for(reader.readuntil(b"data: "), 30)
        await asyncio.sleep(0.2)
        site.desk.change(skipping=True)
        await asyncio.wait_for(reader.readuntil(b'"skipping": true'), 30)


async def test_requests_are_limited_for_each_address(site, monkeypatch):
    monkeypatch.setattr(server, "RATE", (3, 0.0))
    told = [(await site.get("/health"))[0] for _ in range(5)]
    assert told == [200, 200, 200, 429, 429]


async def test_open_streams_are_limited(site, monkeypatch):
    monkeypatch.setattr(routes, "MOST_STREAMS", 1)
    async with connected(site) as ((reader, writer),):
        writer.write(f"GET /api/now/stream HTTP/1.1\r\nHost: {site.host}\r\n\r\n".encode())
        await asyncio.wait_for(reader.readuntil(b"data: "), 30)
        status, _, body = await site.get("/api/now/stream")
        assert (status, json.loads(body)["error"]) == (503, "too many pages are open; close one")
