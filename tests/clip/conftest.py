"""Pictures for the stitcher's tests, made by a JPEG encoder other than the decoder under test."""

import json
import struct
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
import pytest
import simplejpeg
from numpy.typing import NDArray

Picture = NDArray[np.uint8]


def exif(orientation: int, order: str = ">") -> bytes:
    """An APP1 segment with one tag, laid out as in CIPA DC-008, 4.6.2."""
    mark = b"MM\0*" if order == ">" else b"II*\0"
    directory = struct.pack(order + "IHHHIHHI", 8, 1, 0x0112, 3, 1, orientation, 0, 0)
    body = b"Exif\0\0" + mark + directory
    return b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body


@pytest.fixture
def scene() -> Callable[..., Picture]:
    """A smooth coloured picture (BGR) that is different for each seed."""

    def make(width: int, height: int, seed: int = 0) -> Picture:
        rng = np.random.default_rng(seed)
        coarse = rng.integers(0, 256, (6, 8, 3), dtype=np.uint8)
        return np.asarray(cv2.resize(coarse, (width, height), interpolation=cv2.INTER_CUBIC), np.uint8)

    return make


@pytest.fixture
def save() -> Callable[..., Path]:
    """Write a BGR picture as a JPEG of quality 95, with an Exif orientation on wish."""

    def write(path: Path, picture: Picture, *, orientation: int | None = None, sampling: str = "420") -> Path:
        data = simplejpeg.encode_jpeg(
            np.ascontiguousarray(picture), quality=95, colorspace="BGR", colorsubsampling=sampling
        )
        if orientation is not None:
            data = data[:2] + exif(orientation) + data[2:]
        path.write_bytes(data)
        return path

    return write


@pytest.fixture
def takes_of(tmp_path: Path, scene: Callable[..., Picture], save: Callable[..., Path]) -> Callable[..., Path]:
    """A folder of numbered frames."""

    def make(count: int, size: tuple[int, int] = (320, 240), orientation: int | None = None) -> Path:
        folder = tmp_path / "a take, with 'quotes'"
        folder.mkdir()
        for number in range(1, count + 1):
            save(folder / f"{number}.jpg", scene(*size, seed=number), orientation=orientation)
        return folder

    return make


@pytest.fixture
def ffprobe() -> Callable[..., dict[str, Any]]:
    """The first video stream of a file as Debian's ffprobe reads it: a reader that shares no code with the writer."""

    def look(path: Path, *more: str) -> dict[str, Any]:
        command = ["ffprobe", "-v", "error", "-select_streams", "v:0", "-show_streams", "-of", "json", *more, str(path)]
        done = subprocess.run(command, capture_output=True, text=True, check=True)
        assert done.stderr == ""
        stream: dict[str, Any] = json.loads(done.stdout)["streams"][0]
        return stream

    return look


@pytest.fixture
def read_rgb() -> Callable[[Path], NDArray[np.float64]]:
    """Reads the first frame of a clip without a library's conversions."""

    def read(path: Path) -> NDArray[np.float64]:
        """R'G'B' of the first frame, by BT.709-6 (items 3.2 to 3.4) or BT.601 as the stream says, without a library."""
        with av.open(str(path)) as movie:
            stream = movie.streams.video[0]
            frame = next(movie.decode(stream))
            context = stream.codec_context
            assert (context.color_range, context.colorspace, context.color_primaries, context.color_trc) == (1, 1, 1, 1)
        ten = frame.format.components[0].bits == 10
        kind, scale = (np.uint16, 4) if ten else (np.uint8, 1)
        whole = [np.frombuffer(memoryview(p), kind).reshape(p.height, -1) for p in frame.planes]
        planes = [samples[:, : p.width] / scale for samples, p in zip(whole, frame.planes, strict=True)]
        y = (planes[0] - 16) / 219
        grow = np.ones((y.shape[0] // planes[1].shape[0], y.shape[1] // planes[1].shape[1]))
        cb, cr = ((np.kron(plane, grow) - 128) / 224 for plane in planes[1:])
        r, b = y + 1.5748 * cr, y + 1.8556 * cb
        g = (y - 0.2126 * r - 0.0722 * b) / 0.7152
        return np.clip(np.stack([r, g, b], -1) * 255, 0, 255)

    return read
