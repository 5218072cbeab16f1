"""Seeded scripts: what goes wrong in the course of a print, when, and how it is carried out."""

import asyncio
import contextlib
import random
import signal
from collections.abc import Awaitable, Callable
from dataclasses import dataclass

from lapsed import clock
from lapsed.sim import faults
from tests.chaos.yard import Yard

CALLS = ("ready", "release", "expose", "fetch", "clear", "idle")


@dataclass(frozen=True, slots=True)
class Fault:
    """`kind` goes wrong once the print has come to `layer` and `later_s` has passed."""

    layer: int
    later_s: float
    kind: str
    figure: float = 0.0
    word: str = ""


def script(seed: int, layers: int, count: int, kinds: tuple[str, ...] = ()) -> tuple[Fault, ...]:
    """`count` faults in a print of so many layers, the same ones for the same seed."""
    source = random.Random(seed)
    drawn = []
    for _ in range(count):
        kind = source.choice(kinds or tuple(KINDS))
        word = source.choice(WORDS.get(kind, ("",)))
        drawn.append(
            Fault(
                source.randint(1, layers), round(source.uniform(0, 0.3), 3), kind, round(source.uniform(0, 1), 3), word
            )
        )
    return tuple(sorted(drawn, key=lambda fault: (fault.layer, fault.later_s)))


def fault_line(fault: Fault) -> str:
    """`fault` in a few words."""
    return f"layer {fault.layer} +{fault.later_s:g} s: {fault.kind} {fault.word} {fault.figure:g}".replace("  ", " ")


async def carry_out(yard: Yard, fault: Fault) -> None:
    """Let `fault` happen; returns once it is over."""
    await {**KINDS, **RARE}[fault.kind](yard, fault)


async def _kill(yard: Yard, fault: Fault) -> None:
    yard.note_safe()
    await yard.kill()
    yard.note_safe()
    await asyncio.sleep(fault.figure / 2)
    await yard.start()


async def _end(yard: Yard, fault: Fault) -> None:
    yard.note_safe()
    # One that is told to end before it listens for that ends all the same.
    assert await yard.kill(signal.SIGTERM) in (0, -signal.SIGTERM)
    await yard.start()


async def _stop(yard: Yard, fault: Fault) -> None:
    """The daemon gets no time at all for a while, as on a machine that swaps."""
    with _Excused(yard):
        pid = yard.pid
        yard.signal(signal.SIGSTOP)
        await asyncio.sleep(fault.figure * 2)
        if yard.pid == pid:
            yard.signal(signal.SIGCONT)


async def _worker_killed(yard: Yard, fault: Fault) -> None:
    yard.signal_workers(signal.SIGKILL)


async def _worker_stopped(yard: Yard, fault: Fault) -> None:
    yard.signal_workers(signal.SIGSTOP)


async def _camera(yard: Yard, fault: Fault) -> None:
    yard.order(fault.word)


async def _host(yard: Yard, fault: Fault) -> None:
    with _Excused(yard):
        yard.host.strike(HOST[fault.word](fault))
        await asyncio.sleep(1.5)


async def _odd_news(yard: Yard, fault: Fault) -> None:
    """Layers that jump and fall, time that goes backwards, from a host that is otherwise right."""
    job = yard.host.bench.facts()["job"]
    odd = {
        "back": {"done": 0.0, "expected_s": -5},
        "jump": {"layer": int(job.get("layer", 1)) + 3, "height_mm": 0.2},
        "fall": {"layer": 1, "height_mm": 0.2},
        "vast": {"layer": 2**40, "done": 1e300},
    }[fault.word]
    yard.host.strike(faults.Untruth(job=odd))


async def _pause(yard: Yard, fault: Fault) -> None:
    """A person pauses the print, and lets it go on."""
    with _Excused(yard):
        if yard.host.bench.stage in ("running", "held"):
            await yard.host.bench.pause()
            await asyncio.sleep(fault.figure)
            yard.host.bench.unpause()


async def _disk_refuses(yard: Yard, fault: Fault) -> None:
    yard.refuse_writes(on=True)
    await asyncio.sleep(fault.figure * 3)
    yard.refuse_writes(on=False)


async def _disk_slow(yard: Yard, fault: Fault) -> None:
    yard.slow_disk(fault.figure * 4)
    await asyncio.sleep(2)
    yard.slow_disk(0)


async def _disk_full(yard: Yard, fault: Fault) -> None:
    """Not a byte is left, where the store is on a disk of its own."""
    filler = yard.store / "filler"
    with filler.open("wb", buffering=0) as file:
        for size in (1 << 16, 1 << 12, 1):
            with contextlib.suppress(OSError):
                while file.write(bytes(size)) == size:
                    pass
    await asyncio.sleep(1 + fault.figure)
    filler.unlink()


