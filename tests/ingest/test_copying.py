"""Copies are verified before anything counts as landed."""

import os
from datetime import datetime

import pytest

from lapsed.errors import ShotMissedError, TakeEndedError
from lapsed.ingest import copying
from lapsed.ingest.copying import bring
from tests.ingest.deals import jpeg, raw

AT = datetime(2026, 5, 4, 9, 30)  # noqa: DTZ001 - the camera's local time has no zone
STEM = "frames/main/000007"


@pytest.fixture
def take(tmp_path):
    (tmp_path / "take" / "frames" / "main").mkdir(parents=True)
    return tmp_path / "take"


@pytest.fixture
def photo(tmp_path):
    path = tmp_path / "OTTR0007.JPG"
    path.write_bytes(jpeg(AT, 7))
    return path


def frames(take):
    return sorted(path.name for path in (take / "frames" / "main").iterdir())


def test_a_pair_comes_over_whole(take, photo):
    other = photo.with_suffix(".RAW")
    other.write_bytes(raw(AT, 7))
    files, size = bring([photo, other], take, STEM)
    assert files == (f"{STEM}.jpg", f"{STEM}.raw")
    assert size == photo.stat().st_size + other.stat().st_size
    assert (take / files[1]).read_bytes() == other.read_bytes()
    assert bring([photo, other], take, STEM) == (files, size)


def test_another_picture_of_that_name_is_never_replaced(take, photo):
    kept = take / f"{STEM}.jpg"
    kept.write_bytes(b"mine")
    with pytest.raises(ShotMissedError, match="is another picture; frames are never replaced"):
        bring([photo], take, STEM)
    assert kept.read_bytes() == b"mine"


def test_a_broken_photo_does_not_land(take, photo):
    photo.write_bytes(photo.read_bytes()[:-2])
    with pytest.raises(ShotMissedError, match="stops before its end"):
        bring([photo], take, STEM)
    assert frames(take) == []


def test_two_files_of_one_sort_are_told(take, photo):
    other = photo.with_suffix(".jpeg")
    other.write_bytes(photo.read_bytes())
    with pytest.raises(ShotMissedError, match="is another jpg of the same photo"):
        bring([photo, other], take, STEM)


def test_a_copy_that_reads_back_otherwise_does_not_land(take, photo, monkeypatch):
    fsync = os.fsync

    def rotten(fd):
        # As a disk does that loses what it was given.
        os.pwrite(fd, b"rotten", 30)
        fsync(fd)

    monkeypatch.setattr(copying.os, "fsync", rotten)
    with pytest.raises(ShotMissedError, match="does not read back as it was written"):
        bring([photo], take, STEM)
    assert frames(take) == []


def test_a_card_that_cannot_be_read_costs_that_shot(take, photo, monkeypatch):
    read = os.read

    def torn(fd, size):
        if os.readlink(f"/proc/self/fd/{fd}") == str(photo):  # noqa: PTH115 - the target is compared, not used
            raise OSError(5, "Input/output error")
        return read(fd, size)

    monkeypatch.setattr(copying.os, "read", torn)
    with pytest.raises(ShotMissedError, match="cannot be read: Input/output error"):
        bring([photo], take, STEM)
    photo.unlink()
    with pytest.raises(ShotMissedError, match="cannot be read: No such file"):
        bring([photo], take, STEM)


def test_a_disk_that_refuses_ends_the_ingest(take, photo, monkeypatch):
    def full(_fd):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(copying.os, "fsync", full)
    with pytest.raises(TakeEndedError, match="No space left on device; free or mend the disk, then ingest again"):
        bring([photo], take, STEM)
    assert frames(take) == []
