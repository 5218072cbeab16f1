"""A day on the serial line: firmware, bridge and sender, each a process, while the daemon and they themselves go wrong.

Whatever happens, what the machine carried out is what the hosts streamed, in their order, with our blocks between.
"""

import asyncio
import json
import random
import signal
import subprocess
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

from lapsed import clock
from lapsed.bridge.holding import SILENT_S, Ways
from lapsed.take import recovery
from tests import configured
from tests.bridge.line import undone
from tests.bridge.workshop import SerialWorkshop
from tests.chaos import promises
from tests.chaos.day import AFTER, CUES, Counts, works
from tests.chaos.lives import Lives
from tests.chaos.script import ALONE, Fault, carry_out, fault_line, script
from tests.chaos.yard import HOLD_LIMIT_S, part

LAYERS = 12
WAYS = Ways(answer_within_s=0.8, rest_s=0.2)
"""A busy machine may be long about an answer; as long as a host has patience, nothing comes of that. The rest is short
as the print is quick: at its full length hardly a layer would be parked after a damaged line."""

DAEMONS_OWN = (
    "kill",
    "kill",
    "kill",
    "end",
    "stop",
    "worker-killed",
    "worker-stopped",
    "camera",
    "disk-refuses",
    "disk-slow",
    "clock",
)


def line_faults(seed: int, count: int) -> list[dict[str, object]]:
    """What goes wrong on the wire, drawn by `seed`: lines damaged or lost, answers late, words in between.

    Not with the host's last line: a host has no way to find out that it was lost.
    """
    source = random.Random(seed)
    kinds = [source.choice(("bad", "bad", "deaf", "late", "say")) for _ in range(count)]
    return [
        {"at": source.randint(20, 9 * LAYERS), "kind": kind, "for_s": 20.0, "text": "echo:the winch is cold"}
        for kind in kinds
    ]


class SerialYard(Lives):
    """Printer and bridge, up while the context lasts; daemons and hosts come and go."""

    def __init__(self, folder: Path, seed: int, faults: Sequence[dict[str, object]]) -> None:
        super().__init__(folder)
        self.excused: list[tuple[float, float]] = []
        self._seed = seed
        self._faults = faults

    async def __aenter__(self) -> Self:
        line = self.folder / "line"
        line.mkdir()
        self.config.write_text(
            configured.written(
                self.store,
                f'kind = "bridge"\nport = "{line}/printer"\nfolder = "{line}"\n'
                "retry_most_s = 0.2\nanswer_within_s = 0.5",
                cadence=f"every_layers = 1\nhold_limit_s = {HOLD_LIMIT_S}",
            )
        )
        self.line = SerialWorkshop(line, part(LAYERS).splitlines(), speed=60.0, faults=self._faults, ways=WAYS)
        await self.begin()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.end()
        self.line.close()

    def send(self) -> subprocess.Popen[bytes]:
        """A host that streams the part, with as many lines unanswered as the seed says."""
        return self.line.send("--window", 1 + self._seed % 3)

    async def ready(self) -> None:
        """Until a daemon hears the bridge and its camera is there."""
        await self.seen()
        await self.until(
            lambda: any(f"{self.pid} INFO" in line and "bridge of ottermole is heard" in line for line in self.log)
        )

    def layer(self) -> int:
        """The layer of the line that the machine carried out last for its host."""
        with self.line.log.open("rb") as file:
            file.seek(max(0, self.line.log.stat().st_size - 8000))
            lines = file.read().split(b"\n")[1:-1]
        entries = [entry for entry in map(json.loads, lines) if entry.get("number") is not None]
        return round(entries[-1]["at"][2] / 0.2) if entries else 0

    def rests(self) -> bool:
        """Whether the printer has asked for lines again so lately that the bridge parks nothing yet."""
        asked = [entry["mono_s"] for entry in self.line.entries() if entry.get("event") == "again"]
        return bool(asked) and clock.monotonic() - asked[-1] < WAYS.rest_s


async def live(folder: Path, seed: int, counts: Counts, *, hosts_killed: bool | None = None) -> None:
    """One day by `seed`, every third of them with a host killed in mid-print; AssertionError for a broken promise."""
    kills_host = seed % 3 == 0 if hosts_killed is None else hosts_killed
    faults, on_line = script(seed, LAYERS, 5, DAEMONS_OWN), line_faults(seed, 4)
    async with SerialYard(folder, seed, on_line) as yard:
        try:
            await _live(yard, faults, kills_host=kills_host)
            _count(yard, counts, faults, on_line)
        except Exception as error:
            told = [*map(fault_line, faults), *map(str, on_line), f"host killed: {kills_host}"]
            error.add_note("\n".join(["the script:", *told, "the daemon's log:", *yard.log[-60:]]))
            raise


