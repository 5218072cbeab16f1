"""Cameras that hang in an exposure or a fetch; loaded by worker processes of the tests by their import path."""

import time
from collections.abc import Callable, Mapping

from lapsed.camera.landing import Landing
from lapsed.clock import monotonic
from tests.benchmarks.still_camera import StillCamera


def open_camera(_options: Mapping[str, object]) -> "StuckCamera":
    return StuckCamera()


def open_fetching(_options: Mapping[str, object]) -> "FetchingCamera":
    return FetchingCamera()


class StuckCamera(StillCamera):
    def release(self, _by_s: float, released: Callable[[float], None]) -> None:
        released(monotonic())
        time.sleep(3600)


class FetchingCamera(StillCamera):
    def fetch(self, _landing: Landing) -> None:
        time.sleep(3600)
