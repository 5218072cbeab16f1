"""One daemon with many printers: no cue missed, the time to the release, memory and processor for each printer.

Run: .venv/bin/python -m tests.benchmarks.bench_many [PRINTERS [LAYERS [still|scene]]]. Every second printer parks its
head, the others shoot without a hold, so that both the whole way and the bare time to the release are measured. Each
printer changes layer once in PRINTERS / 5 seconds: five layer changes a second between them. A page is open during the
second half of the prints. Daemon, hosts and page are processes of their own.

The camera is one that gives a tiny picture at once: drawing the scene takes about a second of a core and 200 MB for
each camera, five of them a second are more than two cores have. `scene` has them drawn all the same, for fewer
printers.

Measured on two quiet x86-64 cores, 50 printers, 300 cues, all landed: cue to order median 0.8 ms, p99 2.7 ms; cue to
release median 1.3 ms, p99 4.0 ms; all ready after 15 s; the daemon printing 4.7 % of a core, with a page 7.5.

Measured on two x86-64 cores that others kept busy (load 13; bare round trip p99 3 ms), 50 printers, 500 cues: all
landed; cue to release median 1.5 ms, p99 26 ms; all ready 25 to 44 s after the start (with all workers started at
once, 1 of 50 was after 100 s). Resident 56 MB with 1 printer, 57 with 10, 59 with 50; after a print 61, 66 and 78,
which is 0.4 MB for each; a worker 21 MB. Processor, percent of a core: idle 0.4, with a page 0.6; printing 6.5, with a
page 10.7.
"""

import asyncio
import json
import logging
import os
import signal
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import psutil

from lapsed import app, configuration, service
from lapsed.take import reader
from tests.benchmarks.bench_release import STILL, bare, tell

CHANGES_PER_S = 5.0
IDLE_S = 20.0

PRINTER = """
[[printer]]
name = "p{number}"
[printer.link]
url = "{url}"
[printer.machine]
park_point_mm = [8, 212]
settle_s = 0.02
[printer.cadence]
last_frame = false
every_layers = 1
park = {park}
[[printer.camera]]
kind = "{kind}"
exposure_s = 0.01
{camera}
"""


def written(folder: Path, urls: list[str], port: int, kind: str) -> Path:
    """The configuration with a printer for each address; the parking ones have odd numbers."""
    camera = {"gphoto": "", "scene": "width_px = 320\nheight_px = 240\nready_within_s = 300"}[kind]
    printers = [
        PRINTER.format(
            number=number,
            url=url,
            park=str(number % 2 == 1).lower(),
            kind=kind,
            camera=camera + (f'\nurl = "{url}"' if kind == "scene" else ""),
        )
        for number, url in enumerate(urls)
    ]
    head = f'[store]\nfolder = "{folder / "takes"}"\nmin_free_mb = 0\n[stitch]\nwhen = "never"\n[web]\nport = {port}\n'
    config = folder / "lapsed.toml"
    config.write_text(head + "".join(printers))
    return config


def daemon(config: Path) -> None:
    """The daemon as `lapsed run` has it, but with the benchmark's camera in place of one on USB."""
    logging.basicConfig(stream=sys.stderr, level=logging.INFO)
    app.CAMERA_KINDS["gphoto"] = STILL
    asyncio.run(service.serve(configuration.load(config), config))


class Page:
    """A page that is open, as a process that reads what the daemon tells."""

    def __init__(self, port: int) -> None:
        self._port = port

    @contextmanager
    def open(self) -> Iterator[None]:
        """Open while the block lasts."""
        code = (
            f"import urllib.request as r\nfor line in r.urlopen('http://127.0.0.1:{self._port}/api/now/stream'): pass\n"
        )
        process = subprocess.Popen([sys.executable, "-c", code], stderr=subprocess.DEVNULL)
        try:
            yield
        finally:
            process.kill()
            process.wait()


