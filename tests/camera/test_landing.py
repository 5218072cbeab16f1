"""Picture files on their way to their names."""

import os
from pathlib import Path

import cv2
import numpy as np
import pytest
import simplejpeg

from lapsed.camera.landing import Landing, flaw, sweep
from lapsed.errors import BugError, ShotMissedError

NOISE = np.random.default_rng(5).integers(0, 256, (120, 160, 3), np.uint8)
JPEG = simplejpeg.encode_jpeg(NOISE)
PNG = cv2.imencode(".png", NOISE)[1].tobytes()
# An APP1 segment that carries a whole small JPEG, as Exif does (CIPA DC-008): its end is not the picture's.
THUMBNAIL = simplejpeg.encode_jpeg(NOISE[:16, :16].copy())
WITH_THUMBNAIL = JPEG[:2] + b"\xff\xe1" + (len(THUMBNAIL) + 2).to_bytes(2, "big") + THUMBNAIL + JPEG[2:]


@pytest.mark.parametrize(
    ("name", "data", "wrong"),
    [
        pytest.param("a.jpg", JPEG, None, id="whole"),
        pytest.param("a.jpg", WITH_THUMBNAIL, None, id="with a thumbnail"),
        pytest.param("a.jpg", JPEG + bytes(5000), None, id="padded"),
        pytest.param("a.jpg", JPEG + b"maker's data", None, id="with something after its end"),
        pytest.param("a.jpg", JPEG[:2] + b"\xff\xff\xff" + JPEG[2:], None, id="with fill bytes"),
        pytest.param("a.jpg", JPEG[:-2], "stops before its end", id="without its end"),
        pytest.param("a.jpg", JPEG[: len(JPEG) // 2], "stops before its end", id="half"),
        pytest.param("a.jpg", WITH_THUMBNAIL[:-500], "stops before its end", id="half, with a whole thumbnail"),
        pytest.param("a.jpg", JPEG[:40], "stops before its first line", id="header only"),
        pytest.param("a.jpg", b"\xff\xd8", "stops before its first line", id="two bytes"),
        pytest.param("a.jpg", bytes(5000), "is not a JPEG", id="zeros"),
        pytest.param("a.jpg", b"<html>", "is not a JPEG", id="something else"),
        pytest.param("a.jpg", b"", "is empty", id="empty"),
        pytest.param("a.jpg", None, "was not written", id="not there"),
        pytest.param("a.png", PNG, None, id="PNG"),
        pytest.param("a.png", PNG[:-9], "stops before its end", id="PNG without its end"),
        pytest.param("a.png", b"no picture" * 99, "is not a PNG", id="something else for a PNG"),
        pytest.param("a.raw", b"II*\0" + b"r" * 9000, None, id="raw"),
        pytest.param("a.raw", b"II*\0" + bytes(9000), "holds zeros where a picture should be", id="raw, end unwritten"),
        pytest.param(
            "a.raw", bytes(16) + b"r" * 9000, "holds zeros where a picture should be", id="raw, start unwritten"
        ),
    ],
)
def test_finds_what_keeps_a_file_from_being_a_whole_picture(tmp_path, name, data, wrong):
    part = tmp_path / f"{name}.part"
    if data is not None:
        part.write_bytes(data)
    assert flaw(part) == wrong


@pytest.mark.parametrize(
    ("camera", "ours"),
    [
        ("PIC_0001.JPG", "000001.jpg"),
        ("capt0000.jpeg", "000001.jpg"),
        ("a.b.RAW", "000001.raw"),
        ("noname", "000001.noname"),
        ("../../etc/x", "000001.bin"),
        ("a.", "000001.bin"),
        ("a.j/p", "000001.bin"),
    ],
)
def test_keeps_the_suffix_only_of_the_cameras_name(tmp_path, camera, ours):
    assert Landing(tmp_path, "000001").part(camera) == tmp_path / f"{ours}.part"


def test_two_files_of_one_sort_are_a_bug(tmp_path):
    landing = Landing(tmp_path, "000001")
    landing.part("a.jpg")
    with pytest.raises(BugError, match=r"two files of one shot would be called 000001\.jpg"):
        landing.part("b.JPEG")


def test_flushes_the_file_before_it_has_its_name_and_the_folder_after(tmp_path, monkeypatch):
    did = []
    fsync, rename = os.fsync, Path.rename
    monkeypatch.setattr(os, "fsync", lambda fd: (did.append(Path(f"/proc/self/fd/{fd}").readlink().name), fsync(fd)))
    monkeypatch.setattr(Path, "rename", lambda self, to: (did.append(f"-> {to.name}"), rename(self, to)))
    landing = Landing(tmp_path, "main/000001")
    (tmp_path / "main").mkdir()
    landing.part("a.jpg").write_bytes(JPEG)
    landing.part("a.raw").write_bytes(b"raw")
    assert landing.land() == (("main/000001.jpg", "main/000001.raw"), len(JPEG) + 3)
    assert did == ["000001.jpg.part", "000001.raw.part", "-> 000001.jpg", "-> 000001.raw", "main"]


def test_a_broken_file_of_a_pair_is_left_out(tmp_path):
    landing = Landing(tmp_path, "000001")
    landing.part("a.jpg").write_bytes(JPEG)
    landing.part("a.raw").write_bytes(b"")
    assert landing.land() == (("000001.jpg",), len(JPEG))
    assert [path.name for path in tmp_path.iterdir()] == ["000001.jpg"]


def test_no_room_is_a_miss_with_the_reason(tmp_path, monkeypatch):
    def full(fd):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    landing = Landing(tmp_path, "000001")
    landing.write("a.jpg", JPEG)
    with pytest.raises(ShotMissedError, match=r"cannot be kept in .*: No space left on device"):
        landing.land()
    landing.discard()
    assert not list(tmp_path.iterdir())


def test_a_disk_that_refuses_the_picture_is_a_miss_with_the_reason(tmp_path):
    landing = Landing(tmp_path / "gone", "000001")
    for hand_over in (lambda: landing.write("a.jpg", JPEG), lambda: landing.copy("a.raw", Path(__file__))):
        with pytest.raises(ShotMissedError, match=r"cannot be kept in .*gone: No such file"):
            hand_over()
    landing.discard()


def test_a_frame_is_a_copy_that_nobody_else_can_alter(tmp_path):
    source = tmp_path / "latest"
    source.write_bytes(JPEG)
    (tmp_path / "link").symlink_to(source)
    landing = Landing(tmp_path, "000001")
    landing.copy("a.jpg", tmp_path / "link")
    landing.land()
    source.write_bytes(b"the next")
    assert not (tmp_path / "000001.jpg").is_symlink()
    assert (tmp_path / "000001.jpg").read_bytes() == JPEG


def test_sweeps_half_written_files_only(tmp_path):
    for name in ("000001.jpg", "000002.jpg.part", "notes.txt"):
        (tmp_path / name).touch()
    (tmp_path / "folder.part").mkdir()
    sweep(tmp_path)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["000001.jpg", "folder.part", "notes.txt"]
