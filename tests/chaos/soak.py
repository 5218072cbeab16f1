"""Prints filmed one after another without a pause: memory, descriptors, threads, journal and processor time stay flat.

Run: .venv/bin/python -m tests.chaos.soak [SECONDS]. A real daemon and its worker film as fast as they can; each tenth
of the time one line tells what they hold, and what a shot took since the last.
"""

import asyncio
import sys
import tempfile
from pathlib import Path

import psutil

from lapsed import clock
from lapsed.take import reader
from tests.chaos.yard import Yard, part

LAYERS = 100


def held(process: psutil.Process) -> str:
    return f"{process.memory_info().rss / 1e6:6.1f} MB {process.num_fds():3} fds {process.num_threads():2} threads"


def spent(*processes: psutil.Process) -> float:
    return sum(sum(process.cpu_times()[:2]) for process in processes)


async def run(seconds: float) -> None:
    with tempfile.TemporaryDirectory() as place:
        async with Yard(Path(place), speed=200) as yard:
            file = Path(place) / "post.gcode"
            file.write_text(part(LAYERS))
            await yard.start()
            await yard.ready()
            daemon = psutil.Process(yard.pid)
            worker = daemon.children()[0]
            begun = last = clock.monotonic()
            shots = prints = counted = 0
            cpu = spent(daemon, worker)
            while clock.monotonic() - begun < seconds:
                await yard.host.bench.begin(file)
                await yard.until(yard.host.bench.ended.is_set, 600)
                prints += 1
                await yard.until(lambda prints=prints: sum("is over" in line for line in yard.log) == prints)
                yard.host.log.records.clear()
                if clock.monotonic() - last < seconds / 10:
                    continue
                last = clock.monotonic()
                takes = reader.list_takes(yard.store)
                shots = sum(take.cues for take in takes)
                landed = sum(take.landed for take in takes)
                journal = sum((take.folder / "take.db").stat().st_size for take in takes) / shots
                each_ms = (spent(daemon, worker) - cpu) / max(1, shots - counted) * 1e3
                sys.stdout.write(
                    f"{last - begun:5.0f} s, {prints:4} prints, {shots:6} cues, {landed:6} landed; "
                    f"daemon {held(daemon)}; worker {held(worker)}; "
                    f"journal {journal:.0f} bytes a cue; {each_ms:.1f} ms of a core a cue\n"
                )
                sys.stdout.flush()
                counted, cpu = shots, spent(daemon, worker)


if __name__ == "__main__":
    asyncio.run(run(float(sys.argv[1]) if len(sys.argv) > 1 else 600))
