"""One day in the yard: a print with faults, the promises, and a print after it, filmed as if nothing had been."""

import asyncio
import signal
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from lapsed import clock
from lapsed.take import recovery
from lapsed.take.reader import TakeView
from tests.chaos import promises
from tests.chaos.script import ALONE, Fault, carry_out, fault_line
from tests.chaos.yard import Yard, part

LAYERS = 12
AFTER = 3
CUES = AFTER + 1
"""A shot of each layer, and one of the finished part."""


@dataclass(slots=True)
class Counts:
    """What days came to."""

    days: int = 0
    faults: Counter[str] = field(default_factory=Counter)
    cues: int = 0
    landed: int = 0
    missed: int = 0
    longest_hold_s: float = 0.0

    def add(self, takes: Sequence[TakeView], longest_hold_s: float) -> None:
        """One day's."""
        self.days += 1
        for take in takes:
            self.cues += len(take.cues)
            self.landed += sum(shot.outcome == "landed" for shot in take.shots)
            self.missed += sum(shot.outcome == "missed" for shot in take.shots)
        self.longest_hold_s = max(self.longest_hold_s, longest_hold_s)

    def line(self) -> str:
        """All of it in one line."""
        struck = ", ".join(f"{count} {kind}" for kind, count in sorted(self.faults.items()))
        return (
            f"{self.days} days, {sum(self.faults.values())} faults ({struck}); {self.cues} cues: {self.landed} landed, "
            f"{self.missed} missed with a reason; longest hold {self.longest_hold_s:.2f} s; every promise kept"
        )


async def live(folder: Path, script: Sequence[Fault], counts: Counts) -> None:
    """One day by `script`; AssertionError, noted with the log, for a promise that was broken."""
    async with Yard(folder) as yard:
        try:
            await _live(yard, script, counts)
        except Exception as error:
            error.add_note("\n".join(["the script:", *map(fault_line, script), "the daemon's log:", *yard.log[-60:]]))
            raise


async def _live(yard: Yard, script: Sequence[Fault], counts: Counts) -> None:
    post, after = part(LAYERS), part(AFTER)
    file = yard.folder / "post.gcode"
    file.write_text(post)
    await yard.start()
    await yard.ready()
    await yard.host.bench.begin(file)
    await _strike(yard, script)
    await yard.until(yard.host.bench.ended.is_set)
    await _settled(yard)
    yard.note_safe()

    # The next shots work, of a print with the same name once more.
    file.write_text(after)
    before = {take.meta["since_s"] for take in yard.takes()}
    await yard.until(yard.host.up.is_set)
    await yard.host.bench.begin(file)
    await yard.until(yard.host.bench.ended.is_set)
    await yard.until(lambda: _closed(yard))
    yard.note_safe()
    assert await yard.kill(signal.SIGTERM) == 0
    # What the next start does: a take that was being read as it was closed is put into one file then.
    assert recovery.find_open(yard.store) == []
    promises.check(yard, [post, after], truthful=all(fault.kind != "news" for fault in script))
    takes = {take.name: take for take in yard.takes()}
    fresh = [take for take in takes.values() if take.meta["since_s"] not in before and len(take.cues) == CUES]
    assert any(works(take) for take in fresh), [(take.name, len(take.cues)) for take in takes.values()]
    _count(yard, script, counts)


async def _strike(yard: Yard, script: Sequence[Fault]) -> None:
    """Carry the faults out as the print reaches them; they overlap, but for those of the daemon's own life."""
    lives = asyncio.Lock()
    under_way = set()
    for fault in script:
        await yard.until(lambda fault=fault: _reached(yard, fault.layer))
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


def works(take: TakeView) -> bool:
    """The camera shoots as if nothing had been; on a busy machine layers may pass while a shot is under way."""
    late = ("still under way", "the print ended", "the answer took")
    return take.shots[0].outcome == "landed" and all(
        shot.outcome == "landed" or any(word in shot.reason for word in late) for shot in take.shots
    )


def _reached(yard: Yard, layer: int) -> bool:
    job = yard.host.bench.facts()["job"]
    return yard.host.bench.ended.is_set() or int(job.get("layer", 0)) >= layer


async def _settled(yard: Yard) -> None:
    """All faults are over: the camera is good, the disk writes, the daemon listens and has closed its take."""
    yard.order()
    yard.slow_disk(0)
    yard.refuse_writes(on=False)
    mark = len(yard.log)
    assert await yard.kill(signal.SIGTERM) in (0, -signal.SIGTERM)
    pid = await yard.start()
    await yard.until(lambda: any(f"{pid} INFO camera main of ottermole: a camera" in line for line in yard.log[mark:]))
    await yard.until(lambda: bool(yard.host._watchers))
    since = clock.monotonic()
    await yard.until(lambda: _closed(yard) or clock.monotonic() - since > 20)


def _closed(yard: Yard) -> bool:
    return all(take.outcome is not None for take in yard.takes())


def _count(yard: Yard, script: Sequence[Fault], counts: Counts) -> None:
    counts.faults.update(f"{fault.kind} {fault.word}".split()[0] for fault in script)
    counts.add(yard.takes(), promises.holds_are_short(yard))
