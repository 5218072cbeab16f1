"""What the bridge adds to a serial line: latency of a line, throughput beside a bare relay, processor, memory.

Run: .venv/bin/python -m tests.benchmarks.bench_bridge. The bare relay is `socat`, a package of Debian's, between two
pseudo-terminals; without it only the bridge is measured. Printer and host are threads of this script at the two ends.

Budgets: a line's way is no more than 1 ms longer at the 99th percentile, 90 % of the bare relay's throughput, 5 % of a
core while 250 000 baud are saturated (25 000 bytes a second, 8N1), 30 MB of memory.

Measured on two x86-64 cores kept busy by other work (load 13), where the bare relay's own p99 was 2.1 ms: a line's way
took 0.023 ms at the median bare, 0.021 through the plain cable, 0.043 through the bridge that reads along (p99 1.4 and
4.0 ms); 51, 66 and 3.2 MB/s; 1.4, 3.0 and 6.4 % of a core; 25 MB. Reading a line and its answer takes 19 us of
processor time, which bounds the bridge at some 120 times the rate of 250 000 baud.
"""

import contextlib
import os
import select
import shutil
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import tty
from pathlib import Path

import psutil

from lapsed.bridge.options import Options
from lapsed.sim.stream import framed

ROUNDS = 3000
BULK = 8_000_000
SATURATED_S = 5.0
LINES = [
    framed(n, f"G1 X{100 + n % 97 * 0.113:.3f} Y{90 + n % 89 * 0.127:.3f} E{n * 0.01234:.5f}") for n in range(4000)
]


@contextlib.contextmanager
def relayed(kind: str):
    """The printer's end and the host's, and the process between them; None for two ends of one terminal."""
    with tempfile.TemporaryDirectory() as folder:
        master, slave = os.openpty()
        tty.setraw(slave)
        link = Path(folder, "host")
        if kind == "bare":
            command = ["socat", f"pty,raw,echo=0,link={link}", f"{os.ttyname(slave)},raw,echo=0"]
        else:
            socket = str(Path(folder, "sock")) if kind == "bridge" else None
            command = [
                sys.executable,
                "-m",
                "lapsed.bridge",
                Options(os.ttyname(slave), 250000, str(link), socket=socket).text(),
            ]
        with subprocess.Popen(command, stderr=subprocess.DEVNULL) as process:
            while not link.exists():
                time.sleep(0.01)
            host = os.open(link, os.O_RDWR | os.O_NOCTTY)
            tty.setraw(host)
            time.sleep(0.3)
            yield master, host, psutil.Process(process.pid)
            process.terminate()
            os.close(host)
        os.close(master)
        os.close(slave)


def latencies(printer: int, host: int) -> list[float]:
    """One line at a time, s from its being written to its being there."""
    spent = []
    for line in LINES[:ROUNDS]:
        start = time.monotonic()
        os.write(host, line)
        got = 0
        while got < len(line):
            got += len(os.read(printer, 65536))
        spent.append(time.monotonic() - start)
        os.write(printer, b"ok\n")
        os.read(host, 100)
    return spent


def throughput(printer: int, host: int) -> float:
    """Bytes a second with the host writing as fast as it can."""
    data = b"".join(LINES)
    data *= BULK // len(data)

    def write() -> None:
        rest = memoryview(data)
        while rest:
            rest = rest[os.write(host, rest[:65536]) :]

    writer = threading.Thread(target=write)
    start = time.monotonic()
    writer.start()
    got = 0
    while got < len(data):
        got += len(os.read(printer, 65536))
    writer.join()
    return got / (time.monotonic() - start)


def saturated(printer: int, host: int, process: psutil.Process) -> float:
    """The share of a core while lines come at 25 000 bytes a second and each is answered."""
    before = process.cpu_times()
    begin = due = time.monotonic()
    sent = at = 0
    while due - begin < SATURATED_S:
        due = begin + sent / 25_000
        time.sleep(max(0.0, due - time.monotonic()))
        line = LINES[at % len(LINES)]
        at += 1
        os.write(host, line)
        sent += len(line)
        if select.select([printer], [], [], 0)[0]:
            os.write(printer, b"ok\n" * os.read(printer, 65536).count(b"\n"))
        if select.select([host], [], [], 0)[0]:
            os.read(host, 65536)
    after = process.cpu_times()
    return (after.user + after.system - before.user - before.system) / (time.monotonic() - begin)


def main() -> None:
    """Measure each kind and print a line for it."""
    kinds = ["bare", "cable", "bridge"] if shutil.which("socat") else ["cable", "bridge"]
    for kind in kinds:
        with relayed(kind) as (printer, host, process):
            cuts = statistics.quantiles(latencies(printer, host), n=100)
        with relayed(kind) as (printer, host, process):
            share = saturated(printer, host, process)
        with relayed(kind) as (printer, host, process):
            speed = throughput(printer, host)
            memory = process.memory_info().rss / 1e6
        print(  # noqa: T201 - it is a script
            f"{kind:8} line median {cuts[49] * 1e3:.3f} ms, p99 {cuts[98] * 1e3:.3f} ms; {speed / 1e6:.2f} MB/s; "
            f"{share:.1%} of a core at 250 000 baud; {memory:.1f} MB"
        )


if __name__ == "__main__":
    main()
