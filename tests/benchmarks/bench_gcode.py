"""Reading, layering and timing a large file, beside two general G-code readers.

Run from the root of the repository: python -m tests.benchmarks.bench_gcode [MEGABYTES].

The others, `gcodeparser` and `pygcode`, only take lines apart and are made for other jobs; each is measured on the same
text where it is installed, and left out where not. The budget is 30 MB/s, and memory that does not grow with the file.
"""

# ruff: noqa: T201 - a script tells its figures on standard output

import importlib
import itertools
import math
import random
import resource
import sys
import time
from collections.abc import Callable, Iterator

from lapsed.gcode.line import checksum
from lapsed.gcode.reading import read

BUDGET_MB_S = 30.0
SAMPLE_LINES = 30_000
"""How much of the file the other readers get, as they would take minutes for the whole."""


def lines(size: int) -> Iterator[bytes]:
    """A print of round outlines with retractions and travel between, layer by layer, until it is `size` bytes long."""
    chance = random.Random(1)
    written, e, layer = 0, 0.0, 0
    yield b"G28\nG92 E0\nM82\nG1 F1800\n"
    while written < size:
        layer += 1
        rows = [f"G0 F9000 Z{layer * 0.2:.2f}"]
        for _ in range(25):
            x, y, r = chance.uniform(60, 160), chance.uniform(60, 160), chance.uniform(5, 40)
            rows += [f"G1 F1500 E{e - 6.5:.5f}", f"G0 F9000 X{x + r:.3f} Y{y:.3f}", f"G1 F1500 E{e:.5f}", "G1 F1800"]
            for k in range(1, 97):
                turn = k / 96 * math.tau
                e += math.tau * r / 96 * 0.033
                rows.append(f"G1 X{x + r * math.cos(turn):.3f} Y{y + r * math.sin(turn):.3f} E{e:.5f}")
        text = ("\n".join(rows) + "\n").encode()
        written += len(text)
        yield text


def spiral(size: int) -> Iterator[bytes]:
    """A print whose height rises with every line."""
    written, done = 0, 0
    yield b"G28\nG92 E0\nM83\nG1 F3000\n"
    while written < size:
        rows = []
        for i in range(done + 1, done + 2001):
            turn = i / 300 * math.tau
            x, y = 100 + 30 * math.cos(turn), 100 + 30 * math.sin(turn)
            rows.append(f"G1 X{x:.3f} Y{y:.3f} Z{0.2 * i / 300:.3f} E0.02100\n")
        done += 2000
        text = "".join(rows).encode()
        written += len(text)
        yield text


def numbered(size: int) -> Iterator[bytes]:
    """The print of `lines` with line numbers and checksums."""
    count = itertools.count(1)
    for text in lines(size):
        rows = [b"N%d %s" % (next(count), row) for row in text.splitlines()]
        yield b"".join(b"%s*%d\n" % (row, checksum(row)) for row in rows)


def seconds(work: Callable[[], object], tries: int) -> float:
    """Least processor time of some tries: what others do on the machine counts little that way."""
    best = math.inf
    for _ in range(tries):
        begun = time.process_time()
        work()
        best = min(best, time.process_time() - begun)
    return best


def _gcodeparser(text: str) -> object:
    return list(importlib.import_module("gcodeparser").parse_gcode_lines(text))


def _pygcode(text: str) -> object:
    line = importlib.import_module("pygcode").Line
    return [line(each) for each in text.splitlines()]


def main() -> int:
    size = int(sys.argv[1]) * 1_000_000 if len(sys.argv) > 1 else 32_000_000
    found = read(lines(size))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000
    text = list(lines(min(size, 32_000_000)))
    whole = sum(map(len, text))
    took = seconds(lambda: read(text), 3)
    print(
        f"lapsed       {whole / took / 1e6:6.1f} MB/s  read, layered and timed: {found.moves} moves, "
        f"{len(found.layers)} layers, {found.print_s:.0f} s; peak {peak:.0f} MB for {found.size_bytes / 1e6:.0f} MB"
    )
    for kind, made in (("spiral", spiral), ("numbered", numbered)):
        other = list(made(min(size, 8_000_000)))
        print(f"  {kind:10} {sum(map(len, other)) / seconds(lambda other=other: read(other), 3) / 1e6:6.1f} MB/s")
    sample = "\n".join(b"".join(text).decode().splitlines()[:SAMPLE_LINES]) + "\n"
    for name, work in (("gcodeparser", _gcodeparser), ("pygcode", _pygcode)):
        try:
            importlib.import_module(name)
        except ImportError:
            print(f"{name:12} not installed")
            continue
        rate = len(sample) / seconds(lambda work=work: work(sample), 1) / 1e6
        print(f"{name:12} {rate:6.2f} MB/s  taken apart only; lapsed is {whole / took / 1e6 / rate:.0f} times as fast")
    return 0 if whole / took / 1e6 >= BUDGET_MB_S else 1


if __name__ == "__main__":
    sys.exit(main())
