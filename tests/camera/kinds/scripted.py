"""A kind of camera that fails as its script says; loaded by worker processes of the tests by its import path."""

import os
import subprocess
import sys
import time
from collections.abc import Callable, Mapping
from pathlib import Path

from lapsed.camera.landing import Landing
from lapsed.clock import monotonic
from lapsed.errors import RetryError, ShotMissedError
from lapsed.model import Check, Verdict

WHOLE = b"\xff\xd8\xff\xe0\x00\x04ab\xff\xda\x00\x02scan\xff\xd9"


def open_camera(options: Mapping[str, object]) -> "Scripted":
    camera = Scripted(options)
    camera.act("open")
    return camera


class Scripted:
    """`script` has a list of faults for each call, the n-th for the n-th time it is made by any worker."""

    def __init__(self, options: Mapping[str, object]) -> None:
        self.script = options["script"]
        self.home = Path(options["home"])
        self.exposure_s = options["exposure_s"]

    def act(self, call: str) -> str:
        # Counted in a file, since workers come and go.
        with (self.home / call).open("ab") as file:
            file.write(b".")
            done = file.tell() - 1
        faults = self.script.get(call, [])
        fault = faults[done] if done < len(faults) else "ok"
        FAULTS[fault]()
        return fault

    def ensure_ready(self) -> str:
        self.act("ready")
        return "a scripted camera"

    def release(self, by_s: float, released: Callable[[float], None]) -> None:  # noqa: ARG002 - the contract's own
        self.act("release")
        released(monotonic())
        self.act("expose")
        time.sleep(self.exposure_s)

    def fetch(self, landing: Landing) -> None:
        fault = self.act("fetch")
        if fault == "none":
            return
        if fault == "card":
            landing.stay_on_card()
            return
        landing.part("PIC_0001.JPG").write_bytes(WHOLE[:-2] if fault == "cut" else WHOLE)
        if fault == "pair":
            landing.part("raw7.RAW").write_bytes(b"II*\0" + b"r" * 99)
        if fault == "half":
            os._exit(3)

    def clear(self) -> None:
        self.act("clear")

    def idle(self) -> str:
        self.act("idle")
        return "a scripted camera"

    def inspect(self) -> tuple[Check, ...]:
        self.act("inspect")
        return (Check("lens cap", Verdict.PASS, "off"),)

    def ensure_stopped(self) -> None:
        self.act("stop")


def _raise(error: BaseException) -> Callable[[], None]:
    def fault() -> None:
        raise error

    return fault


def _garbage() -> None:
    """Print, and write to every pipe there is, so to the one that the daemon listens to as well."""
    os.write(1, b"vendor code prints this\n")
    junk = (
        b'["Landed", {"shot": "x"}]\n',
        b"[1e999]\n",
        b"[" * 5000 + b"\n",
        b"\xff\xfe\n",
        b"x" * 30_000,
        b"\n",
        b"null\n",
    )
    for fd in range(3, 12):
        for data in junk:
            try:
                os.write(fd, data)
            except OSError:
                break


def _grandchild() -> None:
    subprocess.Popen([sys.executable, "-c", "import time; time.sleep(600)"])
    os._exit(3)


FAULTS: dict[str, Callable[[], None]] = {
    "exit": lambda: os._exit(3),
    "abort": os.abort,
    "raise": _raise(ValueError("vendor code went wrong")),
    "leave": _raise(SystemExit(0)),
    "away": _raise(RetryError("the camera is asleep")),
    "miss": _raise(ShotMissedError("the lens cap is on")),
    "hang": lambda: time.sleep(600),
    "slow": lambda: time.sleep(0.2),
    "garbage": _garbage,
    "grandchild": _grandchild,
    **dict.fromkeys(("ok", "cut", "none", "card", "pair", "half"), lambda: None),
}
