"""The kind `stream`: a camera that sends MJPEG over HTTP, or RTSP.

Only a worker imports this. The picture that is used must have arrived after the order by the time that the stream lags
behind the scene, at the stream's own pace: one that comes out of a queue is older than it seems.
"""

from collections.abc import Callable, Mapping
from urllib.parse import urlsplit

from lapsed.camera import link_budget
from lapsed.camera.flow import Arrived, Flow, Nature, last_picture
from lapsed.camera.landing import Landing
from lapsed.clock import monotonic
from lapsed.errors import RetryError, ShotMissedError
from lapsed.model import Check, Verdict
from lapsed.settings import StreamCamera

GIVE_UP_BEFORE_S = 0.25
"""How long before the worker would be killed a picture that does not come is given up."""


def open_camera(options: Mapping[str, object]) -> "Stream":
    """The stream that `options`, the part of the configuration, describes; opened by `ensure_ready`."""
    return Stream(StreamCamera.model_validate(options))


class Stream:
    """One stream; see `kind.Kind` for the contracts."""

    def __init__(self, part: StreamCamera) -> None:
        self._part = part
        self._host = urlsplit(part.url).hostname or "the address"
        self._flow: Flow | None = None
        self._taken: Arrived | None = None

    def ensure_ready(self) -> str:
        """Open the stream and see a first picture come."""
        if self._flow is None:
            part = self._part
            self._flow = Flow(part.url, part.connect_within_s, part.silent_after_s, part.ca_file)
            until_s = monotonic() + part.ready_within_s - GIVE_UP_BEFORE_S
            if self._flow.wait(until_s, lambda _: True) is None:
                raise self._lost()
        return self._sentence()

    def release(self, by_s: float, released: Callable[[float], None]) -> None:
        """Wait for the picture that shows the scene as it is now."""
        flow, give_up_s = self._held, by_s - GIVE_UP_BEFORE_S
        if flow.reason is not None:
            raise self._lost()
        at_s = monotonic()
        released(at_s)
        scene_s = at_s + self._part.lag_s
        self._taken = flow.wait(give_up_s, lambda arrived: arrived.live and arrived.at_s >= scene_s)
        if self._taken is None:
            if flow.reason is not None:
                raise self._lost()
            raise ShotMissedError(f"{self._host} sent no picture in the {give_up_s - at_s:.1f} s that there were")

    def fetch(self, landing: Landing) -> None:
        """Write the JPEG as it came, or decode the picture of another stream."""
        taken, nature = self._taken, self._nature
        if taken is None:
            raise ShotMissedError("nothing was exposed that could be fetched")
        if nature.mjpeg:
            landing.write("frame.jpg", taken.packets[-1])
            return
        from lapsed.camera import stream_pixels  # noqa: PLC0415 - image libraries, which not every stream needs

        frame = last_picture(nature, taken.packets)
        if frame is None:
            raise ShotMissedError(f"the picture that {self._host} sent can't be decoded")
        suffix = self._part.picture_as
        landing.write(f"frame.{suffix}", stream_pixels.picture(frame, suffix))

    def clear(self) -> None:
        """The camera keeps nothing that was ours."""
        self._taken = None

    def idle(self) -> str:
        """See that the stream goes on."""
        if self._held.reason is not None:
            raise self._lost()
        return self._sentence()

    def inspect(self) -> tuple[Check, ...]:
        """What comes, how late, and what is lost against stills."""
        part, nature = self._part, self._nature
        what = (
            "each picture is kept as it comes"
            if nature.mjpeg
            else f"pictures are decoded, and written as {part.picture_as}"
        )
        found = [
            Check("stream", Verdict.PASS, f"{nature.codec}, {nature.width}x{nature.height}; {what}"),
            Check(
                "lag",
                Verdict.WARN,
                f"the picture is taken to show the scene {part.lag_s:g} s late, and the print waits as long",
                "film a clock beside the stream's own picture of it; set lag_s a little above the difference",
            ),
        ]
        if part.stills_megapixels is not None:
            found.append(link_budget.loss(nature.width, nature.height, part.stills_megapixels))
        return tuple(found)

    def ensure_stopped(self) -> None:
        """Leave the stream."""
        flow, self._flow = self._flow, None
        if flow is not None:
            flow.close()

    @property
    def _held(self) -> Flow:
        if self._flow is None:
            raise RetryError(f"the stream of {self._host} is not open")
        return self._flow

    @property
    def _nature(self) -> Nature:
        nature = self._held.nature
        if nature is None:
            raise RetryError(f"the stream of {self._host} has not begun")
        return nature

    def _lost(self) -> RetryError:
        reason = self._flow.reason if self._flow is not None else None
        told = reason or "no picture came in time"
        return RetryError(f"the stream of {self._host} is not to be had: {told}; look at its power, its cable and url")

    def _sentence(self) -> str:
        nature = self._nature
        return f"a stream of {nature.codec} from {self._host}, {nature.width}x{nature.height}"
