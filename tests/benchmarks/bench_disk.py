"""Bytes written for each shot against the size of its frame: what filming costs an SD card.

Run: .venv/bin/python -m tests.benchmarks.bench_disk [SHOTS]. The real daemon films a simulated print through
libgphoto2's virtual camera, whose pictures are of some 5 MB. Told are the bytes that daemon and worker handed to the
kernel (wchar of /proc/PID/io, with what the daemon says on pipes and sockets) and those sent to storage (write_bytes;
0 on a file system in memory), in all and beyond the frames; both from proc(5).

Measured on ext4, 40 frames of 5.6 MB: 1.010 times the frames handed over, 1.018 times sent to storage, 103 kB a shot.
"""

import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import psutil
import simplejpeg
from websockets.sync.client import connect

from lapsed.sim.part import write_part
from lapsed.take import reader
from tests.benchmarks.bench_idle import configuration, say


def written(processes: list[psutil.Process]) -> tuple[int, int]:
    """Bytes handed to the kernel, and sent to storage."""
    counters = [process.io_counters() for process in processes]
    return sum(one.write_chars for one in counters), sum(one.write_bytes for one in counters)


def main() -> None:
    shots = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    with tempfile.TemporaryDirectory(dir=Path.cwd()) as place:
        folder = Path(place)
        card = folder / "card" / "DCIM" / "100OTTER"
        card.mkdir(parents=True)
        noise = np.random.default_rng(3).integers(0, 256, (1500, 2000, 3), dtype=np.uint8)
        (card / "OTTR0001.JPG").write_bytes(simplejpeg.encode_jpeg(noise, quality=90))
        part = folder / "beacon.gcode"
        part.write_text(write_part(shots))
        command = [sys.executable, "-m", "lapsed.sim.host", "--speed", "40"]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as host:
            url = json.loads(host.stdout.readline())["url"]
            config = folder / "lapsed.toml"
            config.write_text(configuration(folder, url))
            environment = {**os.environ, "VCAMERADIR": str(folder / "card")}
            daemon = subprocess.Popen([sys.executable, "-m", "lapsed", "run", "--config", str(config)], env=environment)
            time.sleep(10)
            watched = psutil.Process(daemon.pid)
            processes = [watched, *watched.children()]
            before = written(processes)
            with connect(url, proxy=None) as caller:
                call = {"jsonrpc": "2.0", "id": 1, "method": "job.begin", "params": {"file": str(part)}}
                caller.send(json.dumps(call))
                caller.recv()
            while not any(take.outcome for take in reader.list_takes(folder / "takes")):
                time.sleep(0.5)
            after = written(processes)
            for process in (daemon, host):
                process.terminate()
                process.wait()
        take = reader.read_take(reader.list_takes(folder / "takes")[0].folder)
        sizes = [shot.size_bytes for shot in take.shots if shot.outcome == "landed"]
        say(f"{len(sizes)} frames of {sum(sizes) / len(sizes) / 1e6:.2f} MB; {len(take.cues)} cues")
        for what, late, early in zip(("handed over", "to storage"), after, before, strict=True):
            whole = late - early
            beyond = (whole - sum(sizes)) / len(sizes)
            say(
                f"  {what:12} {whole / sum(sizes):.4f} times the frames; {beyond / 1e3:.1f} kB beyond the frame, a shot"
            )


if __name__ == "__main__":
    main()
