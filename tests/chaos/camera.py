"""A camera for chaos: each picture is its own, and faults are ordered through a file while the worker runs.

A picture carries in a comment segment (COM of ITU-T T.81, B.2.4.5) its serial number, counted over all workers, and
the monotonic time of its exposure. A line of the file `orders` in the camera's home, as "fetch hang", is obeyed once,
by the next call of that name.
"""

import json
import os
import time
from collections.abc import Callable, Mapping
from pathlib import Path

from lapsed import clock
from lapsed.camera.landing import Landing
from lapsed.errors import RetryError, ShotMissedError
from lapsed.model import Check

# A whole picture but for the comment: start, a scan of nothing, end (ITU-T T.81, table B.1).
_START, _SCAN = b"\xff\xd8", b"\xff\xda\x00\x02"
_END = b"\xff\xd9"
PADDING = 20_000


def picture(serial: int, exposed_s: float) -> bytes:
    """A picture that says which it is; it ends long after that, so that a torn one shows."""
    words = json.dumps({"serial": serial, "exposed_s": exposed_s}).encode()
    comment = b"\xff\xfe" + (len(words) + 2).to_bytes(2, "big") + words
    return _START + comment + _SCAN + bytes(PADDING) + _END


def read_picture(data: bytes) -> tuple[int, float]:
    """The serial number and time of a whole picture; AssertionError for one that is torn."""
    length = int.from_bytes(data[4:6], "big")
    words = json.loads(data[6 : 4 + length])
    assert data == picture(words["serial"], words["exposed_s"]), "a frame is torn"
    return words["serial"], words["exposed_s"]


def open_camera(options: Mapping[str, object]) -> "ChaosCamera":
    """The double; its home is the folder in CHAOS_HOME."""
    camera = ChaosCamera(Path(os.environ["CHAOS_HOME"]))
    camera.obey("open")
    return camera


class ChaosCamera:
    """Obeys the orders in its home; without any it takes good pictures at once."""

    def __init__(self, home: Path) -> None:
        self._home = home
        self._exposed_s = 0.0
        self._serial = 0

    def obey(self, call: str) -> str:
        """Do what is ordered for `call`, once, whichever worker it meets; what is left to the caller is returned."""
        orders = self._home / "orders"
        try:
            lines = orders.read_text().splitlines()
        except OSError:
            return "ok"
        for line in lines:
            if line.split()[0] == call:
                kept = [other for other in lines if other is not line]
                fresh = orders.with_suffix(".fresh")
                fresh.write_text("".join(f"{other}\n" for other in kept))
                fresh.rename(orders)
                return _suffer(line.split()[1])
        return "ok"

    def ensure_ready(self) -> str:
        self.obey("ready")
        return "a camera for chaos"

    def release(self, _by_s: float, released: Callable[[float], None]) -> None:
        self.obey("release")
        with (self._home / "serials").open("ab") as file:
            file.write(b".")
            self._serial = file.tell()
        released(clock.monotonic())
        self.obey("expose")
        self._exposed_s = clock.monotonic()

    def fetch(self, landing: Landing) -> None:
        left = self.obey("fetch")
        if left == "none":
            return
        data = picture(self._serial, self._exposed_s)
        landing.part("chaos.jpg").write_bytes(data[: len(data) // 2] if left == "cut" else data)
        if left == "half":
            os._exit(3)

    def clear(self) -> None:
        self.obey("clear")

    def idle(self) -> str:
        self.obey("idle")
        return "a camera for chaos"

    def inspect(self) -> tuple[Check, ...]:
        return ()

    def ensure_stopped(self) -> None:
        self.obey("stop")


def _garbage() -> None:
    """Print, and write to every pipe there is, so to the one that the daemon listens to as well."""
    os.write(1, b"vendor code prints this\n")
    junk = (b'["Landed", {"shot": 1}]\n', b'["Exposed", null]\n', b"[1e999]\n", b"[" * 5000 + b"\n", b"\xff\n", b"\n")
    for fd in range(3, 12):
        for data in junk:
            try:
                os.write(fd, data)
            except OSError:
                break


def _suffer(fault: str) -> str:
    match fault:
        case "exit":
            os._exit(3)
        case "abort":
            os.abort()
        case "hang":
            time.sleep(600)
        case "late":
            time.sleep(10)
        case "slow":
            time.sleep(0.2)
        case "garbage":
            _garbage()
        case "raise":
            raise ValueError("vendor code went wrong")
        case "away":
            raise RetryError("the camera is asleep")
        case "miss":
            raise ShotMissedError("the lens cap is on")
    return fault
