"""Each kind of camera meets each fault in a print of the simulated host: the table of the page of cameras, played.

One daemon, a process of its own as are its workers, films a print of each kind at once. Every second layer of each
has a fault, in turn.
"""

import asyncio
import contextlib
import json
import os
import re
import subprocess
import sys
import time
import urllib.request
from collections.abc import AsyncIterator, Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
import simplejpeg

from lapsed.sim.host import SimHost
from lapsed.take import reader
from tests.chaos import promises
from tests.chaos.yard import part
from tests.e2e import stands
from tests.stepping import StepByStep

PAGE = Path(__file__).parents[2] / "lapsed" / "docs" / "cameras.md"
HOLD_LIMIT_S = 2.5
STANDS = {
    "`gphoto`": stands.Still,
    "`release`": stands.Line,
    "`capture`": stands.Device,
    "`stream`, HTTP": stands.Motion,
    "`stream`, RTSP": stands.Live,
    "`url`": stands.Asked,
    "`command`": stands.Program,
    "`scene`": stands.Scene,
}
CONFIG = """
[web]
port = 0
[store]
folder = "{folder}/takes"
min_free_mb = 0
[stitch]
when = "never"
"""
PRINTER = """
[[printer]]
name = "{name}"
link = {{ url = "{url}" }}
machine = {{ park_point_mm = [8, 212], settle_s = 0, travel_mm_s = 1000, acceleration_mm_s2 = 50000 }}
cadence = {{ every_layers = 1, last_frame = false, hold_limit_s = {limit} }}
[[printer.camera]]
name = "{name}"
exposure_s = 0.01
expose_within_s = 60
ready_within_s = 30
"""
PATIENCE_S = 60.0


def promised() -> dict[str, dict[str, str]]:
    """The table of the page: what is told, by kind and fault."""
    lines = PAGE.read_text().splitlines()
    at = next(at for at, line in enumerate(lines) if line.startswith("| kind | hangs"))
    rows = [line.strip("| ").split(" | ") for line in lines[at + 2 : at + 2 + len(STANDS)]]
    return {kind: dict(zip(stands.FAULTS, cells, strict=True)) for kind, *cells in rows}


def told(cell: str, reason: str) -> bool:
    """Whether a reason is one of those that a cell quotes; "..." there stands for anything."""
    quoted = [".+".join(map(re.escape, words.split("..."))) for words in re.findall(r"\*([^*]+)\*", cell)]
    return any(re.search(words, reason) for words in quoted)


def name(kind: str) -> str:
    return re.sub(r"\W+", "-", kind.lower()).strip("-")


@dataclass
class Row:
    """One kind's print: its camera's fault at each cue, and how many layers may be printed so far."""

    kind: str
    stand: stands.Stand
    host: SimHost
    faults: dict[int, str] = field(default_factory=dict)
    layers: int = 0

    @property
    def name(self) -> str:
        return name(self.kind)

    def configuration(self) -> str:
        printer = PRINTER.format(name=self.name, url=self.host.url, limit=HOLD_LIMIT_S)
        return printer + "".join(f"{key} = {json.dumps(value)}\n" for key, value in self.stand.part.items())


class Shop:
    """The daemon, and what it tells."""

    def __init__(self, folder: Path, rows: list[Row]) -> None:
        self.folder = folder
        config = folder / "lapsed.toml"
        config.write_text(CONFIG.format(folder=folder) + "".join(row.configuration() for row in rows))
        self.log = folder / "daemon.log"
        with self.log.open("w") as log:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "tests.e2e.breakable", str(config)],
                cwd=Path(__file__).parents[2],
                env={**os.environ, "CAMERAS_HOME": str(folder)},
                stderr=log,
            )
        self.now: dict[str, dict] = {}

    async def watch(self) -> None:
        """Keep `now` up to date, until cancelled."""
        while not (found := re.search(r"the page is at (\S+)", self.log.read_text())):  # noqa: ASYNC110 - another process is waited for
            await asyncio.sleep(0.05)
        while True:
            with await asyncio.to_thread(urllib.request.urlopen, f"{found[1]}api/now", timeout=PATIENCE_S) as answer:
                self.now = {printer["name"]: printer for printer in json.load(answer)["printers"]}
            await asyncio.sleep(0.03)

    async def until(self, row: Row, found: Callable[[dict], object]) -> None:
        """Wait until `found` holds of the row's printer."""
        until = time.monotonic() + PATIENCE_S
        while not (row.name in self.now and found(self.now[row.name])):
            if time.monotonic() > until or self._process.poll() is not None:
                raise AssertionError(f"{row.kind} at layer {row.layers}: {self.log.read_text()[-3000:]}")
            await asyncio.sleep(0.01)

    def end(self) -> None:
        self._process.terminate()
        assert self._process.wait(PATIENCE_S) == 0


