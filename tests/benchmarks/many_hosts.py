"""Many simulated hosts in one process, printing the same part one a little after the other.

Run: python -m tests.benchmarks.many_hosts COUNT LAYERS LAYER_S. It writes one JSON line with the addresses, begins
the prints when it reads a line, and ends with its input.
"""

import asyncio
import json
import sys
import tempfile
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager
from pathlib import Path

from lapsed.sim.bench import read_lines
from lapsed.sim.host import SimHost
from lapsed.sim.machine import Machine
from lapsed.sim.pace import Pace
from lapsed.sim.part import write_part
from lapsed.sim.survey import survey


@asynccontextmanager
async def hosts(count: int, part: Path, layer_s: float) -> AsyncIterator[list[SimHost]]:
    """So many hosts, each as fast as makes a layer of `part` take `layer_s`."""
    seen = await survey(read_lines(part), Machine())
    speed = seen.duration_s / seen.layers / layer_s
    async with AsyncExitStack() as stack:
        yield [await stack.enter_async_context(SimHost(pace=Pace(speed))) for _ in range(count)]


async def begin_all(made: list[SimHost], part: Path, layer_s: float) -> None:
    """Begin the prints, spread over the time of one layer."""
    for host in made:
        await host.bench.begin(part)
        await asyncio.sleep(layer_s / len(made))


async def _main(count: int, layers: int, layer_s: float) -> None:
    with tempfile.TemporaryDirectory() as folder:
        part = Path(folder) / "beacon.gcode"
        part.write_text(write_part(layers))
        async with hosts(count, part, layer_s) as made:
            print(json.dumps([host.url for host in made]), flush=True)  # noqa: T201 - it is a script
            if await asyncio.to_thread(sys.stdin.readline):
                await begin_all(made, part, layer_s)
                await asyncio.to_thread(sys.stdin.read)


if __name__ == "__main__":
    asyncio.run(_main(int(sys.argv[1]), int(sys.argv[2]), float(sys.argv[3])))
