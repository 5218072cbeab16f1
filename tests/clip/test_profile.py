"""Embedded profiles: converted colours against arithmetic with the published figures of each colour space."""

import struct
import zlib
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
import simplejpeg
from numpy.typing import NDArray
from PIL import ImageCms

from lapsed.clip.footage import footage_of_folder
from lapsed.clip.profile import OPTIONAL, Converter, embedded
from lapsed.clip.stitch import stitch
from lapsed.settings import Clip

COLOURS = np.array([[200, 60, 60], [60, 180, 70], [70, 80, 190], [128, 128, 128], [220, 200, 90], [30, 40, 50]])
# The matrix from XYZ (D65) to linear sRGB: IEC 61966-2-1, 5.2.
TO_SRGB = np.array([[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]])
D65 = np.array([0.9505, 1.0, 1.0890])


def primaries(*xy: tuple[float, float]) -> NDArray[np.float64]:
    """Linear R'G'B' to XYZ from chromaticities and white D65: any handbook of colorimetry."""
    columns = np.array([[x / y, 1, (1 - x - y) / y] for x, y in xy]).T
    return columns * np.linalg.solve(columns, D65)


# Chromaticities: DCF 2.0's optional space, and SMPTE EG 432-1 (P3) with white D65.
WIDE = primaries((0.64, 0.33), (0.21, 0.71), (0.15, 0.06))
P3 = primaries((0.68, 0.32), (0.265, 0.69), (0.15, 0.06))


def srgb(linear: NDArray[np.float64]) -> NDArray[np.float64]:
    linear = np.clip(linear, 0, 1)
    return 255 * np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)


def wanted(matrix: NDArray[np.float64], gamma: float) -> NDArray[np.float64]:
    return srgb((COLOURS / 255) ** gamma @ matrix.T @ TO_SRGB.T)


def icc(matrix: NDArray[np.float64], gamma: float, name: bytes = b"of a test") -> bytes:
    """A matrix profile (ICC.1, 8.4.3), its primaries adapted to D50 by Bradford's matrix (annex E)."""
    bradford = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
    d50 = np.array([0.9642, 1.0, 0.8249])
    adapted = np.linalg.inv(bradford) @ np.diag((bradford @ d50) / (bradford @ D65)) @ bradford @ matrix
    tags = [(b"desc", b"desc" + bytes(4) + struct.pack(">I", len(name) + 1) + name + bytes(80))]
    values = [(b"wtpt", d50), *zip((b"rXYZ", b"gXYZ", b"bXYZ"), adapted.T, strict=True)]
    tags += [(tag, b"XYZ " + bytes(4) + struct.pack(">3i", *np.round(v * 65536).astype(int))) for tag, v in values]
    curve = b"curv" + bytes(4) + struct.pack(">IH", 1, round(gamma * 256)) + bytes(2)
    tags += [(tag, curve) for tag in (b"rTRC", b"gTRC", b"bTRC")]
    table, body, start = b"", b"", 132 + 12 * len(tags)
    for tag, value in tags:
        table += struct.pack(">4sII", tag, start + len(body), len(value))
        body += value + bytes(-len(value) % 4)
    head = struct.pack(">I4sI4s4s4s12x4s", start + len(body), bytes(4), 0x02400000, b"mntr", b"RGB ", b"XYZ ", b"acsp")
    return (
        head.ljust(68, b"\0")
        + struct.pack(">3i", 63190, 65536, 54061)
        + bytes(48)
        + struct.pack(">I", len(tags))
        + table
        + body
    )