def free_port() -> int:
    """A port that is free now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def until(done: Callable[[], bool], within_s: float) -> float:
    """Wait until `done()` holds; the seconds that took."""
    start = time.monotonic()
    while not done():
        if time.monotonic() - start > within_s:
            raise SystemExit("that took too long")
        time.sleep(0.2)
    return time.monotonic() - start


def share_of_a_core(process: psutil.Process, for_s: float) -> float:
    """Processor time over time, percent of one core."""
    was, start = process.cpu_times(), time.monotonic()
    time.sleep(for_s)
    now = process.cpu_times()
    return 100 * (now.user + now.system - was.user - was.system) / (time.monotonic() - start)


def say(text: str) -> None:
    """Print at once, whatever standard output is."""
    print(text, flush=True)  # noqa: T201 - it is a script


def report_memory(process: psutil.Process) -> None:
    """Resident memory of the daemon, and what each worker has of its own."""
    own = [child.memory_full_info().uss / 1e6 for child in process.children()]
    resident, handles, threads = process.memory_info().rss / 1e6, process.num_fds(), process.num_threads()
    say(f"daemon {resident:.1f} MB resident, {handles} descriptors, {threads} threads; {len(own)} workers")
    say(f"a worker has {sum(own) / max(1, len(own)):.1f} MB of its own, the greatest {max(own, default=0):.1f} MB")


def ended(store: Path) -> int:
    """How many takes are over."""
    return sum(take.outcome is not None for take in reader.list_takes(store))


def report_takes(store: Path) -> None:
    """What became of the cues, and how long they took."""
    takes = [reader.read_take(take.folder) for take in reader.list_takes(store)]
    outcomes = Counter(shot.outcome for take in takes for shot in take.shots)
    reasons = Counter(shot.reason for take in takes for shot in take.shots if shot.outcome == "missed")
    say(f"{len(takes)} takes, {sum(len(take.cues) for take in takes)} cues: {dict(outcomes)} {dict(reasons)}")
    ordered, released, held = [], [], []
    for take in takes:
        cues = {cue.number: cue for cue in take.cues}
        held += [cue.resumed_s - cue.held_s for cue in take.cues if cue.resumed_s and cue.held_s]
        for shot in take.shots:
            cue = cues[shot.cue]
            if cue.held_s is None and cue.mono_s and shot.ordered_s and shot.released_s:
                ordered.append(shot.ordered_s - cue.mono_s)
                released.append(shot.released_s - cue.mono_s)
    tell("cue to order, no hold", ordered)
    tell("cue to release, no hold", released)
    if held:
        tell("hold to resumed", held)


def main() -> None:
    """Measure and print."""
    numbers = [int(word) for word in sys.argv[1:] if word.isdecimal()]
    printers, layers = [*numbers, *(50, 12)[len(numbers) :]]
    kind = "scene" if "scene" in sys.argv else "gphoto"
    port = free_port()
    layer_s = printers / CHANGES_PER_S
    environment = {**os.environ, "PYTHONUNBUFFERED": "1"}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        arguments = [sys.executable, "-m", "tests.benchmarks.many_hosts", str(printers), str(layers), str(layer_s)]
        host = subprocess.Popen(arguments, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        assert host.stdin is not None
        assert host.stdout is not None
        config = written(folder, json.loads(host.stdout.readline()), port, kind)
        log = (folder / "log").open("w+")
        child = subprocess.Popen(
            [sys.executable, "-m", "tests.benchmarks.bench_many", "--daemon", str(config)], stderr=log, env=environment
        )
        try:
            process = psutil.Process(child.pid)
            measure(process, lambda: print("go", file=host.stdin, flush=True), port, printers, layers * layer_s)
            until(lambda: ended(folder / "takes") == printers, 300)
            report_memory(process)
            child.send_signal(signal.SIGTERM)
            say(f"ended within {until(lambda: child.poll() is not None, 30):.1f} s, status {child.returncode}")
        finally:
            child.kill()
            child.wait()
            host.stdin.close()
            host.wait()
            host.stdout.close()
            log.seek(0)
            lines = log.readlines()
            troubles = [line for line in lines if not line.startswith("INFO")]
            say(f"{len(lines)} lines logged, {len(troubles)} of them warnings or worse\n{''.join(troubles[:3])}")
            log.close()
        report_takes(folder / "takes")
    tell("bare socket round trip", asyncio.run(bare(1000)))


def measure(process: psutil.Process, begin: Callable[[], None], port: int, printers: int, print_s: float) -> None:
    """Watch the daemon idle, then through the prints, half of that time with a page open."""

    def health() -> dict[str, str]:
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/health", timeout=20) as answer:
                found: dict[str, str] = json.load(answer)
                return found
        except OSError:
            return {}

    full = f"{printers} of {printers}"
    ready_s = until(lambda: health().get("cameras_ready") == full == health().get("hosts_heard"), 300)
    say(f"all hosts heard and all cameras ready after {ready_s:.1f} s")
    report_memory(process)
    page = Page(port)
    say(f"idle: {share_of_a_core(process, IDLE_S):.2f} % of a core")
    with page.open():
        say(f"idle, a page open: {share_of_a_core(process, IDLE_S):.2f} % of a core")
    begin()
    say(f"printing: {share_of_a_core(process, print_s * 0.5):.1f} % of a core")
    with page.open():
        say(f"printing, a page open: {share_of_a_core(process, print_s * 0.4):.1f} % of a core")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--daemon"]:
        daemon(Path(sys.argv[2]))
    else:
        main()
