"""What can be told of a frame's file from its headers alone, without decoding it.

JPEG: ITU-T T.81, annex B, with Exif (CIPA DC-008) for the orientation and the ICC's APP2 convention for the profile.
PNG: ISO/IEC 15948, clause 5.
"""

import mmap
import re
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from lapsed.clip import exif

RAW_SUFFIXES = frozenset({".dng", ".cr2", ".cr3", ".nef", ".arw", ".raf", ".orf", ".rw2", ".pef", ".srw"})
PICTURE_SUFFIXES = frozenset({".jpg", ".jpeg", ".png"}) | RAW_SUFFIXES

_PNG = b"\x89PNG\r\n\x1a\n"
_STANDALONE = frozenset({0x01, *range(0xD0, 0xD8)})  # T.81, table B.1: TEM and RSTm carry no length
_FRAME_HEADERS = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}  # SOFn without DHT, JPG and DAC
_PROGRESSIVE = frozenset({0xC2, 0xC6, 0xCA, 0xCE})
_DECODABLE = frozenset({0xC0, 0xC1, 0xC2})  # Huffman-coded, not lossless: all that cameras write
_SCAN, _END = 0xDA, 0xD9
_APP1, _APP2 = 0xE1, 0xE2


@dataclass(frozen=True, slots=True)
class Picture:
    """A file that looks whole. `width` and `height` are as stored, before `orientation` (Exif, 1 to 8) is applied.

    `components` is 1 for grey, 3 for colour, 4 for CMYK. `profile` names an embedded colour profile other than sRGB,
    None where there is none. `located` tells whether the file says where it was shot.
    """

    path: Path
    kind: Literal["jpeg", "png", "raw"]
    width: int
    height: int
    orientation: int
    size_bytes: int
    components: int
    bits: int
    progressive: bool
    profile: str | None
    located: bool = False


@dataclass(frozen=True, slots=True)
class Flaw:
    """A file that can't serve as a frame, and why, as the end of a sentence."""

    path: Path
    reason: str


def probe(path: Path) -> Picture | Flaw:
    """Look at the headers of `path`; whatever is wrong with it comes back as a Flaw."""
    try:
        with path.open("rb") as file:
            size = path.stat().st_size
            if size == 0:
                return Flaw(path, "is empty")
            with mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as data:
                if data[:3] == b"\xff\xd8\xff":
                    return _jpeg(path, data)
                if data[:8] == _PNG:
                    return _png(path, data)
                return Flaw(path, "is neither a JPEG nor a PNG")
    except FileNotFoundError:
        return Flaw(path, "is missing")
    except (OSError, ValueError) as error:
        return Flaw(path, f"can't be read ({getattr(error, 'strerror', None) or error})")
    except (struct.error, IndexError):
        return Flaw(path, "ends within its headers")


def _jpeg(path: Path, data: mmap.mmap) -> Picture | Flaw:
    at, profile, found = 2, None, exif.Exif()
    header: tuple[int, int, int, int, int] | None = None
    while True:
        marker = data[at + 1]
        if data[at] != 0xFF:
            return Flaw(path, f"has damaged headers (byte {at})")
        if marker == 0xFF:  # fill bytes may precede a marker (T.81, B.1.1.2)
            at += 1
            continue
        if marker in _STANDALONE:
            at += 2
            continue
        if marker == _END:
            return Flaw(path, "has no picture in it")
        (length,) = struct.unpack_from(">H", data, at + 2)
        body = at + 4
        if marker in _FRAME_HEADERS:
            header = (marker, *struct.unpack_from(">BHHB", data, body))
        elif marker == _APP1 and data[body : body + 6] == b"Exif\0\0":
            found = exif.read(data[body + 6 : at + 2 + length])
            profile = profile or ("DCF optional" if in_optional_space(data[body : at + 2 + length]) else None)
        elif marker == _APP2 and data[body : body + 13] == b"ICC_PROFILE\0\x01":
            profile = _profile(data[body + 14 : at + 2 + length])
        at += 2 + length
        if marker == _SCAN:
            break
    if header is None:
        return Flaw(path, "has damaged headers (no size before the picture)")
    kind, bits, height, width, components = header
    if kind not in _DECODABLE or bits != 8 or components not in (1, 3, 4) or not width or not height:
        return Flaw(path, "is a JPEG of an unusual kind that can't be decoded")
    # Entropy-coded bytes never hold FF D9 (T.81, F.1.2.3 stuffs a zero), so any after the scan's start is the end;
    # searching backwards finds it at once, behind which cameras append previews and padding.
    if data.rfind(b"\xff\xd9", at) < 0:
        return Flaw(path, "is cut off: the end of the picture is missing")
    return Picture(
        path,
        "jpeg",
        width,
        height,
        found.orientation,
        len(data),
        components,
        bits,
        kind in _PROGRESSIVE,
        profile,
        found.located,
    )


def in_optional_space(exif: bytes) -> bool:
    """Whether a camera marked its picture as of DCF's optional colour space: InteroperabilityIndex is "R03"."""
    # The tag's whole entry, in either order of bytes: number 1, a text of four bytes (CIPA DC-008, 4.6.7).
    return b"\0\1\0\2\0\0\0\4R03\0" in exif or b"\1\0\2\0\4\0\0\0R03\0" in exif


def _profile(icc: bytes) -> str | None:
    """The description of an ICC profile (ICC.1, 9.2.41 and 10.15) unless it is sRGB's."""
    at = icc.find(b"desc", 128 + 4)
    start = int.from_bytes(icc[at + 4 : at + 8], "big") if at > 0 else len(icc)
    if icc[start : start + 4] == b"mluc":  # its first text; older profiles have one of ASCII
        length, place = struct.unpack_from(">II", icc, start + 20)
        text = icc[start + place : start + place + length].decode("utf-16-be", "replace")
    else:
        length = int.from_bytes(icc[start + 8 : start + 12], "big")
        text = icc[start + 12 : start + 12 + min(length, 128)].decode("ascii", "replace")
    name = " ".join(re.findall(r"[A-Za-z0-9.\-+()]+", text)) or "unnamed"
    return None if "srgb" in name.lower() else name


def _png(path: Path, data: mmap.mmap) -> Picture | Flaw:
    width, height, bits, colour = struct.unpack_from(">IIBB", data, 16)
    if data[12:16] != b"IHDR" or not width or not height:
        return Flaw(path, "has damaged headers (no size before the picture)")
    if data.rfind(b"IEND", 8) < 0:
        return Flaw(path, "is cut off: the end of the picture is missing")
    components = 1 if colour in (0, 4) else 3
    profile = "unnamed" if b"iCCP" in data[33:4096] and b"sRGB" not in data[33:4096] else None
    return Picture(path, "png", width, height, 1, len(data), components, bits, progressive=False, profile=profile)
