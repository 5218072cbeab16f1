"""The kind `scene`: a camera that draws what stands before it in the simulated workshop."""

import time
from collections.abc import Callable, Mapping
from datetime import datetime

from lapsed.camera.landing import Landing
from lapsed.clock import monotonic, utc_now
from lapsed.errors import ShotMissedError
from lapsed.model import Check, Verdict
from lapsed.settings import SceneCamera
from lapsed.sim.sensor import exif
from lapsed.sim.sight import Glimpse, Sight, Studio


def open_camera(options: Mapping[str, object]) -> "DrawnCamera":
    """The camera that `options`, the part of the configuration, describes."""
    return DrawnCamera(SceneCamera.model_validate(options))


class DrawnCamera:
    """One drawn camera; see `lapsed.camera.kind.Kind` for the contracts."""

    def __init__(self, part: SceneCamera) -> None:
        self._part = part
        self._studio = Studio((part.width_px, part.height_px))
        self._sight = Sight(part.url)
        self._seen: tuple[Glimpse, datetime] | None = None
        self._shots = 0

    def ensure_ready(self) -> str:
        """Reach the simulated host, and draw what stands still before the first shot has to wait for it."""
        self._studio.ready(self._sight.look())
        return f"a drawn camera of {self._part.width_px}x{self._part.height_px} pixels"

    def release(self, by_s: float, released: Callable[[float], None]) -> None:
        """See the scene at this instant and keep the shutter open as long as is set; drawing it can wait."""
        self._seen = None
        at_s, taken = monotonic(), utc_now().astimezone()
        glimpse = self._sight.look(within_s=max(by_s - at_s, 0.01))
        released(at_s)
        time.sleep(max(0.0, self._part.exposure_s - (monotonic() - at_s)))
        self._seen = glimpse, taken

    def fetch(self, landing: Landing) -> None:
        """Draw what was seen."""
        if self._seen is None:
            raise ShotMissedError("nothing was exposed that could be fetched")
        glimpse, taken = self._seen
        self._shots += 1
        picture = self._studio.draw(glimpse, self._shots, exif(taken, self._part.exposure_s))
        landing.write("scene.jpg", picture)

    def clear(self) -> None:
        """The picture is kept nowhere else."""
        self._seen = None

    def idle(self) -> str:
        """Use the connection, and get the scene ready for a print that has begun since."""
        return self.ensure_ready()

    def inspect(self) -> tuple[Check, ...]:
        """Nothing of a drawn camera can be set wrong."""
        return (
            Check("exposure mode", Verdict.PASS, "manual, as is everything about a drawn camera"),
            Check("file format", Verdict.PASS, f"JPEG, {self._part.width_px}x{self._part.height_px}"),
        )

    def ensure_stopped(self) -> None:
        """Leave the simulated host."""
        self._sight.close()
