"""The daemon's connection to a bridge that it can't understand."""

import asyncio
import contextlib
import json

import pytest

from lapsed.bridge import talk
from lapsed.bridge.link import Link


@pytest.mark.parametrize(
    ("says", "why"),
    [
        ({"say": "hello", "version": talk.VERSION + 1}, f"it speaks version {talk.VERSION + 1} where this daemon"),
        ({"say": "sing"}, "the bridge can't be understood"),
        (None, "the bridge hung up"),
    ],
)
async def test_a_bridge_of_another_kind_is_called_ever_less_often_and_told_once(tmp_path, caplog, says, why):
    calls, gone, heard = asyncio.Queue(), [], []

    async def answer(reader, writer):
        assert json.loads(await reader.readline())["version"] == talk.VERSION
        if says is not None:
            writer.write(json.dumps(says).encode() + b"\n")
        writer.close()
        calls.put_nowait(asyncio.get_running_loop().time())

    server = await asyncio.start_unix_server(answer, tmp_path / "socket")
    link = asyncio.create_task(Link(tmp_path / "socket", 0.4, heard.append, gone.append).run())
    times = [await asyncio.wait_for(calls.get(), 20) for _ in range(4)]
    link.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await link
    server.close()
    await server.wait_closed()
    assert times[3] - times[2] > 0.35  # doubled from 0.1 s up to the most, not begun anew with each call
    assert not heard
    assert len(gone) >= 3
    assert [record.message for record in caplog.records if why in record.message] == [caplog.records[0].message]
    assert len(caplog.records) == 1
