"""From a frame's picture to the planes of a delivery: cropped, scaled, turned and in the colour of video.

Each worker thread has its own `Shaper`. The libraries let go of the interpreter's lock while they work.
"""

from typing import Any, Final, TypeVar, cast

import cv2
import numpy as np
from av.error import FFmpegError
from av.filter import Graph
from av.video.frame import PictureType, VideoFrame
from numpy.typing import NDArray

from lapsed.clip.codec import Pixels
from lapsed.clip.decoding import BrokenFrameError, Decoded
from lapsed.clip.finish import Plane, finish
from lapsed.clip.orient import Rect, mirrored, quarter_turns, stored, turned
from lapsed.clip.profile import Converter
from lapsed.clip.resample import resampled
from lapsed.clip.tone import NEUTRAL, Gain

Stored = TypeVar("Stored", bound=NDArray[Any])

_PLANAR: Final = frozenset({"yuvj420p", "yuvj422p", "yuvj440p", "yuvj444p"})
_TURNS: Final = {1: cv2.ROTATE_90_CLOCKWISE, 2: cv2.ROTATE_180, 3: cv2.ROTATE_90_COUNTERCLOCKWISE}


# ITU-T H.273: BT.709 primaries, transfer and matrix; AVCOL_RANGE_MPEG is libavutil's word for limited range.
BT709: Final = 1
LIMITED: Final = 1

_CUBIC: Final = "bicubic"


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
        self._converter = Converter()
        self._graphs: dict[tuple[str, Rect, str], Graph] = {}

    def shape(self, picture: Decoded, crop: Rect, gain: Gain = NEUTRAL) -> VideoFrame:
        """The part `crop` of a decoded picture with `gain`, ready for the encoder. Raises BrokenFrameError."""
        part = stored(crop, self._upright, self._orientation)
        part = Rect(*(side / picture.by for side in (part.x, part.y, part.width, part.height)))
        try:
            scaled = (
                self._resample(picture.frame, part)
                if self._fine
                else self._scale(picture.frame, part, _kernel(picture.by))
            )
            if picture.icc is not None and self._converter.needed(picture.icc):
                scaled = self._converted(scaled, picture.icc)
        except FFmpegError as error:
            if isinstance(error, MemoryError):
                raise  # which is no fault of the frame's
            raise BrokenFrameError(f"can't be scaled ({error.strerror})") from error
        return self._finish(scaled, gain)

    def _scale(self, picture: VideoFrame, crop: Rect, kernel: str) -> VideoFrame:
        return self._through(picture, crop, turned(self._size, self._orientation), kernel=kernel)

    def _resample(self, picture: VideoFrame, crop: Rect) -> VideoFrame:
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
        parts = resampled(planes, (halved[0], halved[1]), crop, [(width, height), small, small])
        frame = VideoFrame(width, height, _format(self._pixels, self._orientation, fine=parts[0].dtype != np.uint8))
        for plane, to in zip(parts, views(frame), strict=True):
            to[:] = plane
        return frame

    def _converted(self, frame: VideoFrame, icc: bytes) -> VideoFrame:
        """A frame in the colours of sRGB instead of a profile's, by way of R'G'B', which profiles speak of."""
        size = frame.width, frame.height
        rgb = np.asarray(self._through(frame, Rect(0, 0, *size), size, "rgb24").to_ndarray(), np.uint8)
        done = VideoFrame.from_ndarray(self._converter.convert(rgb, icc), "rgb24")
        return self._through(done, Rect(0, 0, *size), size)

    def _through(
        self,
        picture: VideoFrame,
        crop: Rect,
        size: tuple[int, int],
        pixel_format: str | None = None,
        *,
        kernel: str = "area",
    ) -> VideoFrame:
        """The part of a picture, in the format for scaling where no other is asked for, by libswscale."""
        wanted = pixel_format or _between(picture, self._pixels, self._orientation)
        key = (picture.format.name, crop, wanted)
        if key not in self._graphs:
            if len(self._graphs) > 2:  # a crop that moves is never the same again
                self._graphs.clear()
            self._graphs[key] = _graph(picture, crop, size, wanted, kernel)
        picture.pts = None
        graph = self._graphs[key]
        graph.push(picture)
        return cast("VideoFrame", graph.pull())

    def _finish(self, scaled: VideoFrame, gain: Gain) -> VideoFrame:
        if self._orientation == 1 and scaled.format.name == self._pixels.name:
            # In place: a fresh picture costs as much time as its colours, for pages that the kernel must clear.
            video = scaled
            video.make_writable()
            video.pict_type = PictureType.NONE  # it says of the frame's file that it stands alone
        else:
            video = VideoFrame(*self._size, self._pixels.name)
        video.color_range, video.colorspace, video.color_primaries, video.color_trc = LIMITED, BT709, BT709, BT709
        finish([upright(plane, self._orientation) for plane in views(scaled)], views(video), gain)
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
    """The pixel format for scaling a picture."""
    # One of another colour model or of more bits is rounded once more on its way: in 10 bits that does no harm.
    return _format(pixels, orientation, fine=pixels.bits > 8 or picture.format.is_rgb)


def _format(pixels: Pixels, orientation: int, *, fine: bool) -> str:
    """Full range by BT.601, of 8 bits or `fine`, in which a turn gives chroma its place in `pixels`."""
    # What is halved across before a quarter turn is halved downwards after it.
    family = "yuv420p" if pixels.both else "yuv440p" if quarter_turns(orientation) % 2 else "yuv422p"
    return family + ("10le" if fine else "")


def like(frame: VideoFrame, size: tuple[int, int] | None = None) -> VideoFrame:
    """A new frame of the same format, and size where none is given."""
    new = VideoFrame(*(size or (frame.width, frame.height)), frame.format.name)
    new.color_range, new.colorspace = frame.color_range, frame.colorspace
    new.color_primaries, new.color_trc = frame.color_primaries, frame.color_trc
    return new


def _kernel(by: int) -> str:
    """How to scale a picture decoded `by` times smaller, in libswscale's words.

    Averaging areas is truest from many pixels, and softens where there are few more than are wanted. Measured from
    2438x4336 to 1080x1920, SSIM and sharpness beside an average in floating point: area from all pixels 0.997 and 1.04;
    from half the size area 0.996 and 0.88, and the cubic of Catmull and Rom (1974), B 0 and C 1/2, 0.997 and 1.00.
    """
    return "area" if by == 1 else _CUBIC


def _graph(picture: VideoFrame, crop: Rect, size: tuple[int, int], pixel_format: str, kernel: str) -> Graph:
    """Crop and scale on the planes as they are to full range by BT.601, whatever the source."""
    rgb = picture.format.is_rgb
    graph = Graph()
    source = (
        f"video_size={picture.width}x{picture.height}:pix_fmt={picture.format.name}:time_base=1/1:range=pc"
        f":colorspace={'gbr' if rgb else 'smpte170m'}"
    )
    flags = f"{kernel}+accurate_rnd"
    if rgb or pixel_format == "rgb24":
        flags += "+full_chroma_int"
    if kernel == _CUBIC:
        flags += ":param0=0:param1=0.5"  # its B and C
    nodes = (
        graph.add("buffer", source),
        graph.add("crop", f"{crop.width:.0f}:{crop.height:.0f}:{crop.x:.0f}:{crop.y:.0f}"),
        graph.add("scale", f"{size[0]}:{size[1]}:flags={flags}:out_range=pc:out_color_matrix=smpte170m"),
        graph.add("format", pixel_format),
        graph.add("buffersink"),
    )
    graph.link_nodes(*nodes).configure()
    return graph
