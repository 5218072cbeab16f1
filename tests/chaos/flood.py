"""A host that says a million things in a minute, while it prints: whether cues still come in time.

Run: .venv/bin/python -m tests.chaos.flood [MESSAGES] [SECONDS]. Prints the time from a layer's first line at the host
to the hold that a real daemon asks for, without and with the flood, and the daemon's share of a core.
"""

import asyncio
import json
import statistics
import sys
import tempfile
from pathlib import Path

import psutil
from websockets.asyncio.server import broadcast

from lapsed import clock
from tests.chaos.yard import Yard, part

LAYERS = 60


async def film(yard: Yard, file: Path) -> list[float]:
    """Film one print; how long after each layer's first line its hold came, s."""
    first = len(yard.host.log.records)
    await yard.host.bench.begin(file)
    await yard.until(yard.host.bench.ended.is_set, 600)
    records = yard.host.log.records[first:]
    waits, layer_s = [], None
    for record in records:
        if str(record.get("line", "")).startswith("G1 Z"):
            layer_s = record["mono_s"]
        elif record.get("event") == "held" and layer_s is not None:
            waits.append(record["mono_s"] - layer_s)
            layer_s = None
    return waits


async def flood(yard: Yard, messages: int, seconds: float) -> int:
    """Say so much in so long, evenly; how much was said."""
    begun, said = clock.monotonic(), 0
    while said < messages and clock.monotonic() - begun < 3 * seconds:
        due = int((clock.monotonic() - begun) / seconds * messages)
        for _ in range(min(due - said, 400)):
            said += 1
            news = {"jsonrpc": "2.0", "method": "bench.news", "params": {"temperature": {"bed": said / 10}}}
            broadcast(yard.host._watchers, json.dumps(news))
        await asyncio.sleep(0.002)
    return said


def tell(what: str, waits: list[float]) -> None:
    cuts = statistics.quantiles(waits, n=100)
    sys.stdout.write(
        f"{what}: {len(waits)} holds, median {statistics.median(waits) * 1e3:.1f} ms, p99 {cuts[98] * 1e3:.1f} ms, "
        f"greatest {max(waits) * 1e3:.1f} ms after the layer began\n"
    )


async def run(messages: int, seconds: float) -> None:
    with tempfile.TemporaryDirectory() as place:
        async with Yard(Path(place), speed=20) as yard:
            file = Path(place) / "post.gcode"
            file.write_text(part(LAYERS))
            await yard.start()
            await yard.ready()
            tell("quiet host", await film(yard, file))
            daemon = psutil.Process(yard.pid)
            before, begun = sum(daemon.cpu_times()[:2]), clock.monotonic()
            flooding = asyncio.create_task(flood(yard, messages, seconds))
            waits = []
            while not flooding.done():
                waits += await film(yard, file)
            spent = clock.monotonic() - begun
            tell(f"{await flooding} messages in {spent:.0f} s", waits)
            share = (sum(daemon.cpu_times()[:2]) - before) / spent
            sys.stdout.write(f"the daemon took {share:.0%} of a core, {daemon.memory_info().rss / 1e6:.0f} MB\n")


if __name__ == "__main__":
    asyncio.run(
        run(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000, float(sys.argv[2]) if len(sys.argv) > 2 else 60)
    )
