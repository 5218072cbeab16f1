"""From a frame's file to the planes of a delivery: decoded, cropped, scaled, turned and in the colour of video.

Each worker thread has its own `Shaper`. The libraries let go of the interpreter's lock while they work.
"""

from pathlib import Path
from typing import Any, Final, cast

import av
import cv2
import numpy as np
from av.codec.context import CodecContext
from av.error import FFmpegError
from av.filter import Graph
from av.video.codeccontext import VideoCodecContext
from av.video.frame import VideoFrame
from numpy.typing import NDArray

from lapsed.clip.colour import full_601_to_limited_709
from lapsed.clip.orient import Rect, mirrored, quarter_turns, stored, turned
from lapsed.clip.tone import NEUTRAL, Gain, tone

Plane = NDArray[np.uint8]

_TO_VIDEO: Final = full_601_to_limited_709()
_TURNS: Final = {1: cv2.ROTATE_90_CLOCKWISE, 2: cv2.ROTATE_180, 3: cv2.ROTATE_90_COUNTERCLOCKWISE}


class BrokenFrameError(Exception):
    """The file's picture can't be decoded; the text is the end of a sentence."""


class Shaper:
    """Makes frames of one clip; `upright` is the size of the whole picture and `size` the clip's."""

    def __init__(self, upright: tuple[int, int], size: tuple[int, int], orientation: int) -> None:
        self._upright = upright
        self._size = size
        self._orientation = orientation
        self._decoders: dict[str, VideoCodecContext] = {}
        self._graphs: dict[tuple[str, Rect], Graph] = {}

    def decode(self, path: Path) -> VideoFrame:
        """The whole picture in `path`, as it is stored. Raises BrokenFrameError."""
        try:
            return self._decode(path)
        except (FFmpegError, OSError) as error:
            self._decoders.clear()
            raise BrokenFrameError(f"can't be decoded ({error.strerror or error})") from error

    def shape(self, picture: VideoFrame, crop: Rect, gain: Gain = NEUTRAL) -> VideoFrame:
        """The part `crop` of a decoded picture with `gain`, ready for the encoder. Raises BrokenFrameError."""
        try:
            small = self._scale(picture, stored(crop, self._upright, self._orientation))
        except FFmpegError as error:
            raise BrokenFrameError(f"can't be scaled ({error.strerror})") from error
        return self._finish(small, gain)

    def _decode(self, path: Path) -> VideoFrame:
        codec = "png" if path.suffix.lower() == ".png" else "mjpeg"
        if codec not in self._decoders:
            decoder = cast("VideoCodecContext", CodecContext.create(codec, "r"))
            decoder.thread_count = 1  # frame threads would hand out frames late
            decoder.options = {"err_detect": "explode"}
            self._decoders[codec] = decoder
        frames = self._decoders[codec].decode(av.Packet(path.read_bytes()))
        if not frames:
            raise BrokenFrameError("can't be decoded (no picture in it)")
        return frames[0]

    def _scale(self, picture: VideoFrame, crop: Rect) -> VideoFrame:
        key = (picture.format.name, crop)
        if key not in self._graphs:
            self._graphs.clear()
            self._graphs[key] = _graph(picture, crop, turned(self._size, self._orientation))
        picture.pts = None
        graph = self._graphs[key]
        graph.push(picture)
        return cast("VideoFrame", graph.pull())

    def _finish(self, small: VideoFrame, gain: Gain) -> VideoFrame:
        video = VideoFrame(*self._size, "yuv420p")
        luma, cb, cr = (upright(plane, self._orientation) for plane in views(small))
        to_luma, to_cb, to_cr = views(video)
        step, coloured = _TO_VIDEO, False
        if gain != NEUTRAL:
            toned = tone(gain)
            luma = np.asarray(cv2.LUT(luma, toned.curve), np.uint8)
            step, coloured = step.after(toned.chroma), toned.coloured
        matrix, offset = step.matrix, step.offset
        # Luma's share of the chroma planes is summed on the small planes, spread over 8 bits so that rounding costs
        # little: the sum's reach is about +-36 codes, so 3.5 is the room there is.
        room = 3.5
        mean = offset[0] + 128 * (matrix[0, 1] + matrix[0, 2])
        add = 128 - 128 * room * (matrix[0, 1] + matrix[0, 2])
        share = cv2.addWeighted(cb, matrix[0, 1] * room, cr, matrix[0, 2] * room, add)
        share = cv2.resize(share, (luma.shape[1], luma.shape[0]), interpolation=cv2.INTER_LINEAR)
        cv2.addWeighted(luma, matrix[0, 0], share, 1 / room, mean - 128 / room, dst=to_luma)
        for row, plane in ((1, to_cb), (2, to_cr)):
            cv2.addWeighted(cb, matrix[row, 1], cr, matrix[row, 2], offset[row], dst=plane)
        if coloured:
            half = cv2.resize(luma, (cb.shape[1], cb.shape[0]), interpolation=cv2.INTER_AREA)
            for row, plane in ((1, to_cb), (2, to_cr)):
                cv2.addWeighted(plane, 1, half, matrix[row, 0], 0, dst=plane)
        return video


def upright(stored_picture: Plane, orientation: int) -> Plane:
    """A stored plane or picture mirrored and turned as its Exif orientation says."""
    picture: Any = stored_picture
    if mirrored(orientation):
        picture = cv2.flip(picture, 1)
    turns = quarter_turns(orientation)
    return np.asarray(cv2.rotate(picture, _TURNS[turns]) if turns else picture, np.uint8)


def views(frame: VideoFrame) -> list[Plane]:
    """The planes of an 8-bit planar frame as arrays that share its memory."""
    return [
        np.frombuffer(memoryview(plane), np.uint8).reshape(plane.height, plane.line_size)[:, : plane.width]
        for plane in frame.planes
    ]


def _graph(picture: VideoFrame, crop: Rect, size: tuple[int, int]) -> Graph:
    """Crop and scale on the planes as they are, area-averaged, to 4:2:0 full range by BT.601, whatever the source."""
    rgb = picture.format.is_rgb
    graph = Graph()
    source = (
        f"video_size={picture.width}x{picture.height}:pix_fmt={picture.format.name}:time_base=1/1:range=pc"
        f":colorspace={'gbr' if rgb else 'smpte170m'}"
    )
    nodes = (
        graph.add("buffer", source),
        graph.add("crop", f"{crop.width:.0f}:{crop.height:.0f}:{crop.x:.0f}:{crop.y:.0f}"),
        graph.add("scale", f"{size[0]}:{size[1]}:flags=area+accurate_rnd:out_range=pc:out_color_matrix=smpte170m"),
        graph.add("format", "yuvj420p|yuv420p"),
        graph.add("buffersink"),
    )
    graph.link_nodes(*nodes).configure()
    return graph
