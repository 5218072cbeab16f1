"""What the bridge adds to a serial line: latency of a line, throughput beside a bare relay, processor, memory.

Run: .venv/bin/python -m tests.benchmarks.bench_bridge. The bare relay is `socat`, a package of Debian's, between two
pseudo-terminals. All relays stand at the same time and are measured in turn, round by round, so that what else the
machine does falls on all alike; a round's figures are compared with the bare relay's of that round. Printer, host and a
daemon that wants no frame are threads of this script. Every wait has a deadline, and the processes end in any case.

Budgets: a line's way is no more than 1 ms longer at the 99th percentile; 90 % of the bare relay's throughput; 5 % of a
core while 250 000 baud are saturated (25 000 bytes a second, 8N1); 30 MB of memory. The figures stand in
`lapsed/docs/bridge.md`.
"""

import argparse
import contextlib
import os
import select
import shutil
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import tty
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import psutil

from lapsed.bridge import talk
from lapsed.bridge.options import Options
from lapsed.sim.stream import framed

PATIENCE_S = 30.0
LINES = 2000
BULK = 8_000_000
UNCOUNTED = 100_000
SATURATED_S = 4.0
BYTES_A_SECOND = 25_000
"""250 000 baud at ten bits a byte, a start and a stop bit around eight."""

START = ("M110", "G28", "G90", "M82", "G92 E0", "G1 X100 Y100 Z0.2 F1200", "G1 X101 E0.01")


class Host:
    """Numbered lines of a print, on and on, with a step up every 200."""

    def __init__(self) -> None:
        self._count = 0

    def line(self) -> bytes:
        n, self._count = self._count, self._count + 1
        if n < len(START):
            return framed(n, START[n])
        if n % 200 == 0:
            return framed(n, f"G1 Z{0.2 + n / 1000:.2f} F600")
        return framed(n, f"G1 X{100 + n % 97 * 0.113:.3f} Y{90 + n % 89 * 0.127:.3f} E{n * 0.01234:.5f}")


@dataclass
class Relayed:
    """One relay under measurement, and what was measured of it in each round."""

    kind: str
    printer: int
    host: int
    process: psutil.Process
    lines: Host = field(default_factory=Host)
    p50_ms: list[float] = field(default_factory=list)
    p99_ms: list[float] = field(default_factory=list)
    share: list[float] = field(default_factory=list)
    speed: list[float] = field(default_factory=list)
    grown: float = 0.0


def got(number: int, most: int = 65536) -> bytes:
    """What comes; a relay that passes nothing on ends the script."""
    if not select.select([number], [], [], PATIENCE_S)[0]:
        raise SystemExit(f"nothing has come for {PATIENCE_S:.0f} s; the relay hangs")
    return os.read(number, most)


def daemon(path: str) -> None:
    """Answer each layer as a daemon does that wants no frame of it."""
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX) as line:
        line.connect(path)
        line.sendall(talk.line_of(talk.Hello(talk.VERSION)))
        for said in line.makefile("rb"):
            message = talk.json.loads(said)
            if message["say"] == "layer" and message["waits"]:
                line.sendall(talk.line_of(talk.Pass(message["token"])))


def command(kind: str, port: str, link: Path) -> list[str]:
    """What starts a relay between a printer's port and a host's link."""
    if kind == "bare":
        return ["socat", f"pty,raw,echo=0,link={link}", f"{port},raw,echo=0"]
    control = f"{link}.sock" if kind == "bridge" else None
    options = Options(port, 250000, str(link), socket=control)
    return [sys.executable, "-m", "lapsed.bridge", options.text()]


