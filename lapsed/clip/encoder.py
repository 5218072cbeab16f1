"""Encoding: pictures in the order they are shown become a stream of a movie file."""

import os
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Final, cast

import av
from av.container import OutputContainer
from av.packet import Packet
from av.video.frame import VideoFrame
from av.video.reformatter import Colorspace, Interpolation
from av.video.stream import VideoStream

from lapsed.clip import quiet
from lapsed.clip.codec import CODECS, Effort
from lapsed.clip.editlist import EditList
from lapsed.clip.planes import BT709, LIMITED
from lapsed.clip.timecode import counting

# This encoder greets on the standard error stream unless its variable says to be silent; it reads it when it is opened.
os.environ.setdefault("SVT_LOG", "0")

_BY_SLICES: Final = frozenset({"prores_ks", "dnxhd"})
"""Encoders whose frame threads would hold several frames each, 3 GB at 25 megapixels."""


def write(
    path: Path, edit: EditList, effort: Effort, pictures: Iterator[tuple[VideoFrame, int]], told: Callable[[int], None]
) -> None:
    """Encode `pictures`, each with its shows, to `path`; `told` gets the number of output frames done."""
    codec = CODECS[edit.codec]
    forever = {"loop": "0"} if codec.container == "webp" else {}
    with av.open(str(path), "w", format=codec.container, options=forever) as container:
        stream = _stream(container, edit, effort)
        row = Row(container.mux_one, codec.encoder, edit.frames)
        done = 0
        for picture, shows in pictures:
            ready = _as_rgb(picture) if codec.container == "webp" else picture
            if not done:
                with quiet.keep_rank():
                    stream.codec_context.open()
            for _ in range(shows):
                ready.pts, ready.time_base = done, 1 / edit.rate
                row.add(stream.encode(ready))
                done += 1
                told(done)
        row.add(stream.encode(None))
        row.end()


class Row:
    """Packets on their way to a movie by `mux`, in an order and with times of decoding that make sense.

    After the last of the track's `frames` the caller must `end` it.
    """

    def __init__(self, mux: "Callable[[Packet[VideoStream]], None]", encoder: str, frames: int) -> None:
        self._mux = mux
        # On a busy computer libsvtav1 now and then hands out packets that have overtaken others. In AV1 each shows one
        # picture, in the order of decoding (AV1 specification, 7.5, from memory).
        self._sorts = encoder == "libsvtav1"
        # x265 takes the times of decoding of a track of one or two frames from nowhere.
        self._stamps = frames <= 2
        self._early: dict[int, Packet[VideoStream]] = {}
        self._next = 0

    def add(self, packets: "Iterable[Packet[VideoStream]]") -> None:
        """Take in what the encoder handed out; what has overtaken others waits for them."""
        for packet in packets:
            if self._stamps:
                packet.dts = packet.pts
            if not self._sorts or packet.pts is None:
                self._mux(packet)
                continue
            self._early[packet.pts] = packet
            while (following := self._early.pop(self._next, None)) is not None:
                self._mux(following)
                self._next += 1

    def end(self) -> None:
        """Let go of what still waits."""
        for when in sorted(self._early):
            self._mux(self._early.pop(when))


def _stream(container: OutputContainer, edit: EditList, effort: Effort) -> VideoStream:
    codec = CODECS[edit.codec]
    stream = cast("VideoStream", container.add_stream(codec.encoder, rate=edit.rate))
    stream.width, stream.height = edit.size
    stream.time_base = 1 / edit.rate
    stream.options = dict(codec.options(effort))
    context = stream.codec_context
    context.thread_count = effort.threads
    if codec.container == "webp":
        stream.pix_fmt = "bgra"  # from which the encoder itself makes the only colours that WebP has
        return stream
    stream.pix_fmt = codec.pixels.name
    context.color_range, context.colorspace = LIMITED, BT709
    context.color_primaries, context.color_trc = BT709, BT709
    if codec.tag:
        context.codec_tag = codec.tag
    # PyAV asks for slices of its own accord. In x264 they cost 2 % more bytes at UHD, for less SSIM.
    context.thread_type = "SLICE" if codec.encoder in _BY_SLICES else "FRAME"
    return stream


def _as_rgb(picture: VideoFrame) -> VideoFrame:
    # av's word for a range is libavutil's; RGB has the full one.
    return picture.reformat(
        format="bgra", src_colorspace=Colorspace.ITU709, interpolation=Interpolation.LANCZOS, dst_color_range=2
    )


def start_label(edit: EditList) -> str | None:
    """The timecode of a clip's first frame; None where its rate has none."""
    count = counting(edit.rate)
    return count.label(0) if count else None
