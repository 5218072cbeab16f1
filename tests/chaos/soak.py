"""Prints filmed one after another without a pause: memory, descriptors, threads, journal and processor time stay flat.

Run: .venv/bin/python -m tests.chaos.soak [--minutes 60] [--every-s 60] [--keep 20]. The daemon as its service runs it,
a worker with the kind `command`, and the simulated host, each a process of its own, film as fast as they can; old takes
are deleted between prints. A line for each sample, then for each figure its slope and whether it is flat: by how much
the straight line through the last two thirds rises in an hour, against 1 % of the mean.
"""

import argparse
import contextlib
import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import psutil
from websockets.sync.client import ClientConnection, connect

from lapsed import clock
from lapsed.take import reader
from tests import configured
from tests.chaos.camera import picture
from tests.chaos.yard import part

LAYERS = 100
SPEED = 60
PATIENCE_S = 120.0
FLAT = 0.01
"""Of the mean, in an hour."""


@dataclass(slots=True)
class Soak:
    """What is under way, and the figures that were sampled: name to (hours, figure)."""

    folder: Path
    host: ClientConnection
    processes: dict[str, psutil.Process]
    sampled: dict[str, list[tuple[float, float]]] = field(default_factory=dict)
    counted: set[str] = field(default_factory=set)
    prints: int = 0
    cues: int = 0
    landed: int = 0
    journal_bytes: int = 0
    calls: int = 0

    @property
    def store(self) -> Path:
        return self.folder / "takes"

    def call(self, method: str, **params: object) -> dict[str, dict[str, object]]:
        """One of the host's calls, on a connection that hears no news."""
        self.calls += 1
        self.host.send(json.dumps({"jsonrpc": "2.0", "id": self.calls, "method": method, "params": params}))
        return json.loads(self.host.recv(timeout=PATIENCE_S))["result"]

    def film(self, file: Path) -> None:
        """One print from its beginning until its take is closed."""
        self.call("job.begin", file=str(file))
        until = clock.monotonic() + PATIENCE_S
        while self.call("bench.tell")["job"]["stage"] != "finished" or not self._all_closed():
            if clock.monotonic() > until:
                raise TimeoutError("the print isn't over, or its take isn't closed")
            time.sleep(0.1)
        self.prints += 1

    def _all_closed(self) -> bool:
        takes = reader.list_takes(self.store)
        return len(takes) > len(self.counted & {take.name for take in takes}) and all(
            take.outcome is not None for take in takes
        )

    def count_and_delete(self, keep: int) -> None:
        """Count the takes that are new, and delete all but the newest."""
        for at, take in enumerate(reader.list_takes(self.store)):
            if take.name not in self.counted:
                self.counted.add(take.name)
                self.cues += take.cues
                self.landed += take.landed
                self.journal_bytes += (take.folder / "take.db").stat().st_size
            if at >= keep:
                shutil.rmtree(take.folder)


def cpu_s(process: psutil.Process) -> float:
    times = process.cpu_times()
    return sum(times[:4])  # with the children that were waited for


def sample(soak: Soak, hours: float, since: dict[str, float]) -> str:
    """Take each figure once; what happened since the last time is in `since`, and is brought up to date."""
    cues = soak.cues - since.get("cues", 0)
    said = [f"{hours * 60:5.1f} min {soak.prints:5} prints {soak.cues:6} cues {soak.landed:6} landed;"]
    for name, process in soak.processes.items():
        busy = cpu_s(process)
        figures = {
            "MB": process.memory_info().rss / 1e6,
            "descriptors": process.num_fds(),
            "threads": process.num_threads(),
            "ms a cue": (busy - since.get(name, busy)) / max(1, cues) * 1e3,
        }
        since[name] = busy
        said.append(f"{name} " + " ".join(f"{figure:.1f} {unit}" for unit, figure in figures.items()) + ";")
        for unit, figure in figures.items():
            soak.sampled.setdefault(f"{name}, {unit}", []).append((hours, figure))
    journal = (soak.journal_bytes - since.get("journal", 0)) / max(1, cues)
    soak.sampled.setdefault("journal, bytes a cue", []).append((hours, journal))
    since["cues"], since["journal"] = soak.cues, soak.journal_bytes
    return " ".join(said) + f" journal {journal:.0f} bytes a cue\n"


def slopes(sampled: dict[str, list[tuple[float, float]]]) -> Iterator[str]:
    """A line for each figure: first, last, mean and rise in an hour, once things have warmed up."""
    for name, points in sampled.items():
        warm = points[len(points) // 3 :]
        hours, figures = zip(*warm, strict=True)
        mean = statistics.fmean(figures)
        rise = statistics.linear_regression(hours, figures).slope if len(warm) > 1 else 0.0
        noise = statistics.stdev(figures) if len(warm) > 1 else 0.0
        flat = rise <= max(FLAT * mean, noise)
        yield (
            f"{name:28} mean {mean:9.2f}  least {min(figures):9.2f}  most {max(figures):9.2f}  "
            f"{rise:+9.3f} an hour  {'flat' if flat else 'RISES'}\n"
        )


@contextlib.contextmanager
def running(folder: Path) -> Iterator[Soak]:
    """Host, daemon and worker, each a process; ended with the context."""
    picture_file = folder / "picture.jpg"
    picture_file.write_bytes(picture(1, 0.0))
    config = folder / "lapsed.toml"
    command = [sys.executable, "-m", "lapsed.sim.host", "--speed", str(SPEED), "--log", os.devnull]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as host:
        url = json.loads(host.stdout.readline())["url"]
        config.write_text(
            configured.written(
                folder / "takes",
                f'url = "{url}"',
                camera=f'kind = "command"\nargv = ["cp", "{picture_file}", "{{out}}"]',
                web="port = 0",
            )
        )
        lapsed = [sys.executable, "-m", "lapsed", "run", "--config", str(config)]
        with (folder / "log").open("w") as log, subprocess.Popen(lapsed, stderr=log) as daemon:
            try:
                watched = psutil.Process(daemon.pid)
                until = clock.monotonic() + PATIENCE_S
                while "camera main of ottermole: the program" not in (folder / "log").read_text():
                    if clock.monotonic() > until:
                        raise TimeoutError((folder / "log").read_text())
                    time.sleep(0.2)
                with connect(url, proxy=None) as caller:
                    processes = {"daemon": watched, "worker": watched.children()[0]}
                    yield Soak(folder, caller, processes | {"host": psutil.Process(host.pid)})
            finally:
                daemon.terminate()
                daemon.wait()
                host.terminate()


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.chaos.soak", description="Prints without a pause.")
    parser.add_argument("--minutes", type=float, default=60)
    parser.add_argument("--every-s", type=float, default=60, help="between two samples")
    parser.add_argument("--keep", type=int, default=20, help="takes that are not deleted")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="soak-") as place, running(Path(place)) as soak:
        file = soak.folder / "post.gcode"
        file.write_text(part(LAYERS))
        soak.film(file)  # what is loaded late is loaded by now
        soak.count_and_delete(options.keep)
        since: dict[str, float] = {}
        sample(soak, 0.0, since)
        soak.sampled.clear()
        begun = last = clock.monotonic()
        while clock.monotonic() - begun < options.minutes * 60:
            soak.film(file)
            soak.count_and_delete(options.keep)
            if clock.monotonic() - last >= options.every_s:
                last = clock.monotonic()
                sys.stdout.write(sample(soak, (last - begun) / 3600, since))
                sys.stdout.flush()
        sys.stdout.writelines(slopes(soak.sampled))


if __name__ == "__main__":
    main()
