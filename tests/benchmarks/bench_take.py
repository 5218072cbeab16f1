"""How long a take of 10 000 shots takes to open and list, and a row to become safe.

Run from the root of the repository: python -m tests.benchmarks.bench_take [FOLDER ON THE DISK TO MEASURE].

The budget is 1 s for opening and listing together. A commit is compared with a bare write and fsync of the same disk,
as disks differ by orders of magnitude.
"""

# ruff: noqa: T201 - a script tells its figures on standard output

import os
import sys
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median, quantiles
from tempfile import TemporaryDirectory

from lapsed.clock import stamp
from lapsed.model import Cue, Exposed, Landed, Outcome, PrintInfo, Released, Why
from lapsed.take.journal import Journal
from lapsed.take.reader import list_takes, read_take
from lapsed.take.records import CameraNoted, CueNoted, Record, ShotOrdered
from lapsed.take.recovery import recover

SHOTS = 10_000
BUDGET_S = 1.0
COMMITS = 300


def shot(number: int) -> tuple[Record, ...]:
    now = stamp()
    landed = Landed(number, "main", now.mono_s, (f"frames/main/{number:06d}.jpg",), 8_000_000)
    return (
        CueNoted(Cue(number, Why.LAYER, now.mono_s, number, number * 0.2), now),
        ShotOrdered(number, "main", now),
        CameraNoted(Released(number, "main", now.mono_s), now),
        CameraNoted(Exposed(number, "main", now.mono_s), now),
        CameraNoted(landed, now),
    )


def timed(work: Callable[..., object], *args: object) -> float:
    begun = time.perf_counter()
    work(*args)
    return time.perf_counter() - begun


def bare_fsyncs(folder: Path) -> list[float]:
    handle = os.open(folder / "bare", os.O_WRONLY | os.O_CREAT)
    try:
        return [timed(lambda: (os.write(handle, bytes(4096)), os.fsync(handle))) for _ in range(COMMITS)]
    finally:
        os.close(handle)


def main() -> int:
    with TemporaryDirectory(prefix="lapsed-bench-", dir=sys.argv[1] if len(sys.argv) > 1 else None) as name:
        store = Path(name)
        bare = bare_fsyncs(store)
        journal = Journal.create(store, PrintInfo("bench.gcode"), {"cameras": ["main"]}, stamp())
        safe = [timed(lambda records: journal.submit(*records).result(), shot(n)) for n in range(1, COMMITS + 1)]
        for number in range(COMMITS + 1, SHOTS + 1):
            journal.submit(*shot(number))
        journal.leave().result()
        main_frames = journal.folder / "frames" / "main"
        main_frames.mkdir()
        for number in range(1, SHOTS + 1):
            (main_frames / f"{number:06d}.jpg").touch()
        recovered_s = timed(lambda: recover(journal.folder, stamp()))
        Journal.reopen(journal.folder).close(Outcome.FINISHED, "", stamp()).result()

        opened_s = timed(lambda: read_take(journal.folder).frames("main"))
        listed_s = timed(lambda: list_takes(store))
        size_mb = (journal.folder / "take.db").stat().st_size / 1e6
        print(
            f"{SHOTS} shots, {size_mb:.1f} MB: open {opened_s:.3f} s, list {listed_s:.3f}, recover {recovered_s:.3f} s"
        )
        print(
            f"a shot's rows safe: median {median(safe) * 1e3:.2f} ms, p99 {quantiles(safe, n=100)[98] * 1e3:.2f} ms, "
            f"{median(safe) / median(bare):.1f} times a bare 4 kB write and fsync"
        )
        return 0 if opened_s + listed_s < BUDGET_S else 1


if __name__ == "__main__":
    sys.exit(main())
