"""The kind `scene`: a camera that draws what stands before it in the simulated workshop."""

from collections.abc import Callable, Mapping

from lapsed.camera.landing import Landing
from lapsed.clock import monotonic
from lapsed.settings import SceneCamera
from lapsed.sim.scene import View
from lapsed.sim.sight import Sight


def open_camera(options: Mapping[str, object]) -> "DrawnCamera":
    """The camera that `options`, the part of the configuration, describes."""
    return DrawnCamera(SceneCamera.model_validate(options))


class DrawnCamera:
    """One drawn camera; see `lapsed.camera.kind.Kind` for the contracts."""

    def __init__(self, part: SceneCamera) -> None:
        self._part = part
        self._sight = Sight(part.url, (part.width_px, part.height_px))
        self._seen: View | None = None
        self._shots = 0

    def ensure_ready(self) -> str:
        """Reach the simulated host."""
        self._sight.ensure_open()
        return f"a drawn camera of {self._part.width_px}x{self._part.height_px}"

    def release(self, by_s: float, released: Callable[[float], None]) -> None:  # noqa: ARG002 - a drawn shutter is never late
        """See the scene at this instant; drawing it can wait."""
        released(monotonic())
        self._seen = self._sight.look()

    def fetch(self, landing: Landing) -> None:
        """Draw what was seen."""
        assert self._seen is not None  # noqa: S101 - released before
        self._shots += 1
        landing.part("scene.jpg").write_bytes(self._sight.draw(self._seen, self._shots))

    def clear(self) -> None:
        """Nothing is kept anywhere else."""

    def idle(self) -> str:
        """Keep the connection to the simulated host in use."""
        return self.ensure_ready()

    def ensure_stopped(self) -> None:
        """Leave the simulated host."""
        self._sight.close()