def ready(printer: dict) -> bool:
    return printer["link"] and printer["cameras"][0]["ready"]


def ended(printer: dict) -> int:
    """How many shots have had their end."""
    take = printer["take"]
    return take["landed"] + take["missed"] + take["on_card"] if take else 0


async def play(shop: Shop, row: Row, folder: Path) -> None:
    """Print a layer as it should be, then one with each fault and one after it."""
    faults = row.stand.faults
    file = folder / f"{row.name}.gcode"
    file.write_text(part(2 * len(faults) + 1))
    await shop.until(row, ready)
    row.layers = 1
    await row.host.bench.begin(file)
    await shop.until(row, lambda printer: ended(printer) == 1)
    for number, fault in enumerate(faults, 1):
        row.faults[2 * number] = fault
        with row.stand.struck(fault):
            row.layers = 2 * number
            await shop.until(row, lambda printer: ended(printer) == row.layers)
        await shop.until(row, ready)
        row.layers = 2 * number + 1
        await shop.until(row, lambda printer: printer["take"] is None or ended(printer) == row.layers)
    row.layers += 1
    await shop.until(row, lambda printer: printer["take"] is None)


@contextlib.asynccontextmanager
async def standing(folder: Path) -> AsyncIterator[list[Row]]:
    """All kinds, each before a simulated host of its own."""
    async with contextlib.AsyncExitStack() as stack:
        rows = []
        for kind, make in STANDS.items():
            pace = StepByStep(rests=True)
            host = await stack.enter_async_context(SimHost(pace=pace))
            row = Row(kind, make(folder / name(kind)), host)
            stack.callback(row.stand.close)
            if isinstance(row.stand, stands.Scene):
                await row.stand.open(host.port)
                stack.push_async_callback(row.stand.leave)
            pace.bench = host.bench
            pace.rested = lambda row=row: row.layers > row.host.bench.facts()["job"]["layer"]
            rows.append(row)
        yield rows


def broken_promises(row: Row, take: reader.TakeView, cells: dict[str, str], printed: str) -> Iterator[str]:
    """What the page and the promises have otherwise."""
    held = promises.longest_hold(row.host.log.records)
    if held > HOLD_LIMIT_S + promises.BUSY_S:
        yield f"{row.kind}: the print was held for {held:.1f} s"
    promises.print_is_untouched(row.host.log.records, [printed])
    if take.outcome != "finished" or [shot.cue for shot in take.shots] != list(range(1, row.layers)):
        yield f"{row.kind}: {take.outcome}, with cues {[shot.cue for shot in take.shots]}"
    for shot in take.shots:
        fault = row.faults.get(shot.cue)
        if fault is None:
            if shot.outcome != ("on card" if row.kind == "`release`" else "landed"):
                yield f"{row.kind}, after {row.faults.get(shot.cue - 1)}: {shot.outcome}: {shot.reason}"
            for file in shot.files:
                simplejpeg.decode_jpeg((take.folder / file).read_bytes(), strict=True)
        elif shot.outcome != "missed" or not told(cells[fault], shot.reason or ""):
            yield f"{row.kind}, {fault}: {shot.outcome}: {shot.reason}"
    told_of = {fault for fault in stands.FAULTS if cells[fault].startswith("*")}
    if told_of != set(row.stand.faults):
        yield f"{row.kind}: the page tells of {told_of}, and {row.stand.faults} were tried"


@pytest.mark.slow
async def test_each_kind_meets_each_fault_and_costs_no_more_than_that_shot(tmp_path, monkeypatch):
    monkeypatch.setenv("VCAMERADIR", "")
    async with standing(tmp_path) as rows:
        shop = Shop(tmp_path, rows)
        watching = asyncio.create_task(shop.watch())
        try:
            async with asyncio.TaskGroup() as group:
                for row in rows:
                    group.create_task(play(shop, row, tmp_path))
        finally:
            watching.cancel()
            await asyncio.gather(watching, return_exceptions=True)
            shop.end()
    table, found = promised(), []
    takes = {take.meta["printer"]: take for take in map(reader.read_take, (tmp_path / "takes").iterdir())}
    for row in rows:
        found.extend(
            broken_promises(row, takes[row.name], table[row.kind], (tmp_path / f"{row.name}.gcode").read_text())
        )
    assert not found, "\n".join(found)
