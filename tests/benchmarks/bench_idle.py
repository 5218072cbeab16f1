"""What a daemon costs while nothing prints, and while something does: memory and processor time of each process.

Run: .venv/bin/python -m tests.benchmarks.bench_idle [SECONDS] [away]. Prints resident memory and, over so many
seconds, the share of one core, of the daemon as the service runs it (with its page) and of its camera worker
(libgphoto2 with its virtual camera); the budget of an idle daemon is 60 MB and 0.5 % of one core. The host tells where
the head is four times a second, as hosts do, and prints in the second part.

Measured on two x86-64 cores: idle, daemon 56 MB (39 MB its own) and 0.0 %, worker 48 MB (33 MB its own); in a print of
real speed, daemon 58 MB and 0.2 %. With `away` there is no camera, and all that is measured is an idle daemon together
with the workers that look for one, from two minutes after its start: 56 MB and 0.18 % in 600 s.
"""

import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import psutil
from websockets.sync.client import connect

from lapsed.sim.part import write_part
from tests import configured


def configuration(folder: Path, url: str) -> str:
    """Of a daemon with all that usually runs in it."""
    return configured.written(
        folder / "takes",
        f'url = "{url}"',
        machine="park_point_mm = [8, 212]",
        camera='kind = "gphoto"\nexpose_within_s = 60',
        web="port = 0",
    )


def say(text: str) -> None:
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


def cost(processes: dict[str, psutil.Process], seconds: float) -> None:
    """Print what each process takes over so many seconds, with what its ended children took."""
    before = {name: sum(process.cpu_times()[:4]) for name, process in processes.items()}
    begun = time.monotonic()
    time.sleep(seconds)
    spent = time.monotonic() - begun
    for name, process in processes.items():
        share = (sum(process.cpu_times()[:4]) - before[name]) / spent
        memory = process.memory_full_info()
        say(f"  {name:16} {memory.rss / 1e6:6.1f} MB resident ({memory.uss / 1e6:.1f} MB own), {share:7.2%} of a core")


def begin(url: str, part: Path) -> None:
    """Have the host print."""
    with connect(url, proxy=None) as caller:
        call = {"jsonrpc": "2.0", "id": 1, "method": "job.begin", "params": {"file": str(part)}}
        caller.send(json.dumps(call))
        caller.recv()


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 30.0
    away = "away" in sys.argv[2:]
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        card = folder / "card" / "DCIM" / "100OTTER"
        card.mkdir(parents=True)
        import numpy as np  # noqa: PLC0415 - likewise
        from simplejpeg import encode_jpeg  # noqa: PLC0415 - only for one picture

        (card / "OTTR0001.JPG").write_bytes(encode_jpeg(np.full((480, 640, 3), 128, np.uint8)))
        part = folder / "beacon.gcode"
        part.write_text(write_part(40))
        command = [sys.executable, "-m", "lapsed.sim.host"]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as host:
            url = json.loads(host.stdout.readline())["url"]
            config = folder / "lapsed.toml"
            config.write_text(configuration(folder, url))
            environment = {**os.environ, **({} if away else {"VCAMERADIR": str(folder / "card")})}
            daemon = subprocess.Popen([sys.executable, "-m", "lapsed", "run", "--config", str(config)], env=environment)
            time.sleep(120 if away else 10)
            watched = psutil.Process(daemon.pid)
            processes = {"daemon": watched} | ({} if away else {"camera worker": watched.children()[0]})
            say("no print:")
            cost(processes, seconds)
            if not away:
                begin(url, part)
                time.sleep(2)
                say("a print under way:")
                cost(processes, seconds)
            for process in (daemon, host):
                process.terminate()
                process.wait()


if __name__ == "__main__":
    main()
