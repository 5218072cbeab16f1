"""A camera that gives the same tiny picture at once; its import path is all that the benchmark hands over."""

from collections.abc import Callable, Mapping

from lapsed import clock
from lapsed.camera.landing import Landing
from lapsed.model import Check, Verdict

# The shortest that passes for whole: start, a scan of nothing, end (ITU-T T.81, table B.1).
PICTURE = b"\xff\xd8\xff\xda\x00\x02\xff\xd9"


def open_camera(_options: Mapping[str, object]) -> "StillCamera":
    return StillCamera()


class StillCamera:
    def ensure_ready(self) -> str:
        return "a still camera"

    def release(self, _by_s: float, released: Callable[[float], None]) -> None:
        released(clock.monotonic())

    def fetch(self, landing: Landing) -> None:
        landing.part("still.jpg").write_bytes(PICTURE)

    def clear(self) -> None:
        pass

    def idle(self) -> str:
        return "a still camera"

    def inspect(self) -> tuple[Check, ...]:
        return (Check("exposure mode", Verdict.PASS, "always the same"),)

    def ensure_stopped(self) -> None:
        pass
