"""From a frame's file to the planes of a delivery: decoded, cropped, scaled, turned and in the colour of video.

Each worker thread has its own `Shaper`. The libraries let go of the interpreter's lock while they work.
"""

from pathlib import Path
from typing import Any, Final, TypeVar, cast

import av
import cv2
import numpy as np
from av.codec.context import CodecContext
from av.error import FFmpegError
from av.filter import Graph
from av.video.codeccontext import VideoCodecContext
from av.video.frame import VideoFrame
from numpy.typing import NDArray

from lapsed.clip.codec import Pixels
from lapsed.clip.finish import Plane, finish
from lapsed.clip.orient import Rect, mirrored, quarter_turns, stored, turned
from lapsed.clip.resample import resampled
from lapsed.clip.tone import NEUTRAL, Gain

Stored = TypeVar("Stored", bound=NDArray[Any])

_PLANAR: Final = frozenset({"yuvj420p", "yuvj422p", "yuvj440p", "yuvj444p"})
_TURNS: Final = {1: cv2.ROTATE_90_CLOCKWISE, 2: cv2.ROTATE_180, 3: cv2.ROTATE_90_COUNTERCLOCKWISE}


class BrokenFrameError(Exception):
    """The file's picture can't be decoded; the text is the end of a sentence."""


# ITU-T H.273: BT.709 primaries, transfer and matrix; AVCOL_RANGE_MPEG is libavutil's word for limited range.
BT709: Final = 1
LIMITED: Final = 1


class Shaper:
    """Makes frames of one clip; `upright` is the size of the whole picture, `size` and `pixels` are the clip's.

    A `fine` one crops on fractions of a pixel, slower.
    """

    def __init__(
        self, upright: tuple[int, int], size: tuple[int, int], orientation: int, pixels: Pixels, *, fine: bool = False
    ) -> None:
        self._upright = upright
        self._size = size
        self._orientation = orientation
        self._pixels = pixels
        self._fine = fine
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
            within = stored(crop, self._upright, self._orientation)
            planes = self._resample(picture, within) if self._fine else self._scale(picture, within)
        except FFmpegError as error:
            raise BrokenFrameError(f"can't be scaled ({error.strerror})") from error
        return self._finish(planes, gain)

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

    def _scale(self, picture: VideoFrame, crop: Rect) -> list[Plane]:
        return views(self._through(picture, crop, turned(self._size, self._orientation)))

    def _resample(self, picture: VideoFrame, crop: Rect) -> list[Plane]:
        """Both in exact arithmetic: first the whole picture in the format for scaling, then the part of its planes."""
        if picture.format.name not in _PLANAR or self._pixels.bits > 8:
            whole = (picture.width, picture.height)
            picture = self._through(picture, Rect(0, 0, *whole), whole)
        planes = views(picture)
        halved = tuple(planes[1].shape[axis] < planes[0].shape[axis] for axis in (1, 0))
        width, height = turned(self._size, self._orientation)
        # What is halved across before a quarter turn is halved downwards after it.
        across, down = (2, 2) if self._pixels.both else turned((2, 1), self._orientation)
        small = width // across, height // down
        return resampled(planes, (halved[0], halved[1]), crop, [(width, height), small, small])

    def _through(self, picture: VideoFrame, crop: Rect, size: tuple[int, int]) -> VideoFrame:
        """The part of a picture, in the format for scaling, by libswscale."""
        key = (picture.format.name, crop)
        if key not in self._graphs:
            self._graphs.clear()
            self._graphs[key] = _graph(picture, crop, size, _between(picture, self._pixels, self._orientation))
        picture.pts = None
        graph = self._graphs[key]
        graph.push(picture)
        return cast("VideoFrame", graph.pull())

    def _finish(self, stored_planes: list[Plane], gain: Gain) -> VideoFrame:
        video = VideoFrame(*self._size, self._pixels.name)
        video.color_range, video.colorspace, video.color_primaries, video.color_trc = LIMITED, BT709, BT709, BT709
        planes, to = [upright(plane, self._orientation) for plane in stored_planes], views(video)
        finish(planes, to, gain)
        return video


def upright(stored_picture: Stored, orientation: int) -> Stored:
    """A stored plane or picture mirrored and turned as its Exif orientation says."""
    picture: Any = stored_picture
    if mirrored(orientation):
        picture = cv2.flip(picture, 1)
    turns = quarter_turns(orientation)
    return cast("Stored", cv2.rotate(picture, _TURNS[turns]) if turns else picture)


def views(frame: VideoFrame) -> list[Plane]:
    """The planes of a planar frame of 8 or more bits as arrays that share its memory."""
    kind: type[np.uint8 | np.uint16] = np.uint8 if frame.format.components[0].bits == 8 else np.uint16
    each = np.dtype(kind).itemsize
    flat: list[Any] = [np.frombuffer(memoryview(plane), kind) for plane in frame.planes]
    return [
        samples.reshape(plane.height, plane.line_size // each)[:, : plane.width]
        for samples, plane in zip(flat, frame.planes, strict=True)
    ]


def _between(picture: VideoFrame, pixels: Pixels, orientation: int) -> str:
    """The pixel format for scaling: full range by BT.601, in which a turn gives chroma its place in `pixels`."""
    # What is halved across before a quarter turn is halved downwards after it.
    family = "yuv420p" if pixels.both else "yuv440p" if quarter_turns(orientation) % 2 else "yuv422p"
    # A picture of another colour model or of more bits is rounded once more on its way: in 10 bits that does no harm.
    return family + ("10le" if pixels.bits > 8 or picture.format.is_rgb else "")


def like(frame: VideoFrame, size: tuple[int, int] | None = None) -> VideoFrame:
    """A new frame of the same format, and size where none is given."""
    new = VideoFrame(*(size or (frame.width, frame.height)), frame.format.name)
    new.color_range, new.colorspace = frame.color_range, frame.colorspace
    new.color_primaries, new.color_trc = frame.color_primaries, frame.color_trc
    return new


def _graph(picture: VideoFrame, crop: Rect, size: tuple[int, int], pixel_format: str) -> Graph:
    """Crop and scale on the planes as they are, area-averaged, to full range by BT.601, whatever the source."""
    rgb = picture.format.is_rgb
    graph = Graph()
    source = (
        f"video_size={picture.width}x{picture.height}:pix_fmt={picture.format.name}:time_base=1/1:range=pc"
        f":colorspace={'gbr' if rgb else 'smpte170m'}"
    )
    flags = "area+accurate_rnd+full_chroma_int" if rgb else "area+accurate_rnd"
    nodes = (
        graph.add("buffer", source),
        graph.add("crop", f"{crop.width:.0f}:{crop.height:.0f}:{crop.x:.0f}:{crop.y:.0f}"),
        graph.add("scale", f"{size[0]}:{size[1]}:flags={flags}:out_range=pc:out_color_matrix=smpte170m"),
        graph.add("format", pixel_format),
        graph.add("buffersink"),
    )
    graph.link_nodes(*nodes).configure()
    return graph
