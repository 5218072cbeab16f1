"""A release line whose port is a real pty with a double of the two lines that a pty lacks; it notes what they do."""

import json
import os
import time
from collections.abc import Callable, Mapping
from pathlib import Path

import serial

from lapsed.camera.release_line import ReleaseLine
from lapsed.settings import ReleaseCamera

SLOW_S = 1.0
"""How long a slow adapter takes to switch a line."""


class LineDouble(serial.Serial):
    """A serial port that notes each state of its lines, the kernel's own at the opening and closing as well."""

    def __init__(self, note: Callable[..., None]) -> None:
        self.note = note
        self.unplugged = lambda: False
        super().__init__(exclusive=True)

    def open(self) -> None:
        self.note(rts=True, dtr=True)  # as the kernel does, before anyone can say otherwise
        super().open()
        self._update_rts_state()

    def close(self) -> None:
        if self.is_open:
            self.note(rts=False, dtr=False)
        super().close()

    def _update_rts_state(self) -> None:
        if self.unplugged():
            raise OSError(5, "Input/output error")
        self.note(rts=self._rts_state, dtr=self._dtr_state)

    _update_dtr_state = _update_rts_state

    @property
    def cts(self) -> bool:
        if self.unplugged():
            raise OSError(5, "Input/output error")
        return False


def opener(note: Callable[..., None], unplugged: Callable[[], bool] = lambda: False):
    def open_double(path: str, *, rts: bool, dtr: bool) -> LineDouble:
        port = LineDouble(note)
        port.unplugged = unplugged
        port.port, port.rts, port.dtr = path, rts, dtr
        port.open()
        return port

    return open_double


def open_camera(options: Mapping[str, object]) -> ReleaseLine:
    """The kind in a worker: states go to the file that REMOTE_TOLD names; files beside it say that it is unplugged,
    hangs, or is slow."""
    told = Path(os.environ["REMOTE_TOLD"])

    def unplugged() -> bool:
        while told.with_suffix(".hang").exists():
            time.sleep(0.05)
        time.sleep(SLOW_S if told.with_suffix(".slow").exists() else 0)
        return told.with_suffix(".unplugged").exists()

    def note(*, rts: bool, dtr: bool) -> None:
        with told.open("a") as file:
            file.write(json.dumps([time.monotonic(), rts, dtr]) + "\n")

    part = ReleaseCamera.model_validate(options)
    return ReleaseLine(part, opener(note, unplugged))