async def _live(yard: SerialYard, faults: Sequence[Fault], *, kills_host: bool) -> None:
    await yard.start()
    await yard.ready()
    sender = yard.send()
    if kills_host:
        await yard.until(lambda: yard.layer() >= LAYERS // 3 or sender.poll() is not None)
        sender.kill()
        sender.wait()
        sender = yard.send()
    await _strike(yard, faults, sender)
    await yard.until(lambda: sender.poll() is not None)
    assert sender.returncode == 0, f"the host ended with {sender.returncode}"
    await _settled(yard)
    yard.note_safe()
    await _check_print(yard)

    # The next shots work, of a print with the same name once more.
    await yard.until(lambda: not yard.rests())
    yard.line.part.write_text(part(AFTER))
    before = {take.meta["since_s"] for take in yard.takes()}
    sender = yard.send()
    await yard.until(lambda: sender.poll() is not None)
    await yard.until(lambda: _closed(yard))
    yard.note_safe()
    assert await yard.kill(signal.SIGTERM) == 0
    assert recovery.find_open(yard.store) == []
    serials = []
    for take in yard.takes():
        promises.cues_are_accounted_for(take, truthful=True)
        serials += promises.frames_are_whole(take)
    assert len(serials) == len(set(serials)), "a frame is there twice"
    promises.nothing_safe_is_lost(yard, yard.takes())
    fresh = [take for take in yard.takes() if take.meta["since_s"] not in before and len(take.cues) == CUES]
    assert any(works(take) for take in fresh), [(take.name, len(take.cues)) for take in yard.takes()]


async def _strike(yard: SerialYard, faults: Sequence[Fault], sender: subprocess.Popen[bytes]) -> None:
    lives = asyncio.Lock()
    under_way = set()
    for fault in faults:
        await yard.until(lambda fault=fault: yard.layer() >= fault.layer or sender.poll() is not None)
        await asyncio.sleep(fault.later_s)
        yard.note_safe()

        async def strike(fault: Fault = fault) -> None:
            if fault.kind in ALONE:
                async with lives:
                    await carry_out(yard, fault)
            else:
                await carry_out(yard, fault)

        under_way.add(asyncio.create_task(strike()))
    for task in under_way:
        await task


async def _settled(yard: SerialYard) -> None:
    """All faults are over, and a daemon that is well has closed every take."""
    yard.order()
    yard.slow_disk(0)
    yard.refuse_writes(on=False)
    assert await yard.kill(signal.SIGTERM) in (0, -signal.SIGTERM)
    await yard.start()
    await yard.ready()
    await yard.until(lambda: _closed(yard))


def _closed(yard: SerialYard) -> bool:
    takes = yard.takes()
    return bool(takes) and all(take.outcome is not None for take in takes)


async def _check_print(yard: SerialYard) -> None:
    """What the machine did for its hosts is what they sent; each of our blocks undid itself, and in time."""
    sent = yard.line.sent()
    await yard.until(lambda: yard.line.host_lines()[-1:] == sent[-1:])
    streams: list[list[bytes]] = []
    for line in yard.line.host_lines():
        if line == sent[0]:
            streams.append([])
        streams[-1].append(line)
    assert streams[-1] == sent
    for stream in streams[:-1]:  # of hosts that were killed
        assert stream == sent[: len(stream)]
    undone(yard.line)
    holds_are_short(yard)


def holds_are_short(yard: SerialYard) -> float:
    """The longest time between a host's line and the next with a block of ours between, s."""
    longest, began = 0.0, None
    for entry in yard.line.executed():
        if entry["number"] is None:
            began = entry["mono_s"] if began is None else began
        elif began is not None:
            longest, began = max(longest, entry["mono_s"] - began), None
    # A printer that lost a line, or its answer, is waited for before that is found.
    assert longest <= HOLD_LIMIT_S + SILENT_S + promises.BUSY_S, "a hold lasted past its limit"
    return longest


def _count(yard: SerialYard, counts: Counts, faults: Sequence[Fault], on_line: Sequence[dict[str, object]]) -> None:
    counts.add(yard.takes(), holds_are_short(yard))
    counts.faults.update(fault.kind for fault in faults)
    counts.faults.update(f"line {fault['kind']}" for fault in on_line)
