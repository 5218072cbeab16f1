"""The kind `gphoto` before the simulated scene: the real library, with a virtual camera that sees the workshop.

libgphoto2's virtual camera takes as its picture the first JPEG on its card. Before each release that file is replaced
by what there is to see, so that the library photographs this very moment of the simulated print.
"""

import os
from collections.abc import Callable, Mapping
from pathlib import Path

from lapsed.camera import gphoto
from lapsed.camera.kind import Condition
from lapsed.camera.landing import Landing
from lapsed.model import Check
from lapsed.sim.sight import Sight, Studio

URL = "LAPSED_SCENE_URL"
"""The environment variable that names the simulated host; VCAMERADIR names the card, as libgphoto2 has it."""

SIZE_PX = (2400, 1600)

PICTURE_BYTES = 1_000_000
"""Every picture is filled up to this size: the virtual camera goes by the size that the file had when it was opened."""


def hang(card: Path, picture: bytes) -> None:
    """Put `picture` where the virtual camera of the card finds it, whole at any instant.

    What follows the end marker of a JPEG is no part of it (ITU-T T.81, B.1.1.3), so zeros may fill it up.
    """
    folder = card / "DCIM" / "100OTTER"
    folder.mkdir(parents=True, exist_ok=True)
    draft = card / "draft"
    draft.write_bytes(picture.ljust(PICTURE_BYTES, b"\0"))
    draft.replace(folder / "OTTR0001.JPG")


def open_camera(options: Mapping[str, object]) -> "PosedCamera":
    """The virtual camera, set up as `options`, the part of the configuration, says."""
    return PosedCamera(os.environ[URL], Path(os.environ["VCAMERADIR"]), gphoto.open_camera(options))


class PosedCamera:
    """The library's camera, and what stands before it; see `lapsed.camera.kind.Kind` for the contracts."""

    def __init__(self, url: str, card: Path, camera: gphoto.Gphoto) -> None:
        self._url = url
        self._sight: Sight | None = None
        self._studio = Studio(SIZE_PX)
        self._card = card
        self._camera = camera
        self._shots = 0

    def ensure_ready(self) -> Condition:
        """Reach the simulated host and open the camera."""
        self._pose()
        return self._camera.ensure_ready()

    def release(self, by_s: float, released: Callable[[float], None]) -> None:
        """Have the camera see what there is to see, and expose."""
        self._pose()
        self._camera.release(by_s, released)

    def fetch(self, landing: Landing) -> None:
        """Fetch from the camera."""
        self._camera.fetch(landing)

    def clear(self) -> None:
        """Clear the camera's own copy."""
        self._camera.clear()

    def idle(self) -> Condition:
        """Keep the camera awake."""
        return self._camera.idle()

    def inspect(self) -> tuple[Check, ...]:
        """Look the camera over."""
        return self._camera.inspect()

    def ensure_stopped(self) -> None:
        """Close the camera and leave the simulated host."""
        self._camera.ensure_stopped()
        if self._sight is not None:
            self._sight.close()

    def _pose(self) -> None:
        if self._sight is None:
            self._sight = Sight(self._url)
        self._shots += 1
        hang(self._card, self._studio.draw(self._sight.look(), self._shots))
