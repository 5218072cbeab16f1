"""From a frame's file to its picture, whole or smaller; each thread has its own `Decoder`."""

from dataclasses import dataclass
from pathlib import Path
from typing import Final, cast

import av
import simplejpeg  # type: ignore[import-untyped]  # it ships no types
from av.codec.context import CodecContext
from av.error import FFmpegError
from av.video.codeccontext import VideoCodecContext
from av.video.frame import VideoFrame

from lapsed.clip import profile, raw
from lapsed.clip.probe import RAW_SUFFIXES

REDUCTIONS: Final = (8, 4, 2)
"""How many times smaller a JPEG can be decoded: by a whole part of its blocks of 8x8 (ITU-T T.81, A.1.1)."""

_SIZES: Final = (0xC0, 0xC1, 0xC2)
"""The headers of baseline, extended and progressive pictures (ITU-T T.81, Table B.1)."""


class BrokenFrameError(Exception):
    """The file's picture can't be decoded; the text is the end of a sentence."""


@dataclass(frozen=True, slots=True)
class Decoded:
    """A picture as it is stored, `by` times smaller; `icc` is the profile its colours go by, None for sRGB."""

    frame: VideoFrame
    by: int
    icc: bytes | None


class Decoder:
    """Decodes frames of the size `stored` to at least a `by`-th of it; `first` is the take's first frame.

    Of a JPEG that is decoded whole the first `rows` are enough, a multiple of 16.
    """

    def __init__(self, stored: tuple[int, int], by: int, first: Path, rows: int | None = None) -> None:
        self._stored = stored
        self._rows = rows
        self._by = by
        self._first = first
        self._codecs: dict[str, VideoCodecContext] = {}

    def decode(self, path: Path) -> Decoded:
        """The picture in `path`. Raises BrokenFrameError, and MemoryError where there is too little."""
        suffix = path.suffix.lower()
        try:
            if suffix in RAW_SUFFIXES:
                return self._develop(path)
            data = path.read_bytes()
            icc = profile.embedded(data)
            if suffix != ".png" and self._by > 1:
                smaller = self._reduced(data)
                if smaller is not None:
                    return Decoded(smaller, self._by, icc)
            if suffix == ".png":
                return Decoded(self._whole(data, "png"), 1, icc)
            return Decoded(self._whole(self._upper(data), "mjpeg"), 1, icc)
        except (FFmpegError, OSError) as error:
            self._codecs.clear()
            if isinstance(error, MemoryError):
                raise  # which is no fault of the frame's
            raise BrokenFrameError(f"can't be decoded ({error.strerror or error})") from error

    def _whole(self, data: bytes, codec: str) -> VideoFrame:
        if codec not in self._codecs:
            decoder = cast("VideoCodecContext", CodecContext.create(codec, "r"))
            decoder.thread_count = 1  # frame threads would hand out frames late
            decoder.options = {"err_detect": "explode"}
            self._codecs[codec] = decoder
        frames = self._codecs[codec].decode(av.Packet(data))
        if not frames:
            raise BrokenFrameError("can't be decoded (no picture in it)")
        return frames[0]

    def _upper(self, data: bytes) -> bytes:
        """A JPEG whose header tells of the first rows alone, so that the decoder stops there (ITU-T T.81, B.2.2)."""
        at = 2
        while self._rows is not None and data[at : at + 1] == b"\xff":
            if data[at + 1] in _SIZES:
                told = int.from_bytes(data[at + 5 : at + 7], "big")
                less = self._rows.to_bytes(2, "big")
                return data[: at + 5] + less + data[at + 7 :] if told == self._stored[1] else data
            at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
        return data

    def _reduced(self, data: bytes) -> VideoFrame | None:
        """The picture made smaller within its transform; None for what only the other decoder takes or can judge."""
        width, height = (-(-side // self._by) for side in self._stored)
        try:
            if simplejpeg.decode_jpeg_header(data)[2] not in {"YCbCr", "Gray"}:
                return None
            picture = simplejpeg.decode_jpeg(data, "BGR", min_width=width, min_height=height)
        except ValueError:
            return None
        # Sharing the array saves a copy of 18 ms at 25 megapixels, most of it spent on fresh memory.
        return VideoFrame.from_numpy_buffer(picture, "bgr24") if picture.shape[:2] == (height, width) else None

    def _develop(self, path: Path) -> Decoded:
        try:
            picture = raw.develop(path, raw.development(self._first), half=self._by > 1)
        except ValueError as error:
            raise BrokenFrameError(str(error)) from error
        return Decoded(VideoFrame.from_ndarray(picture, "rgb48le"), 2 if self._by > 1 else 1, None)


def reduction(crop: tuple[float, float], size: tuple[int, int]) -> int:
    """How many times smaller pictures may be decoded: what is shown of them must stay at least as large as the clip."""
    return next((by for by in REDUCTIONS if crop[0] >= by * size[0] and crop[1] >= by * size[1]), 1)
