"""From the cue to the release order on loopback: real feed, real WebSocket, the director, no hold.

Run: .venv/bin/python -m tests.benchmarks.bench_release [SHOTS]. Prints the median and the 99th percentile of the time
from the cue's decision to the order being in the camera's pipe; the budget is 5 ms at the 99th percentile. As a measure
of the machine it prints the same of a bare round trip of asyncio's loop through a socket pair.

Measured on two x86-64 cores, 400 layers, others at work: cue to order median 0.4 ms, to release 0.6 ms and p99 4.1 ms.
"""

import asyncio
import json
import socket
import statistics
import sys
import tempfile
from pathlib import Path

from websockets.asyncio.server import ServerConnection, serve

from lapsed import app, clock, settings
from lapsed.take import reader

STILL = "tests.benchmarks.still_camera:open_camera"


async def host(connection: ServerConnection, shots: int) -> None:
    """A host whose layers change as fast as the camera's shots are over."""
    async for message in connection:
        call = json.loads(message)
        await connection.send(json.dumps({"jsonrpc": "2.0", "id": call["id"], "result": {"job": {"stage": "idle"}}}))
        break
    await asyncio.sleep(1)
    await _news(connection, stage="running", file="bench.gcode", layers=shots)
    for layer in range(1, shots + 1):
        await _news(connection, layer=layer, height_mm=layer / 5)
        await asyncio.sleep(0.03)
    await _news(connection, stage="finished")
    await connection.wait_closed()


async def _news(connection: ServerConnection, **job: object) -> None:
    await connection.send(json.dumps({"jsonrpc": "2.0", "method": "bench.news", "params": {"job": job}}))


async def film(store: Path, shots: int) -> Path:
    """Film a print of so many shots; the take."""
    over: asyncio.Future[Path] = asyncio.get_running_loop().create_future()
    async with serve(lambda connection: host(connection, shots), "127.0.0.1", 0) as server:
        port = server.sockets[0].getsockname()[1]
        printer = {
            "name": "bench",
            "link": {"url": f"ws://127.0.0.1:{port}/"},
            "cadence": {"every_layers": 1, "park": False, "last_frame": False},
            "camera": [{"kind": "gphoto"}],
        }
        whole = settings.Settings.model_validate({"store": {"folder": store}, "printer": [printer]})
        daemon = app.Daemon(whole, None, kinds={"gphoto": STILL}, ended=over.set_result)
        running = asyncio.create_task(daemon.run())
        take = await over
        daemon.stop()
        await running
    return take


async def bare(rounds: int) -> list[float]:
    """Round trips of a byte through a socket pair, s."""
    one, other = socket.socketpair()
    reader_, writer = await asyncio.open_connection(sock=one)
    echo_reader, echo_writer = await asyncio.open_connection(sock=other)
    spent = []
    for _ in range(rounds):
        start = clock.monotonic()
        writer.write(b"x")
        await echo_reader.readexactly(1)
        echo_writer.write(b"x")
        await reader_.readexactly(1)
        spent.append(clock.monotonic() - start)
    for end in (writer, echo_writer):
        end.close()
        await end.wait_closed()
    return spent


def tell(what: str, spent: list[float]) -> None:
    """Print median and 99th percentile in ms."""
    cuts = statistics.quantiles(spent, n=100)
    print(f"{what:28} median {statistics.median(spent) * 1e3:.2f} ms, p99 {cuts[98] * 1e3:.2f} ms")  # noqa: T201 - it is a script


def main() -> None:
    """Measure and print."""
    shots = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    with tempfile.TemporaryDirectory() as store:
        take = reader.read_take(asyncio.run(film(Path(store), shots)))
        cues = {cue.number: cue.mono_s for cue in take.cues}
        decided = [shot.ordered_s - cues[shot.cue] for shot in take.shots if shot.ordered_s and cues[shot.cue]]
        released = [shot.released_s - cues[shot.cue] for shot in take.shots if shot.released_s and cues[shot.cue]]
    tell(f"cue to order, {len(decided)} shots", decided)
    tell("cue to release in the worker", released)
    tell("bare socket round trip", asyncio.run(bare(1000)))


if __name__ == "__main__":
    main()