def app2(profile: bytes, parts: int = 1) -> bytes:
    """The ICC's segments for JPEG (ICC.1, annex B.4)."""
    step = -(-len(profile) // parts)
    found = b""
    for number in range(parts):
        body = b"ICC_PROFILE\0" + bytes((number + 1, parts)) + profile[number * step : (number + 1) * step]
        found += b"\xff\xe2" + struct.pack(">H", len(body) + 2) + body
    return found


def interoperability(order: str = ">") -> bytes:
    """An Exif segment whose InteroperabilityIndex is R03 (CIPA DC-008, 4.6.7)."""
    mark = b"MM\0*" if order == ">" else b"II*\0"
    first = struct.pack(order + "IHHHIII", 8, 1, 0x8769, 4, 1, 26, 0)
    second = struct.pack(order + "HHHIII", 1, 0xA005, 4, 1, 44, 0)
    third = struct.pack(order + "HHHI", 1, 1, 2, 4) + b"R03\0" + bytes(4)
    body = b"Exif\0\0" + mark + first + second + third
    return b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body


def jpeg(segments: bytes = b"") -> bytes:
    picture = np.repeat(np.repeat(COLOURS[None].astype(np.uint8), 64, 0), 64, 1)
    data = simplejpeg.encode_jpeg(np.ascontiguousarray(picture), quality=100, colorsubsampling="444")
    return data[:2] + segments + data[2:]


def png(profile: bytes) -> bytes:
    picture = np.repeat(np.repeat(COLOURS[None].astype(np.uint8), 64, 0), 64, 1)
    data = cv2.imencode(".png", picture[:, :, ::-1])[1].tobytes()
    body = b"iCCP" + b"p\0\0" + zlib.compress(profile)
    return data[:33] + struct.pack(">I", len(body) - 4) + body + struct.pack(">I", zlib.crc32(body)) + data[33:]


@pytest.mark.parametrize("matrix", [WIDE, P3])
def test_colours_are_converted_as_the_published_figures_say(matrix: NDArray[np.float64]) -> None:
    made = icc(matrix, 563 / 256)
    converter = Converter()
    assert converter.needed(made)
    seen = converter.convert(COLOURS[None].astype(np.uint8), made)[0]
    assert np.abs(seen - wanted(matrix, 563 / 256)).max() <= 1.5


def test_the_optional_space_of_cameras_is_what_its_chromaticities_say() -> None:
    converter = Converter()
    assert converter.needed(OPTIONAL)
    seen = converter.convert(COLOURS[None].astype(np.uint8), OPTIONAL)[0]
    assert np.abs(seen - wanted(WIDE, 563 / 256)).max() <= 1.5


def test_what_needs_no_conversion_or_takes_none_is_left_alone() -> None:
    converter = Converter()
    same = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    lab = ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes()
    assert [converter.needed(each) for each in (None, same, lab, b"damaged" * 40)] == [False] * 4


def test_profiles_are_found_in_files() -> None:
    made = icc(P3, 2.2)
    assert embedded(jpeg(app2(made))) == made
    assert embedded(jpeg(app2(made, parts=3))) == made
    assert embedded(png(made)) == made
    assert [embedded(jpeg(interoperability(order))) for order in "<>"] == [OPTIONAL, OPTIONAL]
    assert [embedded(data) for data in (jpeg(), b"", b"nothing", jpeg()[:40])] == [None] * 4


@pytest.mark.parametrize("word", ["h264", "prores"])
@pytest.mark.parametrize(
    ("name", "frame", "meant"),
    [
        ("Screen P3", ("1.jpg", jpeg(app2(icc(P3, 2.2, b"Screen P3")))), (P3, 2.2)),
        ("DCF optional", ("1.jpg", jpeg(interoperability())), (WIDE, 563 / 256)),
        ("unnamed", ("1.png", png(icc(P3, 2.2))), (P3, 2.2)),
    ],
)
def test_a_delivery_has_the_colours_that_were_meant(  # noqa: PLR0917 - a table of cases and two fixtures
    tmp_path: Path, read_rgb: Callable, word: str, name: str, frame: tuple[str, bytes], meant: tuple[NDArray, float]
) -> None:
    (tmp_path / frame[0]).write_bytes(frame[1])
    clip = Clip.model_validate({"name": "c", "codec": word, "quality": 1, "hold_end_s": 0})
    report = stitch(footage_of_folder(tmp_path), [clip], None, lambda _: None)
    assert report.remarks[0].startswith(f"1 frame with the colour profile {name!r}, converted to sRGB in deliveries")
    picture = read_rgb(report.clips[0].path)
    seen = np.array([picture[24:40, 64 * k + 16 : 64 * k + 48].mean((0, 1)) for k in range(len(COLOURS))])
    assert np.abs(seen - wanted(*meant)).max() <= 3