async def _injected(yard: Yard, seconds: float, calls: str, how: str) -> None:
    """Have strace(1) tamper with system calls of the daemon and its workers for so long."""
    pids = [yard.pid, *(worker.pid for worker in yard.workers())] if yard.pid is not None else []
    if not pids:
        return
    attached = [word for pid in pids for word in ("--attach", str(pid))]
    command = (
        "strace",
        "-f",
        "-qq",
        "-o",
        "/dev/null",
        "-e",
        f"trace={calls}",
        "-e",
        f"inject={calls}:{how}",
        *attached,
    )
    strace = await asyncio.create_subprocess_exec(*command, stderr=asyncio.subprocess.PIPE)
    try:
        async with asyncio.timeout(seconds):
            said = (await strace.communicate())[1].decode()
            assert "No such process" in said or not said, said
    except TimeoutError:
        strace.send_signal(signal.SIGINT)
        await strace.communicate()


async def _disk_read_only(yard: Yard, fault: Fault) -> None:
    """The kernel makes the file system read-only, as it does after an error on it; files that are open stay so."""
    await _injected(yard, 1 + fault.figure, WRITING, "error=EROFS")


async def _sync_slow(yard: Yard, fault: Fault) -> None:
    """Each sync takes seconds, as on a worn card or while the disk is full of someone else's data."""
    await _injected(yard, 3 + fault.figure, "fsync,fdatasync", f"delay_enter={int(2.5e6)}")


async def _clock(yard: Yard, fault: Fault) -> None:
    yard.set_wall({"forward": 3 * 3600, "back": -3 * 3600, "dawn": -clock.utc_now().timestamp() + 20}[fault.word])


class _Excused:
    """A span in which the print may wait for someone else than us."""

    def __init__(self, yard: Yard) -> None:
        self._yard = yard
        self._since = 0.0

    def __enter__(self) -> None:
        self._since = clock.monotonic()

    def __exit__(self, *_: object) -> None:
        self._yard.excused.append((self._since, clock.monotonic()))


HOST: dict[str, Callable[[Fault], faults.Fault]] = {
    "drop": lambda fault: faults.Drop(bytes_sent=int(fault.figure * 200)),
    "restart": lambda fault: faults.Restart(away_s=fault.figure / 2),
    "stall": lambda fault: faults.Stall(for_s=fault.figure * 2.5),
    "garbage": lambda fault: faults.Garbage(seed=int(fault.figure * 1000)),
    "big": lambda fault: faults.Big(size=1 + int(fault.figure * 6_000_000)),
    "error-replies": lambda fault: faults.ErrorReplies(count=1 + int(fault.figure * 3)),
    "no-replies": lambda fault: faults.NoReplies(count=1 + int(fault.figure * 2)),
    "repeat-layer": lambda _: faults.RepeatLayer(),
    "layer-burst": lambda fault: faults.LayerBurst(count=2 + int(fault.figure * 3)),
}

KINDS: dict[str, Callable[[Yard, Fault], Awaitable[None]]] = {
    "kill": _kill,
    "end": _end,
    "stop": _stop,
    "worker-killed": _worker_killed,
    "worker-stopped": _worker_stopped,
    "camera": _camera,
    "host": _host,
    "news": _odd_news,
    "pause": _pause,
    "disk-refuses": _disk_refuses,
    "disk-slow": _disk_slow,
    "clock": _clock,
}
"""Everything that can go wrong."""

RARE: dict[str, Callable[[Yard, Fault], Awaitable[None]]] = {
    "disk-full": _disk_full,
    "disk-read-only": _disk_read_only,
    "sync-slow": _sync_slow,
}
"""What is not drawn unless it is asked for: it needs strace(1), or a file system for the store alone."""

ALONE = frozenset({"kill", "end", "stop", "disk-refuses", *RARE})
"""What concerns the daemon's own life comes one at a time."""

WRITING = "pwrite64,ftruncate,fallocate,rename,renameat,renameat2,mkdir,mkdirat,unlink,unlinkat"
"""The calls by which journal and frames are written, but for write(2), which sockets and logs need as well."""

WORDS: dict[str, tuple[str, ...]] = {
    "camera": (
        *(f"{call} {how}" for call in CALLS for how in ("hang", "exit", "abort", "garbage", "raise", "slow", "away")),
        *(f"fetch {how}" for how in ("cut", "none", "half", "late", "miss")),
        "release miss",
        "expose late",
    ),
    "host": tuple(HOST),
    "news": ("back", "jump", "fall", "vast"),
    "clock": ("forward", "back", "dawn"),
}
