"""A camera whose shutter opens and never closes; loaded by worker processes of the tests by its import path."""

import time
from collections.abc import Callable, Mapping

from lapsed.clock import monotonic
from tests.benchmarks.still_camera import StillCamera


def open_camera(_options: Mapping[str, object]) -> "StuckCamera":
    return StuckCamera()


class StuckCamera(StillCamera):
    def release(self, _by_s: float, released: Callable[[float], None]) -> None:
        released(monotonic())
        time.sleep(3600)
