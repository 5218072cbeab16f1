"""A kind of camera that has no picture for the last shot of a print of six layers."""

import time
from collections.abc import Mapping

from lapsed.camera.landing import Landing
from lapsed.errors import ShotMissedError
from tests.benchmarks.still_camera import StillCamera

LAST = "000006"


def open_camera(_options: Mapping[str, object]) -> "LastMissed":
    return LastMissed()


class LastMissed(StillCamera):
    def fetch(self, landing: Landing) -> None:
        super().fetch(landing)
        if landing.part("second.raw").name.startswith(LAST):
            time.sleep(2)  # the print is over by then
            raise ShotMissedError("the lens cap is on")
