"""A printer, a bridge and a streaming host as processes of their own, and what they left behind."""

import json
import os
import subprocess
import sys
import time
from pathlib import Path

from lapsed.bridge.holding import Ways
from lapsed.bridge.options import Options
from lapsed.sim.stream import Stream


class SerialWorkshop:
    """Everything in one folder; `close` ends what still runs."""

    def __init__(self, folder: Path, lines, *, speed: float = 200.0, faults=(), socket: bool = True, ways=None) -> None:
        self.folder = folder
        self.part = folder / "foot.gcode"
        self.part.write_text("\n".join(lines) + "\n")
        self.log = folder / "printer.jsonl"
        self.tty, self.port, self.socket = folder / "printer", folder / "ottermole.port", folder / "ottermole.sock"
        script = folder / "faults.json"
        script.write_text(json.dumps(list(faults)))
        self.processes = []
        self.printer = self.start(
            "lapsed.sim.firmware", "--speed", speed, "--log", self.log, "--link", self.tty, "--faults", script
        )
        self.wait(self.tty.is_symlink)
        self.options = Options(
            str(self.tty), 250000, str(self.port), socket=str(self.socket) if socket else None, ways=ways or Ways()
        )
        self.bridge = self.stand_between()

    def start(self, module: str, *arguments) -> subprocess.Popen:
        with (self.folder / f"{module}.log").open("a") as log:
            process = subprocess.Popen(
                [sys.executable, "-m", module, *map(str, arguments)], stdout=log, stderr=log, env={**os.environ}
            )
        self.processes.append(process)
        return process

    def stand_between(self) -> subprocess.Popen:
        """A bridge, once it can be opened."""
        was = self.port.lstat().st_ctime_ns if self.port.is_symlink() else 0
        bridge = self.start("lapsed.bridge", self.options.text())
        self.wait(lambda: self.port.is_symlink() and self.port.lstat().st_ctime_ns != was)
        return bridge

    def send(self, *arguments) -> subprocess.Popen:
        """A host that streams the part."""
        self.stream = arguments
        return self.start("lapsed.sim.sender", self.port, self.part, "--quiet", 1, *arguments)

    def wait(self, condition, within_s: float = 60.0) -> None:
        until = time.monotonic() + within_s
        while not condition():
            assert time.monotonic() < until, "".join(path.read_text() for path in self.folder.glob("*.log"))
            time.sleep(0.01)

    def entries(self):
        return [json.loads(line) for line in self.log.read_text().splitlines()]

    def executed(self):
        return [entry for entry in self.entries() if "event" not in entry]

    def host_lines(self):
        return [f"{entry['line']}\n".encode("latin-1") for entry in self.executed() if entry["number"] is not None]

    def sent(self, **ways):
        return Stream(self.part.read_text().splitlines(), **ways).sent

    def stop(self, process: subprocess.Popen) -> int:
        if process.poll() is None:
            process.terminate()
        return process.wait(20)

    def close(self) -> None:
        for process in reversed(self.processes):
            self.stop(process)
