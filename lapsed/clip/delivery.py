"""The delivery: frames cropped, scaled and encoded as H.264 for players.

Worker threads render ahead of the encoder, which runs in the caller's thread.
"""

import ctypes
import os
from collections.abc import Callable, Iterator
from fractions import Fraction
from pathlib import Path

import av
import cv2
from av.container import OutputContainer
from av.error import FFmpegError
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from lapsed.clip.editlist import EditList
from lapsed.clip.partial import whole_or_nothing
from lapsed.clip.rendering import Broken, Rendering
from lapsed.clip.room import room
from lapsed.errors import UserError

# ITU-T H.273: BT.709 primaries, transfer and matrix; AVCOL_RANGE_MPEG is libavutil's word for limited range.
_BT709, _LIMITED = 1, 1


def write(edit: EditList, folder: Path, out: Path, title: str, told: Callable[[int], None]) -> tuple[Broken, ...]:
    """Encode the clip of `edit` to `out`; `told` gets the number of output frames done.

    A frame that can't be decoded is replaced by the one before it, or by the one after it at the start, and is
    returned. Raises UserError where nothing could be decoded or the file can't be written.
    """
    cv2.setNumThreads(1)  # the workers are the parallelism
    _give_back_freed_memory()
    space = room(edit.stored[0] * edit.stored[1], edit.size[0] * edit.size[1], _cores())
    rendering = Rendering(edit, folder, space)
    try:
        with (
            whole_or_nothing(out) as draft,
            av.open(str(draft), "w", format="mp4", options={"movflags": "+faststart+write_colr"}) as container,
        ):
            container.metadata["title"] = title
            stream = _stream(container, edit, space.look_ahead)
            _encode(container, stream, rendering.pictures(), edit, told)
    except FFmpegError as error:
        raise UserError(f"cannot encode {out}: {error.strerror}") from error
    return tuple(rendering.broken.values())


def _stream(container: OutputContainer, edit: EditList, look_ahead: int) -> VideoStream:
    stream = container.add_stream("libx264", rate=edit.rate)
    stream.width, stream.height = edit.size
    stream.pix_fmt = "yuv420p"
    stream.time_base = Fraction(1, 1) / edit.rate
    context = stream.codec_context
    context.color_range, context.colorspace = _LIMITED, _BT709
    context.color_primaries, context.color_trc = _BT709, _BT709
    stream.options = {
        "crf": str(edit.quality),
        "preset": edit.preset,
        "profile": "high",
        # JPEG's chroma samples lie in the middle of four pixels, which H.264 calls location 1 (Annex E, figure E-1);
        # scaling keeps them there.
        "x264-params": f"rc-lookahead={look_ahead}:sync-lookahead=0:threads={min(_cores(), 8)}:chromaloc=1",
    }
    return stream


def _cores() -> int:
    return len(os.sched_getaffinity(0))


def _give_back_freed_memory() -> None:
    """Have glibc map big blocks on their own: by default it keeps freed frames in each thread's heap, 75 MB at UHD."""
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
    if mallopt is not None:
        mallopt(-3, 1 << 20)  # M_MMAP_THRESHOLD, malloc.h


def _encode(
    container: OutputContainer,
    stream: VideoStream,
    frames: Iterator[tuple[VideoFrame, int]],
    edit: EditList,
    told: Callable[[int], None],
) -> None:
    done = 0
    for frame, shows in frames:
        for _ in range(shows):
            frame.pts = done
            frame.time_base = 1 / edit.rate
            container.mux(stream.encode(frame))
            done += 1
            told(done)
    container.mux(stream.encode(None))
