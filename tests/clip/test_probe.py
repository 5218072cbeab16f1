import struct
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
import simplejpeg

from lapsed.clip.footage import footage_of_folder, natural
from lapsed.clip.probe import Flaw, Picture, probe
from lapsed.errors import UserError


def test_a_jpeg_tells_its_size(tmp_path: Path, scene: Callable, save: Callable) -> None:
    path = save(tmp_path / "a.jpg", scene(322, 241))
    assert probe(path) == Picture(path, "jpeg", 322, 241, 1, path.stat().st_size, 3, 8, False, None)  # noqa: FBT003 - positional value


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_is_read(tmp_path: Path, scene: Callable, save: Callable, orientation: int) -> None:
    look = probe(save(tmp_path / "a.jpg", scene(64, 48), orientation=orientation))
    assert isinstance(look, Picture)
    assert look.orientation == orientation


def test_an_orientation_that_makes_no_sense_counts_as_none(tmp_path: Path, scene: Callable, save: Callable) -> None:
    for wrong in (0, 9, 65535):
        look = probe(save(tmp_path / "a.jpg", scene(64, 48), orientation=wrong))
        assert isinstance(look, Picture)
        assert look.orientation == 1


def test_kinds_of_jpeg(tmp_path: Path, scene: Callable) -> None:
    path = tmp_path / "a.jpg"
    cv2.imwrite(str(path), scene(64, 48), [cv2.IMWRITE_JPEG_PROGRESSIVE, 1])
    look = probe(path)
    assert isinstance(look, Picture)
    assert look.progressive
    cv2.imwrite(str(path), scene(64, 48)[:, :, 0])
    look = probe(path)
    assert isinstance(look, Picture)
    assert (look.components, look.progressive) == (1, False)


def test_padding_and_previews_after_the_picture_do_no_harm(tmp_path: Path, scene: Callable, save: Callable) -> None:
    path = save(tmp_path / "a.jpg", scene(64, 48))
    whole = path.read_bytes()
    for tail in (bytes(70_000), whole):
        path.write_bytes(whole + tail)
        assert isinstance(probe(path), Picture)


def test_a_sixteen_bit_png_tells_its_size(tmp_path: Path) -> None:
    path = tmp_path / "a.png"
    cv2.imwrite(str(path), np.full((48, 64, 3), 40_000, np.uint16))
    look = probe(path)
    assert isinstance(look, Picture)
    assert (look.kind, look.width, look.height, look.bits, look.components) == ("png", 64, 48, 16, 3)


@pytest.mark.parametrize("suffix", [".jpg", ".png"])
def test_a_file_cut_anywhere_is_a_flaw(tmp_path: Path, scene: Callable, suffix: str) -> None:
    path = tmp_path / f"a{suffix}"
    cv2.imwrite(str(path), scene(64, 48))
    whole = path.read_bytes()
    # The end marker is the last two bytes of a JPEG; a PNG's last chunk is its name and a checksum that no one needs.
    for length in range(0, len(whole) - (2 if suffix == ".jpg" else 8), 7):
        path.write_bytes(whole[:length])
        assert isinstance(probe(path), Flaw), length


def test_flaws_have_reasons(tmp_path: Path) -> None:
    def reason(data: bytes) -> str:
        path = tmp_path / "x.jpg"
        path.write_bytes(data)
        look = probe(path)
        assert isinstance(look, Flaw)
        return look.reason

    assert reason(b"") == "is empty"
    assert reason(b"<html>gone</html>") == "is neither a JPEG nor a PNG"
    assert reason(b"\xff\xd8\xff\xd9") == "has no picture in it"
    assert reason(b"\xff\xd8\xff\xe0\x00\x02\x00\x00") == "has damaged headers (byte 6)"
    assert reason(b"\xff\xd8\xff\xe0\x00\x02\xff\xda\x00\x02") == "has damaged headers (no size before the picture)"
    lossless = struct.pack(">HBHHB", 11, 8, 48, 64, 1) + b"\x01\x11\x00"
    assert "unusual kind" in reason(b"\xff\xd8\xff\xc3" + lossless + b"\xff\xda\x00\x02\xff\xd9")
    missing = probe(tmp_path / "nowhere.jpg")
    assert missing == Flaw(tmp_path / "nowhere.jpg", "is missing")
    assert probe(tmp_path) == Flaw(tmp_path, "can't be read (Is a directory)")


def test_an_embedded_profile_is_named_unless_it_is_srgb(tmp_path: Path, scene: Callable, save: Callable) -> None:
    def profile(name: bytes) -> bytes:
        # ICC.1: a header of 128 bytes, a table of tags, and a description as in 9.2.41 of its older form.
        text = b"desc" + bytes(4) + struct.pack(">I", len(name) + 1) + name + b"\0"
        icc = bytes(128) + struct.pack(">I4sII", 1, b"desc", 144, len(text)) + text
        body = b"ICC_PROFILE\0\x01\x01" + icc
        return b"\xff\xe2" + struct.pack(">H", len(body) + 2) + body

    plain = save(tmp_path / "a.jpg", scene(64, 48)).read_bytes()
    for name, expected in ((b"Wide Gamut 98", "Wide Gamut 98"), (b"sRGB IEC61966-2.1", None), (b"", "unnamed")):
        (tmp_path / "a.jpg").write_bytes(plain[:2] + profile(name) + plain[2:])
        look = probe(tmp_path / "a.jpg")
        assert isinstance(look, Picture)
        assert look.profile == expected


def test_cmyk_has_four_components(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(simplejpeg.encode_jpeg(np.full((48, 64, 4), 99, np.uint8), colorspace="CMYK"))
    look = probe(path)
    assert isinstance(look, Picture)
    assert look.components == 4


def test_names_sort_as_people_count() -> None:
    assert natural(["10.jpg", "9.jpg", "b2", "a10", "B1", "a9", "9.JPG"]) == [
        "9.JPG",
        "9.jpg",
        "10.jpg",
        "a9",
        "a10",
        "B1",
        "b2",
    ]


def test_a_folder_gives_its_pictures_only(takes_of: Callable) -> None:
    folder = takes_of(11)
    (folder / "notes.txt").write_text("x")
    (folder / ".hidden.jpg").write_text("x")
    (folder / "deeper.jpg").mkdir()
    footage = footage_of_folder(folder)
    assert [frame.path.name for frame in footage.frames] == [f"{n}.jpg" for n in range(1, 12)]
    assert footage.title == folder.name


def test_no_folder_and_no_pictures_are_said_in_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(UserError, match=r"cannot look into .*nowhere"):
        footage_of_folder(tmp_path / "nowhere")
    with pytest.raises(UserError, match="no pictures in"):
        footage_of_folder(tmp_path)
