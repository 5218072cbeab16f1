"""The real daemon and the simulated host, each a process of its own."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from websockets.sync.client import connect

from lapsed.sim.part import write_part
from lapsed.take import reader

CONFIG = """
[web]
serve = {serve}
port = {port}

[store]
folder = "{store}"
min_free_mb = 10
[stitch]
when = "idle"
[[clip]]
name = "small"
size_px = [160, 120]
preset = "ultrafast"
[[printer]]
name = "ottermole"
[printer.link]
url = "{url}"
retry_most_s = 0.3
[printer.machine]
park_point_mm = [8, 212]
settle_s = 0.01
[printer.cadence]
every_layers = 1
hold_limit_s = 6
[[printer.camera]]
kind = "gphoto"
exposure_s = 0.01
expose_within_s = 60
"""


class Workshop:
    """A simulated host printing a part, a card for the virtual camera, and a daemon that films."""

    def __init__(
        self, folder: Path, layers: int, speed: float, faults: list[dict[str, object]], port: int | None
    ) -> None:
        self.folder = folder
        self.layers = layers
        self.part = folder / "beacon.gcode"
        self.part.write_text(write_part(layers))
        self.log = folder / "host.jsonl"
        card = folder / "card" / "DCIM" / "100OTTER"
        card.mkdir(parents=True)
        import cv2  # noqa: PLC0415 - only for one picture
        import numpy as np  # noqa: PLC0415 - likewise

        grey = np.full((240, 320, 3), 128, np.uint8)
        cv2.imwrite(str(card / "OTTR0001.JPG"), grey)
        script = folder / "faults.json"
        script.write_text(json.dumps(faults))
        self.host = subprocess.Popen(
            [sys.executable, "-m", "lapsed.sim.host", "--speed", str(speed), "--log", self.log, "--faults", script],
            stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert self.host.stdout is not None
        url = self.url = json.loads(self.host.stdout.readline())["url"]
        self.store = folder / "takes"
        self.config = folder / "lapsed.toml"
        serve = "false" if port is None else "true"
        self.config.write_text(CONFIG.format(store=self.store, url=url, serve=serve, port=port or 0))
        self.daemon = self.start()
        self.begin()

    def begin(self) -> None:
        """Have the host print, once the daemon hears it and its camera is there: a busy machine takes its time."""
        until = time.monotonic() + 60
        while not all(word in self.said() for word in (" is heard", "camera main of ottermole: ")):
            assert time.monotonic() < until, self.said()
            time.sleep(0.05)
        with connect(self.url, proxy=None) as host:
            call = {"jsonrpc": "2.0", "id": 1, "method": "job.begin", "params": {"file": str(self.part)}}
            host.send(json.dumps(call))
            assert "result" in json.loads(host.recv(60))

    def said(self) -> str:
        """The daemon's log until now."""
        return (self.folder / "daemon.log").read_text()

    def start(self) -> subprocess.Popen:
        """A daemon, as the service starts it."""
        environment = {**os.environ, "VCAMERADIR": str(self.folder / "card")}
        command = [sys.executable, "-m", "lapsed", "run", "--config", str(self.config)]
        with (self.folder / "daemon.log").open("a") as log:
            self.daemon = subprocess.Popen(command, env=environment, stderr=log)
        return self.daemon

    def kill(self) -> None:
        """SIGKILL, at whatever it is doing."""
        self.daemon.send_signal(signal.SIGKILL)
        self.daemon.wait()

    def close(self) -> None:
        for process in (self.daemon, self.host):
            if process.poll() is None:
                process.terminate()
        for process in (self.daemon, self.host):
            process.wait(20)
        self.host.stdout.close()

    def take(self):
        """The one take, as it reads now; None before it is there."""
        takes = [summary.folder for summary in reader.list_takes(self.store) if summary.problem is None]
        assert len(takes) <= 1
        return reader.read_take(takes[0]) if takes else None

    def wait(self, done, within_s: float):
        """Wait until `done(take)` holds; the take."""
        until = time.monotonic() + within_s
        while True:
            take = self.take()
            if take is not None and done(take):
                return take
            assert time.monotonic() < until, (self.folder / "daemon.log").read_text()[-3000:]
            time.sleep(0.1)

    def holds(self) -> list[float]:
        """How long each hold kept the print, s of real time."""
        entries = [json.loads(line) for line in self.log.read_text().splitlines() if '"event"' in line]
        held = [entry["mono_s"] for entry in entries if entry["event"] == "held"]
        freed = [min(e["mono_s"] for e in entries if e["event"] == "running" and e["mono_s"] > at) for at in held]
        return [to - at for at, to in zip(held, freed, strict=True)]

    def picture(self) -> Path:
        """What the virtual camera takes as its picture."""
        return self.folder / "card" / "DCIM" / "100OTTER" / "OTTR0001.JPG"

    def executed(self):
        """What the machine carried out, in order."""
        entries = [json.loads(line) for line in self.log.read_text().splitlines()]
        return [entry for entry in entries if "line" in entry]


@pytest.fixture
def workshop(tmp_path):
    """Makes a workshop; one for each test."""
    made = []

    def make(
        layers: int, speed: float = 60.0, faults: tuple[dict[str, object], ...] = (), port: int | None = None
    ) -> Workshop:
        made.append(Workshop(tmp_path, layers, speed, list(faults), port))
        return made[0]

    yield make
    for one in made:
        one.close()
