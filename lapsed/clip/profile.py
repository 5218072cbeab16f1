"""Pictures whose colours are not sRGB's: by an embedded ICC profile, or by DCF's mark for its optional colour space."""

import io
import struct
from typing import Final

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms

from lapsed.clip.probe import in_optional_space

_RELATIVE: Final = ImageCms.Intent.RELATIVE_COLORIMETRIC
_SAME: Final = 2
"""Profiles that change no colour by more than so many codes of 255 are sRGB under another name."""


XYZ = tuple[float, float, float]
_D50: Final[XYZ] = (0.9642, 1.0, 0.8249)


def embedded(data: bytes) -> bytes | None:
    """The ICC profile that a JPEG or PNG goes by; None for sRGB and for files that don't say."""
    try:
        with Image.open(io.BytesIO(data)) as picture:
            icc = picture.info.get("icc_profile")
    except (OSError, SyntaxError, ValueError):
        return None  # whether the picture can be decoded is found out elsewhere
    if isinstance(icc, bytes) and icc:
        return icc
    return OPTIONAL if in_optional_space(data[: 1 << 17]) else None


class Converter:
    """Takes pictures to sRGB; for one thread, as transforms keep a cache."""

    def __init__(self) -> None:
        self._known: dict[bytes, ImageCms.ImageCmsTransform | None] = {}

    def needed(self, icc: bytes | None) -> bool:
        """Whether colours by this profile differ from sRGB, and can be converted."""
        if icc is None:
            return False
        if icc not in self._known:
            self._known[icc] = _transform(icc)
        return self._known[icc] is not None

    def convert(self, rgb: NDArray[np.uint8], icc: bytes) -> NDArray[np.uint8]:
        """A picture by the profile `icc` in sRGB; only after `needed` has said so."""
        transform = self._known[icc]
        assert transform is not None  # noqa: S101 - what `needed` has seen to
        picture = Image.fromarray(rgb)
        ImageCms.applyTransform(picture, transform, inPlace=True)
        return np.asarray(picture)


def _transform(icc: bytes) -> ImageCms.ImageCmsTransform | None:
    try:
        made = ImageCms.buildTransform(
            ImageCms.ImageCmsProfile(io.BytesIO(icc)),
            ImageCms.createProfile("sRGB"),
            "RGB",
            "RGB",
            renderingIntent=_RELATIVE,
            flags=ImageCms.Flags.BLACKPOINTCOMPENSATION,
        )
    except (ImageCms.PyCMSError, OSError):
        return None  # of grey, of inks, or damaged: shown as it is
    steps = np.linspace(0, 255, 6).round().astype(np.uint8)
    cube = np.stack(np.meshgrid(steps, steps, steps), -1).reshape(1, -1, 3)
    seen = np.asarray(ImageCms.applyTransform(Image.fromarray(cube), made), np.int16)
    return None if np.abs(seen - cube).max() <= _SAME else made


def _matrix_profile(red: XYZ, green: XYZ, blue: XYZ, gamma: float) -> bytes:
    """An ICC profile of primaries, as seen under D50, and a power curve (ICC.1, 8.4.3)."""
    text = b"DCF optional colour space"
    tags = {
        b"desc": b"desc" + bytes(4) + struct.pack(">I", len(text) + 1) + text + bytes(79),
        b"wtpt": _xyz(_D50),
        b"rXYZ": _xyz(red),
        b"gXYZ": _xyz(green),
        b"bXYZ": _xyz(blue),
    }
    curve = b"curv" + bytes(4) + struct.pack(">IH", 1, round(gamma * 256)) + bytes(2)
    tags |= dict.fromkeys((b"rTRC", b"gTRC", b"bTRC"), curve)
    table, body = b"", b""
    start = 128 + 4 + 12 * len(tags)
    for name, value in tags.items():
        table += struct.pack(">4sII", name, start + len(body), len(value))
        body += value + bytes(-len(value) % 4)
    size = start + len(body)
    head = struct.pack(">I4sI4s4s4s12x4s", size, bytes(4), 0x02400000, b"mntr", b"RGB ", b"XYZ ", b"acsp")
    head += bytes(68 - len(head)) + _xyz(_D50)[8:]
    return head + bytes(128 - len(head)) + struct.pack(">I", len(tags)) + table + body


def _xyz(value: XYZ) -> bytes:
    return b"XYZ " + bytes(4) + struct.pack(">3i", *(round(part * 65536) for part in value))


# DCF 2.0 (JEITA CP-3461): primaries x, y of (0.64, 0.33), (0.21, 0.71), (0.15, 0.06), white D65, gamma 2.2 (from
# memory); adapted to D50 by the Bradford method, as profiles want them.
OPTIONAL: Final = _matrix_profile(
    (0.60974, 0.31111, 0.01947), (0.20528, 0.62567, 0.06087), (0.14919, 0.06322, 0.74457), 563 / 256
)