@contextlib.contextmanager
def relayed(kind: str, folder: Path) -> Iterator[Relayed]:
    """A relay with both its ends, ended in any case."""
    master, slave = os.openpty()
    tty.setraw(slave)
    link = folder / kind
    process = subprocess.Popen(command(kind, os.ttyname(slave), link), stderr=subprocess.DEVNULL)
    opened = [master, slave]
    try:
        until = time.monotonic() + PATIENCE_S
        while not link.is_symlink():
            if time.monotonic() > until or process.poll() is not None:
                raise SystemExit(f"the {kind} relay does not start")
            time.sleep(0.01)
        host = os.open(link, os.O_RDWR | os.O_NOCTTY)
        opened.append(host)
        tty.setraw(host)
        if kind == "bridge":
            threading.Thread(target=daemon, args=(f"{link}.sock",), daemon=True).start()
        time.sleep(0.3)
        yield Relayed(kind, master, host, psutil.Process(process.pid))
    finally:
        process.terminate()
        try:
            process.wait(10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        for number in opened:
            os.close(number)


def latency(relay: Relayed, count: int) -> None:
    """One line at a time, from its being written to its being there; each is answered."""
    spent = []
    for _ in range(count):
        line = relay.lines.line()
        start = time.monotonic()
        os.write(relay.host, line)
        heard = 0
        while heard < len(line):
            heard += len(got(relay.printer))
        spent.append(time.monotonic() - start)
        os.write(relay.printer, b"ok\n")
        got(relay.host)
    cuts = statistics.quantiles(spent, n=100)
    relay.p50_ms.append(cuts[49] * 1e3)
    relay.p99_ms.append(cuts[98] * 1e3)


def write(number: int, data: bytes) -> None:
    """All of it, as fast as the relay takes it."""
    rest = memoryview(data)
    while rest:
        rest = rest[os.write(number, rest[:65536]) :]


def throughput(relay: Relayed, size: int) -> None:
    """With the host writing as fast as it can, and no answers."""
    data = b"".join(relay.lines.line() for _ in range(size // 36))

    writer = threading.Thread(target=write, args=(relay.host, data), daemon=True)
    start = time.monotonic()
    writer.start()
    heard = 0
    while heard < len(data):
        heard += len(got(relay.printer))
    relay.speed.append(len(data) / 1e6 / (time.monotonic() - start))
    writer.join(PATIENCE_S)
    relay.grown = max(relay.grown, relay.process.memory_info().rss / 1e6)
    answers = b"ok\n" * data.count(b"\n")
    writer = threading.Thread(target=write, args=(relay.printer, answers), daemon=True)
    writer.start()
    while writer.is_alive() or select.select([relay.host], [], [], 0.02)[0]:
        if select.select([relay.host], [], [], 0.02)[0]:
            got(relay.host)


def saturated(relay: Relayed, seconds: float) -> None:
    """The share of a core while lines come at the rate of 250 000 baud and each is answered."""
    before = relay.process.cpu_times()
    begin = due = time.monotonic()
    sent = 0
    while due - begin < seconds:
        due = begin + sent / BYTES_A_SECOND
        time.sleep(max(0.0, due - time.monotonic()))
        line = relay.lines.line()
        os.write(relay.host, line)
        sent += len(line)
        if select.select([relay.printer], [], [], 0)[0]:
            os.write(relay.printer, b"ok\n" * got(relay.printer).count(b"\n"))
        if select.select([relay.host], [], [], 0)[0]:
            got(relay.host)
    after = relay.process.cpu_times()
    relay.share.append((after.user + after.system - before.user - before.system) / (time.monotonic() - begin))


def told(relay: Relayed, bare: Relayed) -> str:
    """The line of figures: medians over the rounds, the least in brackets where noise only ever adds."""
    added = [mine - its for mine, its in zip(relay.p99_ms, bare.p99_ms, strict=True)]
    against = [mine / its for mine, its in zip(relay.speed, bare.speed, strict=True)]
    median = statistics.median
    return (
        f"{relay.kind:6} a line's way {median(relay.p50_ms):.3f} ms, p99 {median(relay.p99_ms):.3f}, added at p99 "
        f"{median(added):+.3f} ({min(added):+.3f}); {median(relay.speed):.1f} MB/s, {median(against):.0%} of bare; "
        f"{median(relay.share):.1%} ({min(relay.share):.1%}) of a core; {relay.grown:.1f} MB"
    )


def main() -> None:
    """Measure all kinds in turn and print a line for each."""
    parser = argparse.ArgumentParser(description="Measure the bridge beside a bare relay.")
    parser.add_argument("--rounds", type=int, default=7)
    rounds = parser.parse_args().rounds
    kinds = ["bare", "cable", "bridge"] if shutil.which("socat") else ["cable", "bridge"]
    with tempfile.TemporaryDirectory() as folder, contextlib.ExitStack() as stack:
        relays = [stack.enter_context(relayed(kind, Path(folder))) for kind in kinds]
        for number in range(rounds):
            for relay in relays if number % 2 else reversed(relays):
                saturated(relay, SATURATED_S)
                latency(relay, LINES)
            for relay in relays if number % 2 else reversed(relays):
                throughput(relay, BULK)
        print("load", *os.getloadavg())  # noqa: T201 - it is a script
        for relay in relays:
            print(told(relay, relays[0]))  # noqa: T201 - likewise


if __name__ == "__main__":
    main()
