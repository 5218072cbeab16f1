"""A stream read by a thread of its own: undecoded, and no more of it kept than its latest picture needs.

PyAV rather than OpenCV, since it hands over packets as they came: nothing is decoded until a picture is wanted, and
the pictures of an MJPEG stream not at all.
"""

import ssl
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import av

from lapsed.clock import monotonic

MOST_KEPT = 3000
"""Packets since the last key frame that are kept; a stream without key frames must not fill the memory."""


@dataclass(frozen=True, slots=True)
class Arrived:
    """A picture of the stream: the packets that it is decoded from, its own last; `live` unless it came in a bunch.

    `at_s` is when it came, on the monotonic clock.
    """

    packets: tuple[bytes, ...]
    at_s: float
    live: bool


@dataclass(frozen=True, slots=True)
class Nature:
    """What the stream is; `extra` is what its decoder has to be told beforehand."""

    codec: str
    width: int
    height: int
    extra: bytes | None

    @property
    def mjpeg(self) -> bool:
        """Whether each packet is a JPEG."""
        return self.codec == "mjpeg"


class Pace:
    """How fast a stream's pictures come; one from a queue comes faster, and is older than it seems."""

    def __init__(self) -> None:
        self._usual_s = 0.0

    def keeps(self, gap_s: float) -> bool:
        """Whether a picture, so long after the one before, came at the usual pace."""
        keeps = gap_s >= self._usual_s / 2
        # A stall is no change of pace, and neither is the queue after it.
        self._usual_s += (min(gap_s, 2 * self._usual_s or gap_s) - self._usual_s) * 0.05
        return keeps


class Flow:
    """An open stream. `reason` is why it ended, None while it goes on; `close` must be called last."""

    def __init__(self, url: str, connect_within_s: float, silent_after_s: float, ca_file: str | None = None) -> None:
        self.nature: Nature | None = None
        self.reason: str | None = None
        self._news = threading.Condition()
        self._latest: Arrived | None = None
        self._stopping = False
        work = lambda: self._run(url, (connect_within_s, silent_after_s), ca_file)  # noqa: E731 - one expression
        # A daemon thread: one that hangs in a read must not keep the worker from ending.
        self._thread = threading.Thread(target=work, name="stream", daemon=True)
        self._thread.start()

    def wait(self, until_s: float, wanted: Callable[[Arrived], bool]) -> Arrived | None:
        """The first picture from now on that is wanted; None when there was none by `until_s`, or the stream ended."""
        with self._news:
            seen = self._latest
            while self.reason is None:
                if self._latest is not None and self._latest is not seen and wanted(self._latest):
                    return self._latest
                seen = self._latest
                left_s = until_s - monotonic()
                if left_s <= 0 or not self._news.wait(left_s):
                    return None
        return None

    def close(self) -> None:
        """Read no more."""
        self._stopping = True
        self._thread.join(1.0)

    # ---------------------------------------------------------------------------------------------------- its thread

    def _run(self, url: str, timeout: tuple[float, float], ca_file: str | None) -> None:
        reason = "it broke off"
        try:
            with av.open(url, timeout=timeout, options=_options(ca_file)) as container:
                if not container.streams.video:
                    reason = "there is no picture in it"
                else:
                    self._read(container)
                    reason = "it ended"
        except av.FFmpegError as error:
            reason = _why(error)
        finally:  # of a fault of ours as well, or nobody would hear that nothing comes any more
            with self._news:
                self.reason = reason
                self._news.notify_all()

    def _read(self, container: Any) -> None:
        stream = container.streams.video[0]
        context = stream.codec_context
        self.nature = Nature(context.name, context.width, context.height, context.extradata)
        kept: list[bytes] = []
        pace, before_s = Pace(), monotonic()
        for packet in container.demux(stream):
            if self._stopping:
                return
            if packet.size == 0:  # a picture of no bytes, or the word that the stream is over
                continue
            now_s = monotonic()
            if packet.is_keyframe or self.nature.mjpeg or len(kept) >= MOST_KEPT:
                kept = []
            if packet.is_keyframe or self.nature.mjpeg or kept:
                kept.append(bytes(packet))
                self._tell(Arrived(tuple(kept), now_s, live=pace.keeps(now_s - before_s)))
            before_s = now_s

    def _tell(self, arrived: Arrived) -> None:
        with self._news:
            self._latest = arrived
            self._news.notify_all()


def last_picture(nature: Nature, packets: tuple[bytes, ...]) -> Any:
    """The last of the packets decoded, an `av.VideoFrame`; None for a broken one."""
    context: Any = av.CodecContext.create(nature.codec, "r")
    if nature.extra:
        context.extradata = nature.extra
    frames = []
    try:
        for data in packets:
            frames += context.decode(av.Packet(data))
        frames += context.decode(None)
    except av.FFmpegError:
        return None
    return frames[-1] if frames else None


def _options(ca_file: str | None) -> dict[str, str]:
    paths = ssl.get_default_verify_paths()
    return {
        "rtsp_transport": "tcp",  # a lost datagram would be a smeared picture
        "fflags": "nobuffer",
        "probesize": "1000000",
        "analyzeduration": "1000000",  # microseconds
        "tls_verify": "1",
        "ca_file": ca_file or paths.cafile or paths.openssl_cafile,
    }


def _why(error: av.FFmpegError) -> str:
    # Not str(error), which holds the whole address, and a password with it.
    if isinstance(error, av.error.ExitError):
        return "it did not answer in time"
    return (error.strerror or type(error).__name__).lower()
