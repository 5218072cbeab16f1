"""Raw files, written by hand as DNG 1.4: a TIFF 6.0 with a colour filter array and the tags that developing needs."""

import struct
import sys
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
import pytest

from lapsed.clip import raw
from lapsed.clip.footage import footage_of_folder
from lapsed.clip.probe import Flaw, Picture
from lapsed.clip.stitch import examine_only, stitch
from lapsed.settings import Clip

WHITE = 16000
# XYZ to the camera's colours: here those of linear sRGB (IEC 61966-2-1, 5.2), so that what comes out is known.
MATRIX = [3.2406, -1.5372, -0.4986, -0.9689, 1.8758, 0.0415, 0.0557, -0.2040, 1.0570]


def dng(
    path: Path,
    light: tuple[float, float, float],
    neutral: tuple[float, float, float] = (1, 1, 1),
    *,
    size: tuple[int, int] = (320, 240),
    orientation: int = 1,
    spot: float | None = None,
) -> Path:
    """A picture of one colour, in linear light from 0 to 1, with a spot in a corner on wish."""
    width, height = size
    cells = np.empty((height, width), "<u2")
    red, green, blue = (round(part * WHITE) for part in light)
    cells[0::2, 0::2], cells[0::2, 1::2], cells[1::2, 0::2], cells[1::2, 1::2] = red, green, green, blue
    if spot is not None:
        cells[:32, :32] = round(spot * WHITE)
    ratios = [Fraction(part).limit_denominator(10_000) for part in neutral]
    tags: list[tuple[int, int, list[Any]]] = [
        (254, 4, [0]),  # NewSubFileType: the picture itself
        (256, 4, [width]),
        (257, 4, [height]),
        (258, 3, [16]),  # BitsPerSample
        (259, 3, [1]),  # Compression: none
        (262, 3, [32803]),  # PhotometricInterpretation: CFA
        (273, 4, [0]),  # StripOffsets, filled in below
        (274, 3, [orientation]),
        (277, 3, [1]),  # SamplesPerPixel
        (278, 4, [height]),  # RowsPerStrip
        (279, 4, [cells.nbytes]),
        (33421, 3, [2, 2]),  # CFARepeatPatternDim
        (33422, 1, [0, 1, 1, 2]),  # CFAPattern: red, green, green, blue
        (50706, 1, [1, 4, 0, 0]),  # DNGVersion
        (50708, 2, list(b"Ottermole\0")),  # UniqueCameraModel
        (50717, 4, [WHITE]),  # WhiteLevel
        (50721, 10, [part for figure in MATRIX for part in (round(figure * 10_000), 10_000)]),  # ColorMatrix1
        (50728, 5, [part for ratio in ratios for part in (ratio.numerator, ratio.denominator)]),  # AsShotNeutral
        (50778, 3, [21]),  # CalibrationIlluminant1: D65
    ]
    codes = {1: "B", 2: "B", 3: "H", 4: "I", 5: "I", 10: "i"}
    after = 8 + 2 + 12 * len(tags) + 4
    extra, entries = b"", b""
    strip = after + sum(-(-struct.calcsize(f"<{len(v)}{codes[k]}") // 4) * 4 for _, k, v in tags if _wide(k, v))
    for tag, kind, values in tags:
        numbers = [strip] if tag == 273 else values
        packed = struct.pack(f"<{len(numbers)}{codes[kind]}", *numbers)
        count = len(numbers) // 2 if kind in {5, 10} else len(numbers)
        place = packed.ljust(4, b"\0")
        if _wide(kind, numbers):
            place = struct.pack("<I", after + len(extra))
            extra += packed + bytes(-len(packed) % 4)
        entries += struct.pack("<HHI", tag, kind, count) + place
    path.write_bytes(struct.pack("<2sHIH", b"II", 42, 8, len(tags)) + entries + bytes(4) + extra + cells.tobytes())
    return path


def _wide(kind: int, values: list[Any]) -> bool:
    return len(values) * {1: 1, 2: 1, 3: 2}.get(kind, 4) > 4


def code(light: float) -> float:
    """IEC 61966-2-1, 5.2."""
    return 255 * (12.92 * light if light <= 0.0031308 else 1.055 * light ** (1 / 2.4) - 0.055)


def colours(path: Path, read_rgb: Callable) -> list[float]:
    return list(read_rgb(path)[100:140, 140:180].mean((0, 1)))


def test_headers_tell_size_and_orientation(tmp_path: Path) -> None:
    look = raw.look(dng(tmp_path / "a.dng", (0.5, 0.5, 0.5), orientation=6))
    assert isinstance(look, Picture)
    assert (look.kind, look.width, look.height, look.orientation, look.bits) == ("raw", 320, 240, 6, 16)


@pytest.mark.parametrize("word", ["h264", "prores"])
def test_a_raw_file_is_developed_to_the_colours_it_holds(tmp_path: Path, read_rgb: Callable, word: str) -> None:
    light = (0.6, 0.3, 0.1)
    dng(tmp_path / "1.dng", light)
    clip = Clip.model_validate({"name": "c", "codec": word, "quality": 1, "hold_end_s": 0})
    report = stitch(footage_of_folder(tmp_path), [clip], None, lambda _: None)
    assert colours(report.clips[0].path, read_rgb) == pytest.approx([code(part) for part in light], abs=2)


def test_white_balance_and_exposure_are_the_first_frame_s_for_the_whole_take(
    tmp_path: Path, read_rgb: Callable
) -> None:
    # Under the first frame's lamp (0.5, 1, 0.8) is white; the second claims another, and has a glint.
    dng(tmp_path / "1.dng", (0.1, 0.2, 0.16), (0.5, 1, 0.8))
    dng(tmp_path / "2.dng", (0.1, 0.2, 0.16), (1, 1, 0.5), spot=1.0)
    clips = [Clip(name="both", codec="prores", hold_end_s=0)]
    report = stitch(footage_of_folder(tmp_path), clips, None, lambda _: None)
    first = colours(report.clips[0].path, read_rgb)
    assert max(first) - min(first) < 2
    lumas = []
    with av.open(str(report.clips[0].path)) as movie:
        lumas = [frame.to_ndarray(format="gray16le")[120, 160] for frame in movie.decode(video=0)]
    assert abs(int(lumas[0]) - int(lumas[1])) < 200  # of 65 535
    sheet = cv2.imread(str(report.sheet))
    assert sheet is not None
    cells = [sheet[150, x].astype(int) for x in (200, 200 + 396)]
    assert np.abs(cells[0] - cells[1]).max() <= 4


def test_frames_are_judged_as_they_are_developed(tmp_path: Path) -> None:
    """What a camera claims of one frame's light is no flicker, as nothing of it is seen in the clip."""
    claims = ((1, 1, 1), (0.5, 1, 0.8), (1, 1, 0.5), (1, 0.6, 1))
    for number, claim in enumerate(claims, start=1):
        dng(tmp_path / f"{number}.dng", (0.1, 0.2, 0.16), claim)
    examined = examine_only(footage_of_folder(tmp_path), None, lambda _: None).examined
    assert examined is not None
    assert examined.flicker < 0.001


def test_sixteen_bits_reach_a_ten_bit_encoder(tmp_path: Path) -> None:
    """A ramp finer than 8 bits keeps more than 8 bits' steps."""
    path = dng(tmp_path / "1.dng", (0.2, 0.2, 0.2), size=(1280, 240))
    data = bytearray(path.read_bytes())
    ramp = np.linspace(0.20, 0.24, 1280)  # some 12 codes of 255
    data[-1280 * 240 * 2 :] = np.tile((ramp * WHITE).round().astype("<u2"), (240, 1)).tobytes()
    path.write_bytes(bytes(data))
    report = stitch(footage_of_folder(tmp_path), [Clip(name="c", codec="prores", hold_end_s=0)], None, lambda _: None)
    with av.open(str(report.clips[0].path)) as movie:
        frame = next(movie.decode(video=0))
    luma = np.frombuffer(memoryview(frame.planes[0]), np.uint16).reshape(240, -1)[120, 20:1260]
    spread = (int(luma.max()) - int(luma.min())) / 4
    assert len(set(luma.tolist())) > 2 * spread


def test_raw_files_have_no_master_and_are_said_when_broken(tmp_path: Path) -> None:
    dng(tmp_path / "1.dng", (0.2, 0.2, 0.2))
    (tmp_path / "2.dng").write_bytes(b"")
    (tmp_path / "3.dng").write_bytes(b"II*\0 not a raw file")
    clips = [Clip(name="m", codec="master"), Clip(name="c", hold_end_s=0)]
    report = stitch(footage_of_folder(tmp_path), clips, None, lambda _: None)
    assert [made.name for made in report.clips] == ["c"]
    assert [each.reason for each in report.not_made] == ["a master carries JPEGs, and these frames are raw files"]
    reasons = [left.reason for left in report.left_out]
    assert all(reason.startswith("is a raw file that can't be read (") for reason in reasons)
    assert len(reasons) == 2


def test_a_small_clip_is_developed_at_half_size(tmp_path: Path, read_rgb: Callable) -> None:
    light = (0.6, 0.3, 0.1)
    dng(tmp_path / "1.dng", light, size=(640, 480))
    clip = Clip(name="c", size_px=(320, 240), quality=1, hold_end_s=0)
    report = stitch(footage_of_folder(tmp_path), [clip], None, lambda _: None)
    assert colours(report.clips[0].path, read_rgb) == pytest.approx([code(part) for part in light], abs=2)


def test_without_the_extra_it_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = dng(tmp_path / "1.dng", (0.2, 0.2, 0.2))
    monkeypatch.setitem(sys.modules, "rawpy", None)
    look = raw.look(path)
    assert isinstance(look, Flaw)
    assert look.reason == "is a raw file, and lapsed[raw] is not installed; install it, or let the camera write JPEGs"


def test_a_contact_sheet_shows_raw_files(tmp_path: Path) -> None:
    dng(tmp_path / "1.dng", (0.6, 0.3, 0.1))
    (tmp_path / "2.dng").write_bytes((tmp_path / "1.dng").read_bytes()[:-20_000])
    report = stitch(footage_of_folder(tmp_path), [Clip(name="c", hold_end_s=0)], None, lambda _: None)
    sheet = cv2.imread(str(report.sheet))
    assert sheet is not None
    assert list(sheet[150, 100][::-1]) == pytest.approx([code(part) for part in (0.6, 0.3, 0.1)], abs=4)
