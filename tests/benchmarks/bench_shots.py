"""One print of many layers on libgphoto2's virtual camera: no shot is lost, and memory hardly grows.

Run: .venv/bin/python -m tests.benchmarks.bench_shots [SHOTS]. The daemon as `lapsed run` has it, its real worker with
the real library, and the simulated host, each a process of its own; each shot holds the print, parks the head, and
fetches a file of 200 kB; a shot lost ends it with an error. The virtual camera takes 26 pictures a session, so the
session is renewed all the time.

Measured on two x86-64 cores that had other work to do, 2000 shots in 318 s, all landed; MB resident:

    shots landed     200    500   1000   1500   2000, and the take closed
    daemon          57.6   58.0   58.4   58.6   60.0
    worker          48.0   48.1   48.1   48.2   49.2

Held 0.105 s in the median, 1.342 s at most.
"""

import itertools
import json
import os
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import psutil
from websockets.sync.client import connect

from lapsed.take import reader
from tests import configured
from tests.benchmarks.bench_many import say

SAMPLED = (50, 200, 500, 1000, 1500, 2000)
SPEED = 60.0
"""How much faster than its own time the simulated machine runs."""

SIDE_MOVES = 16
"""Moves of each side of the post: a layer with fewer than the machine takes in ahead is over as soon as it begins."""

PATIENCE_S = 1800.0
PICTURE_BYTES = 200_000


def part(layers: int) -> str:
    """A square post with so many layers of 0.1 mm, of more moves each than the machine takes in ahead."""
    lines = ["G28", "G90", "M82", "G92 E0", "G1 Z0.1 F600"]
    e = 0.0
    corners = ((100, 100), (120, 100), (120, 120), (100, 120), (100, 100))
    for layer in range(1, layers + 1):
        lines.append(f"G1 Z{layer * 0.1:.1f} F600")
        for (x0, y0), (x1, y1) in itertools.pairwise(corners):
            for step in range(1, SIDE_MOVES + 1):
                e += 0.8 / SIDE_MOVES
                x, y = (a + (b - a) * step / SIDE_MOVES for a, b in ((x0, x1), (y0, y1)))
                lines.append(f"G1 X{x:.3f} Y{y:.3f} E{e:.4f} F1200")
    return "\n".join([*lines, f"G1 Z{layers * 0.1 + 10:.1f} F600", "M84"]) + "\n"


def ready(log: Path) -> None:
    """Wait until the daemon hears its host and has its camera."""
    until = time.monotonic() + 60
    while not all(word in log.read_text() for word in (" is heard", "camera main of ottermole: ")):
        if time.monotonic() > until:
            raise SystemExit(log.read_text())
        time.sleep(0.1)


def film(store: Path, shots: int, daemon: psutil.Process) -> None:
    """Follow the print to the end of its take; memory at each of SAMPLED."""
    due = [count for count in SAMPLED if count < shots]
    began_s = time.monotonic()
    while time.monotonic() < began_s + PATIENCE_S:
        time.sleep(0.2)
        (take,) = reader.list_takes(store) or (None,)
        if take is None:
            continue
        if (due and take.landed >= due[0]) or take.outcome is not None:
            resident = [process.memory_info().rss / 1e6 for process in (daemon, *daemon.children())]
            took_s = time.monotonic() - began_s
            say(f"{take.landed:5} landed, {took_s:5.0f} s: daemon {resident[0]:.1f} MB, worker {resident[1]:.1f} MB")
            due = due[1:]
        if take.outcome is not None:
            return
    raise SystemExit("that took too long")


def main() -> None:
    shots = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        card = folder / "card" / "DCIM" / "100OTTER"
        card.mkdir(parents=True)
        # The shortest that passes for whole (ITU-T T.81, table B.1), and bytes after its end, which are allowed.
        (card / "OTTR0001.JPG").write_bytes(b"\xff\xd8\xff\xda\x00\x02s\xff\xd9".ljust(PICTURE_BYTES, b"\0"))
        post, config, log = folder / "post.gcode", folder / "lapsed.toml", folder / "daemon.log"
        post.write_text(part(shots))
        command = [sys.executable, "-m", "lapsed.sim.host", "--speed", str(SPEED)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as host, log.open("w") as said:
            url = json.loads(host.stdout.readline())["url"]
            config.write_text(
                configured.written(
                    folder / "takes",
                    f'url = "{url}"',
                    machine="park_point_mm = [8, 212]\ntravel_mm_s = 1000\nacceleration_mm_s2 = 50000\nsettle_s = 0",
                    cadence="every_layers = 1\nlast_frame = false",
                    camera='kind = "gphoto"\nexposure_s = 0.001',
                )
            )
            environment = {**os.environ, "VCAMERADIR": str(folder / "card")}
            run = [sys.executable, "-m", "lapsed", "run", "--config", str(config)]
            with subprocess.Popen(run, env=environment, stderr=said) as daemon:
                try:
                    ready(log)
                    with connect(url, proxy=None) as caller:
                        call = {"jsonrpc": "2.0", "id": 1, "method": "job.begin", "params": {"file": str(post)}}
                        caller.send(json.dumps(call))
                        caller.recv()
                    film(folder / "takes", shots, psutil.Process(daemon.pid))
                finally:
                    daemon.terminate()
                    host.terminate()
        take = reader.read_take(reader.list_takes(folder / "takes")[0].folder)
        say(f"{len(take.cues)} cues: {dict(Counter(shot.outcome for shot in take.shots))}")
        say(f"{Counter(shot.reason for shot in take.shots if shot.reason)}")
        if len(take.cues) != shots or any(shot.outcome != "landed" for shot in take.shots):
            raise SystemExit("shots were lost")
        holds = sorted(cue.resumed_s - cue.held_s for cue in take.cues if cue.held_s and cue.resumed_s)
        say(f"holds: median {holds[len(holds) // 2]:.3f} s, longest {holds[-1]:.3f} s")


if __name__ == "__main__":
    main()
