"""The real kinds of camera in their workers, and the daemon that uses them.

Each camera has as its home the folder of its name in CAMERAS_HOME. As long as there is a file `crash` in it, the kind's
own library ends the worker (SIGSEGV) in mid-shot; with one called `unplug`, libgphoto2 finds nothing on USB any more.
Run as `python -m tests.e2e.breakable CONFIG` this is the daemon.
"""

import os
import resource
import signal
import sys
from collections.abc import Callable, Mapping
from pathlib import Path

from lapsed.camera import kind

DOUBLES = {"release": "tests.camera.kinds.remote:open_camera", "capture": "tests.camera.kinds.device:open_camera"}
"""The two kinds that need hardware have a double of it, in the same process."""


def open_camera(options: Mapping[str, object]) -> "Breakable":
    """The camera of `options`, of its real kind but for the hardware."""
    home = Path(os.environ["CAMERAS_HOME"]) / str(options["name"])
    os.environ |= {"DEVICE_HOME": str(home), "REMOTE_TOLD": str(home / "lines")}
    if options["kind"] == "gphoto":
        _make_unpluggable(home / "unplug")
    return Breakable(kind.load(os.environ[f"KIND_{options['kind']}"])(options), home / "crash")


def _make_unpluggable(unplug: Path) -> None:
    """The virtual camera is always there; have it answer as one on USB that is gone, while there is this file."""
    import gphoto2 as gp  # noqa: PLC0415 - for the one kind

    real = gp.Camera

    class Camera:
        def __init__(self) -> None:
            self._real = real()

        def __getattr__(self, name: str) -> object:
            if unplug.exists():
                raise gp.GPhoto2Error(gp.GP_ERROR_IO_USB_FIND)
            return getattr(self._real, name)

        @staticmethod
        def autodetect() -> object:
            return gp.CameraList() if unplug.exists() else real.autodetect()

    gp.Camera = Camera


class Breakable:
    def __init__(self, camera: kind.Kind, crash: Path) -> None:
        self._camera = camera
        self._crash = crash

    def __getattr__(self, name: str) -> object:
        return getattr(self._camera, name)

    def release(self, by_s: float, released: Callable[[float], None]) -> None:
        def told(at_s: float) -> None:
            released(at_s)
            if self._crash.exists():
                os.kill(os.getpid(), signal.SIGSEGV)

        self._camera.release(by_s, told)


def main() -> None:
    from lapsed import app  # noqa: PLC0415 - workers have no need of it
    from lapsed.__main__ import main as lapsed  # noqa: PLC0415 - likewise

    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))  # crashes are ordered here, and nobody looks into them
    os.environ |= {f"KIND_{name}": path for name, path in (app.CAMERA_KINDS | DOUBLES).items()}
    app.CAMERA_KINDS.update(dict.fromkeys(app.CAMERA_KINDS, "tests.e2e.breakable:open_camera"))
    sys.exit(lapsed(["run", "--config", sys.argv[1]]))


if __name__ == "__main__":
    main()
