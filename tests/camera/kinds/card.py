"""A camera whose pictures stay on its card, and which misses its third."""

from collections.abc import Callable, Mapping

from lapsed.camera.landing import Landing
from lapsed.errors import ShotMissedError
from tests.benchmarks.still_camera import StillCamera


def open_camera(_options: Mapping[str, object]) -> "CardCamera":
    return CardCamera()


class CardCamera(StillCamera):
    shots = 0

    def release(self, by_s: float, released: Callable[[float], None]) -> None:
        self.shots += 1
        if self.shots == 3:
            raise ShotMissedError("the flash was not ready")
        super().release(by_s, released)

    def fetch(self, landing: Landing) -> None:
        landing.stay_on_card()
