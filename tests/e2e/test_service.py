"""The daemon as the service manager runs it: told that it is ready, fed, read anew, stopped."""

import contextlib
import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
import urllib.request

import pytest

CONFIG = """
[store]
folder = "{store}"
min_free_mb = 0
[stitch]
when = "never"
[web]
port = 0
[[printer]]
name = "{name}"
cadence = {{ every_layers = 1, park = false }}
[printer.link]
url = "ws://127.0.0.1:9/{store}"
[[printer.camera]]
kind = "gphoto"
"""


class Unit:
    """A daemon under a manager that is the test itself."""

    def __init__(self, folder):
        self.folder = folder
        self.config = folder / "lapsed.toml"
        self.configure("pier")
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(str(folder / "notify"))
        self.socket.settimeout(0.1)
        self.heard = []
        environment = {**os.environ, "NOTIFY_SOCKET": str(folder / "notify"), "WATCHDOG_USEC": "1000000"}
        command = [sys.executable, "-m", "lapsed", "run", "--config", str(self.config)]
        with (folder / "log").open("w") as log:
            self.process = subprocess.Popen(command, env=environment, stderr=log)

    def configure(self, name):
        self.config.write_text(CONFIG.format(store=self.folder / "takes", name=name))

    def until(self, found, within_s=30.0):
        until = time.monotonic() + within_s
        while True:
            assert time.monotonic() < until, (self.heard, self.log())
            with contextlib.suppress(TimeoutError):
                self.heard.append(self.socket.recv(500).decode())
            if found():
                return

    def log(self):
        return (self.folder / "log").read_text()

    def close(self):
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait(10)
        self.socket.close()


@pytest.fixture
def unit(tmp_path):
    made = Unit(tmp_path)
    yield made
    made.close()


def test_a_service_manager_is_told_and_a_new_configuration_counts_between_prints(unit):
    unit.until(lambda: "READY=1" in unit.heard)
    unit.until(lambda: unit.heard.count("WATCHDOG=1") >= 3)
    unit.until(lambda: any(text.startswith("STATUS=no host heard for pier") for text in unit.heard))

    unit.config.write_text("printer = 3")
    unit.process.send_signal(signal.SIGHUP)
    unit.until(lambda: "the configuration stays as it was" in unit.log())

    unit.configure("mole")
    unit.process.send_signal(signal.SIGHUP)
    unit.until(lambda: any(text.startswith("STATUS=no host heard for mole") for text in unit.heard))
    address = re.findall(r"the page is at (\S+)", unit.log())[-1]
    with urllib.request.urlopen(f"{address}api/now", timeout=10) as answer:  # noqa: S310 - our own loopback address
        assert [printer["name"] for printer in json.load(answer)["printers"]] == ["mole"]

    unit.process.send_signal(signal.SIGTERM)
    assert unit.process.wait(5) == 0
    unit.until(lambda: "STOPPING=1" in unit.heard)
    assert "Traceback" not in unit.log()
