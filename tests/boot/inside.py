"""What is looked at in there, one finding a line in /results/found; run by boot.service."""

import contextlib
import json
import os
import pty
import signal
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

from websockets.sync.client import connect

from lapsed.sim.part import write_part

STORE = Path("/var/lib/lapsed")
LAPSED = "/opt/lapsed/bin/lapsed"
CONFIG = """
[store]
folder = "/var/lib/lapsed"
min_free_mb = 10
[[clip]]
name = "wide"
size_px = [1280, 720]
preset = "ultrafast"
[[printer]]
name = "pier"
cadence = {{ every_layers = 1, hold_limit_s = 6 }}
machine = {{ park_point_mm = [8, 212], settle_s = 0.01 }}
link = {{ url = "{url}" }}
[[printer.camera]]
kind = "scene"
url = "{url}"
exposure_s = 0.01
[[printer]]
name = "workbench"
cadence = {{ every_layers = 1 }}
machine = {{ park_point_mm = [8, 212] }}
link = {{ kind = "bridge", port = "{port}" }}
[[printer.camera]]
kind = "scene"
url = "ws://127.0.0.1:1/"
exposure_s = 0.01
"""


def found(what: str, *, holds: bool, told: object = "") -> None:
    """Write a finding."""
    with Path("/results/found").open("a") as file:
        file.write(f"{'ok  ' if holds else 'FAIL'} {what} {told}".rstrip() + "\n")


def run(*words: str) -> str:
    """What a command says; its status is for what is found after it to show."""
    return subprocess.run(words, capture_output=True, text=True, check=False).stdout.strip()


def shown(unit: str, key: str) -> str:
    """A property of a unit."""
    return run("systemctl", "show", "--property", key, "--value", unit)


def until(holds, within_s: float) -> bool:
    """Whether it came to hold in time."""
    end = time.monotonic() + within_s
    while not holds():
        if time.monotonic() > end:
            return False
        time.sleep(0.1)
    return True


def stitches() -> list[tuple[int, str]]:
    """The processes that stitch, with their control groups."""
    made = []
    for entry in Path("/proc").iterdir():
        with contextlib.suppress(OSError):
            if entry.name.isdecimal() and b"lapsed\0stitch\0" in (entry / "cmdline").read_bytes():
                made.append((int(entry.name), (entry / "cgroup").read_text().partition("0::")[2].strip()))
    return made


def clips() -> list[Path]:
    """What was stitched to the end."""
    return list(STORE.glob("*/clips/sheet.jpg"))


def print_of(url: str, layers: int) -> None:
    """Have the host print."""
    part = Path("/opt/beacon.gcode")
    part.write_text(write_part(layers))
    with connect(url, proxy=None) as host:
        host.send(json.dumps({"jsonrpc": "2.0", "id": 1, "method": "job.begin", "params": {"file": str(part)}}))
        host.recv(60)


def look(url: str) -> None:
    """Everything, in its order."""
    run(LAPSED, "install-service", "--yes")
    found("the daemon is up", holds=until(lambda: shown("lapsed", "ActiveState") == "active", 30))
    found("its status is told", holds=until(lambda: "camera" in shown("lapsed", "StatusText"), 30))
    run("systemctl", "start", "lapsed-bridge@workbench")
    time.sleep(5)
    bridge = shown("lapsed-bridge@workbench", "MainPID")
    found("the bridge stays up", holds=bridge != "0" and shown("lapsed-bridge@workbench", "NRestarts") == "0")

    until(lambda: "pier" not in shown("lapsed", "StatusText"), 60)
    print_of(url, 25)
    time.sleep(6)
    took = []
    for _ in range(3):
        began = time.monotonic()
        run("systemctl", "stop", "lapsed")
        took.append(round(time.monotonic() - began, 1))
        run("systemctl", "start", "lapsed")
        time.sleep(3)
    found("stopped in mid-print it ends within 5 s", holds=max(took) < 5, told=took)
    found("the bridge is the same after that", holds=shown("lapsed-bridge@workbench", "MainPID") == bridge)

    found("the take is stitched by a service", holds=until(lambda: bool(stitches()), 120))
    groups = {group for _, group in stitches()}
    found("in a slice of its own", holds=all(group.startswith("/stitching.slice/") for group in groups), told=groups)
    found("to the end", holds=until(lambda: bool(clips()), 120))

    take = clips()[0].parents[1].name if clips() else "none"
    address = f"http://127.0.0.1:8140/api/takes/{take}/stitch"
    order = urllib.request.Request(address, b'{"length_s": 600}', {"Content-Type": "application/json"})
    urllib.request.urlopen(order, timeout=20).close()  # noqa: S310 - our own daemon's
    until(lambda: bool(stitches()), 60)
    time.sleep(3)
    os.kill(int(shown("lapsed", "MainPID")), signal.SIGKILL)
    found("a daemon that is killed takes its stitch with it", holds=until(lambda: not stitches(), 20))
    found("and is started again", holds=until(lambda: shown("lapsed", "ActiveState") == "active", 20))

    pid = shown("lapsed", "MainPID")
    os.kill(int(pid), signal.SIGSTOP)
    found("one that stands still is replaced", holds=until(lambda: shown("lapsed", "MainPID") not in (pid, "0"), 40))
    found("no traceback in the log", holds="Traceback" not in run("journalctl", "--no-pager"))
    run("systemctl", "stop", "lapsed-bridge@workbench")
    run(LAPSED, "install-service", "--undo", "--yes")
    left = [str(path) for path in Path("/etc/systemd/system").glob("lapsed*")] + [
        str(one) for one in Path("/run").glob("lapsed-s*")
    ]
    found("undone, nothing is left", holds=not left, told=left or "")


def main() -> None:
    """Start the simulated host and a printer's port, and look."""
    words = [sys.executable, "-m", "lapsed.sim.host", "--speed", "20"]
    host = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
    assert host.stdout is not None
    url = json.loads(host.stdout.readline())["url"]
    _, printer = pty.openpty()
    port = os.ttyname(printer)
    Path(port).chmod(0o666)
    Path("/etc/lapsed/lapsed.toml").write_text(CONFIG.format(url=url, port=port))
    try:
        look(url)
    finally:
        Path("/results/journal").write_text(run("journalctl", "--no-pager"))
        run("systemctl", "exit", "--force")


if __name__ == "__main__":
    main()
