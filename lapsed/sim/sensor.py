"""From light on the sensor to a file: vignetting, grain, light that wavers, and the JPEG with its Exif."""

import math
import struct
from datetime import datetime

import cv2
import numpy as np
import simplejpeg  # type: ignore[import-untyped]  # it ships no types
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]

_QUALITY = 90


class Sensor:
    """Takes pictures of `size_px`; `seed` chooses the grain and how the light wavers."""

    def __init__(self, size_px: tuple[int, int], seed: int) -> None:
        self._size = size_px
        self._seed = seed
        self._grain: Bytes = np.zeros((0, 0), np.uint8)
        self._vignette: Bytes = self._grain

    def _grow(self, high: int, wide: int) -> None:
        noise = np.random.default_rng((self._seed, 0))
        grain = cv2.GaussianBlur(noise.standard_normal((high + 64, wide + 64), np.float32), (3, 3), 0.5)
        self._grain = np.clip(128 + 40 * grain, 0, 255).astype(np.uint8)
        x = np.linspace(-1, 1, wide, dtype=np.float32)[None, :]
        y = np.linspace(-1, 1, high, dtype=np.float32)[:, None] * np.float32(high / wide)
        fall = 1 - 0.30 * np.clip((x * x + y * y) / 1.45, 0, 1) ** 1.3
        self._vignette = np.round(255 * fall).astype(np.uint8)

    def light(self, shot: int) -> float:
        """How bright shot number `shot` comes out in linear light: a slow drift and a flicker about 1."""
        flicker = float(np.random.default_rng((self._seed, 1, shot)).standard_normal())
        drift = 0.022 * math.sin(shot / 15.5 + self._seed) + 0.012 * math.sin(shot / 4.7)
        return 1 + drift + 0.012 * max(-2.5, min(2.5, flicker))

    def expose(self, planes: list[Bytes], shot: int, exif: bytes = b"") -> bytes:
        """The JPEG of `planes` (Y, Cb, Cr of full range, chroma halved), which are used up; `exif` goes in as it is."""
        luma, blue, red = planes
        high, wide = luma.shape
        if self._grain.shape != (high + 64, wide + 64):
            self._grow(high, wide)
        cv2.multiply(luma, self._vignette, dst=luma, scale=self.light(shot) ** (1 / 2.2) / 255)
        dx, dy = np.random.default_rng((self._seed, 2, shot)).integers(0, 64, 2).tolist()
        cv2.addWeighted(luma, 1, self._grain[dy : dy + high, dx : dx + wide], 0.045, -128 * 0.045, dst=luma)
        wide, high = self._size
        half = (slice((high + 1) // 2), slice((wide + 1) // 2))
        cut = (np.ascontiguousarray(plane) for plane in (luma[:high, :wide], blue[half], red[half]))
        jpeg = bytes(simplejpeg.encode_jpeg_yuv_planes(*cut, _QUALITY, fastdct=True))
        return jpeg[:2] + exif + jpeg[2:]


def exif(taken: datetime, exposure_s: float) -> bytes:
    """An APP1 segment that tells when and how long the shutter was open (CIPA DC-008: tags and their types).

    `taken` is local time with its offset from UTC.
    """
    offset = taken.strftime("%z")
    thousandths = max(1, round(exposure_s * 1000))
    entries = (
        (0x829A, 5, 1, struct.pack("<II", thousandths, 1000)),  # ExposureTime
        (0x8827, 3, 1, struct.pack("<HH", 100, 0)),  # PhotographicSensitivity
        (0x9000, 7, 4, b"0232"),  # ExifVersion
        (0x9003, 2, 20, taken.strftime("%Y:%m:%d %H:%M:%S").encode() + b"\0"),  # DateTimeOriginal
        (0x9011, 2, 7, f"{offset[:3]}:{offset[3:5]}".encode() + b"\0"),  # OffsetTimeOriginal
        (0x9291, 2, 4, f"{taken.microsecond // 1000:03}".encode() + b"\0"),  # SubSecTimeOriginal
    )
    first = struct.pack("<2sHIHHHIII", b"II", 42, 8, 1, 0x8769, 4, 1, 26, 0)  # one entry: where the Exif part begins
    at = len(first) + 2 + 12 * len(entries) + 4
    table, data = b"", b""
    for tag, kind, count, value in entries:
        held = value if len(value) <= 4 else struct.pack("<I", at + len(data))
        table += struct.pack("<HHI", tag, kind, count) + held
        data += value + b"\0" * (len(value) % 2) if len(value) > 4 else b""
    body = b"Exif\0\0" + first + struct.pack("<H", len(entries)) + table + struct.pack("<I", 0) + data
    return b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body
