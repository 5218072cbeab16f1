"""The delivery: frames cropped, scaled and encoded as H.264 for players.

Worker threads decode and shape ahead of the encoder, which runs in the caller's thread.
"""

import ctypes
import os
import threading
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import cv2
from av.container import OutputContainer
from av.error import FFmpegError
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from lapsed.clip.editlist import EditList, Piece
from lapsed.clip.orient import turned
from lapsed.clip.partial import whole_or_nothing
from lapsed.clip.planes import BrokenFrameError, Shaper
from lapsed.clip.room import Room, room
from lapsed.errors import UserError

# ITU-T H.273: BT.709 primaries, transfer and matrix; AVCOL_RANGE_MPEG is libavutil's word for limited range.
_BT709, _LIMITED = 1, 1


@dataclass(frozen=True, slots=True)
class Broken:
    """A frame whose picture could not be decoded, so that its neighbour stood in for it."""

    frame: str
    reason: str


def write(edit: EditList, folder: Path, out: Path, title: str, told: Callable[[int], None]) -> tuple[Broken, ...]:
    """Encode the clip of `edit` to `out`; `told` gets the number of output frames done.

    A frame that can't be decoded is replaced by the one before it, or by the one after it at the start, and is
    returned. Raises UserError where nothing could be decoded or the file can't be written.
    """
    cv2.setNumThreads(1)  # the workers are the parallelism
    _give_back_freed_memory()
    space = room(edit.stored[0] * edit.stored[1], edit.size[0] * edit.size[1], _cores())
    broken: list[Broken] = []
    try:
        with (
            whole_or_nothing(out) as draft,
            av.open(str(draft), "w", format="mp4", options={"movflags": "+faststart+write_colr"}) as container,
        ):
            container.metadata["title"] = title
            stream = _stream(container, edit, space.look_ahead)
            _encode(container, stream, _in_turn(edit, folder, space, broken), edit, told)
    except FFmpegError as error:
        raise UserError(f"cannot encode {out}: {error.strerror}") from error
    return tuple(broken)


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


def _in_turn(edit: EditList, folder: Path, space: Room, broken: list[Broken]) -> Iterator[tuple[VideoFrame, int]]:
    """Each shaped frame with its shows, in order, shaped ahead of the encoder as far as there is room."""
    upright = turned(edit.stored, edit.orientation)
    own = threading.local()

    def shaped(piece: Piece) -> VideoFrame:
        if not hasattr(own, "shaper"):
            own.shaper = Shaper(upright, edit.size, edit.orientation)
        shaper: Shaper = own.shaper
        return shaper.shape(folder / piece.frame, piece.window)

    last: VideoFrame | None = None
    owed = 0
    with ThreadPoolExecutor(space.workers, thread_name_prefix="shape") as pool:
        ahead: deque[tuple[Piece, Future[VideoFrame]]] = deque()
        pieces = iter(edit.pieces)
        try:
            while True:
                while len(ahead) < space.ahead and (piece := next(pieces, None)) is not None:
                    ahead.append((piece, pool.submit(shaped, piece)))
                if not ahead:
                    break
                piece, future = ahead.popleft()
                owed += piece.shows
                try:
                    last = future.result()
                except BrokenFrameError as error:
                    broken.append(Broken(piece.frame, str(error)))
                if last is not None:
                    yield last, owed
                    owed = 0
        finally:
            pool.shutdown(cancel_futures=True)
    if last is None:
        raise UserError(f"none of the {len(edit.pieces)} frames in {folder} can be decoded")
