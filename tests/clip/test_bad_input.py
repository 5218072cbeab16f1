"""What may be wrong with frames, folders and disks: each is told in one sentence, and never costs a whole clip."""

import os
import subprocess
from collections.abc import Callable, Iterator
from fractions import Fraction
from pathlib import Path

import pytest

from lapsed.__main__ import main
from lapsed.clip import master
from lapsed.clip.cut import cut
from lapsed.clip.editlist import EditList, Piece
from lapsed.clip.footage import Progress, footage_of_folder
from lapsed.clip.labels import Tags
from lapsed.clip.mov import Track, head
from lapsed.clip.orient import Rect
from lapsed.clip.probe import Picture
from lapsed.clip.sift import sift
from lapsed.clip.stitch import stitch
from lapsed.errors import UserError
from lapsed.settings import Clip

ALL = [
    Clip(name="master", codec="master", hold_end_s=0),
    Clip(name="wide", size_px=(160, 90), preset="ultrafast", hold_end_s=0),
]


def quiet(_: Progress) -> None:
    """Nobody listens."""


@pytest.fixture
def tiny_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 256 kB; skipped where mounting isn't allowed."""
    place = tmp_path / "disk"
    place.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(place)]
    if os.getuid() != 0 or subprocess.run(command, check=False, capture_output=True).returncode != 0:
        pytest.skip("mounting a file system is not allowed here")
    try:
        yield place
    finally:
        subprocess.run(["umount", str(place)], check=True)


def test_names_with_spaces_quotes_and_letters_of_all_kinds(takes_of: Callable) -> None:
    folder = takes_of(4)
    names = ["a b.jpg", 'it\'s "1".jpg', "Büchse %d.jpg", "-o; rm $HOME 'x'.jpg"]
    for number, name in enumerate(names, 1):
        (folder / f"{number}.jpg").rename(folder / name)
    report = stitch(footage_of_folder(folder), ALL, None, quiet)
    assert [made.frames for made in report.clips] == [4, 4]
    assert report.left_out == ()


def test_one_frame_makes_every_clip(takes_of: Callable) -> None:
    report = stitch(footage_of_folder(takes_of(1)), ALL, None, quiet)
    assert [made.frames for made in report.clips] == [1, 1]


@pytest.mark.parametrize(
    ("prepare", "said"),
    [
        (lambda _: None, "no pictures in"),
        (lambda folder: (folder / "1.jpg").write_bytes(b""), "is empty"),
        (lambda folder: (folder / "1.jpg").write_bytes(b"<html>gone</html>"), "is neither a JPEG nor a PNG"),
        (lambda folder: (folder / "1.jpg").write_bytes(b"\xff\xd8\xff\xe0\0\x02"), "ends within its headers"),
        (lambda folder: (folder / "1.dng").write_bytes(b"II*\0"), "is a raw file that can't be read"),
    ],
)
def test_a_folder_with_nothing_usable_is_one_sentence_and_an_exit_code(
    tmp_path: Path, capsys: pytest.CaptureFixture, prepare: Callable[[Path], object], said: str
) -> None:
    prepare(tmp_path)
    assert main(["stitch", str(tmp_path), "--quiet"]) == 2
    told = capsys.readouterr().err
    assert said in told
    assert told.count("\n") == 1
    assert "Traceback" not in told


def test_a_name_that_no_file_can_have_is_one_sentence(capsys: pytest.CaptureFixture) -> None:
    assert main(["stitch", "x" * 300]) == 2
    told = capsys.readouterr().err
    assert told.endswith("take.db: File name too long; check the name and the permissions\n")
    assert told.count("\n") == 1


# Root may write anywhere, so the refusal itself is doubled; Linux is asked the same question for anyone else.
def test_a_read_only_folder_asks_for_out(takes_of: Callable, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = takes_of(1)
    monkeypatch.setattr(os, "access", lambda path, _mode: Path(path).parent != folder)
    with pytest.raises(UserError, match=r"can't be written to; name another folder with --out"):
        stitch(footage_of_folder(folder), ALL, None, quiet)
    assert len(stitch(footage_of_folder(folder), ALL, tmp_path / "elsewhere", quiet).clips) == 2


@pytest.mark.parametrize("clip", ALL, ids=lambda clip: clip.name)
def test_a_disk_that_fills_up_is_one_sentence_and_leaves_nothing(
    takes_of: Callable, tiny_disk: Path, clip: Clip, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = takes_of(24)
    clip = clip.model_copy(update={"size_px": (320, 240) if clip.codec != "master" else None, "quality": 1})
    # What the check before starting can't know: somebody else fills the disk meanwhile.
    monkeypatch.setattr("lapsed.clip.work._ensure_room", lambda *_: 0)
    with pytest.raises(UserError, match="No space left on device; make room or name another folder with --out"):
        stitch(footage_of_folder(folder), [clip], tiny_disk, quiet)
    left = [path.name for path in tiny_disk.iterdir() if ".edit." not in path.name]
    assert [name for name in left if name.startswith(".") or name.endswith((".mov", ".mp4"))] == []


def test_a_hundred_thousand_frames_are_planned(tmp_path: Path) -> None:
    count = 100_000
    looks = [
        Picture(tmp_path / f"{n}.jpg", "jpeg", 5776, 4336, 1, 8_000_000, 3, 8, progressive=False, profile=None)
        for n in range(count)
    ]
    assert len(sift(looks).kept) == count
    pieces = tuple(Piece(f"{n}.jpg", 1, Rect(0, 0, 5776, 4336)) for n in range(count))
    edit = EditList("c", "h264", (3840, 2160), Fraction(25), (5776, 4336), 1, 18, "medium", pieces)
    assert sum(segment.frames for segment in cut(edit)) == count
    # 800 GB, over an hour at 25 a second; the header's tables hold 4 + 8 bytes a frame (ISO/IEC 14496-12, 8.7).
    header = head(Track((5776, 4336), 1, Fraction(25), [8_000_000] * count, [1] * count))
    assert 12 * count < len(header) < 12 * count + 2000


def test_a_hundred_thousand_shows_of_few_frames_make_a_master(takes_of: Callable, tmp_path: Path) -> None:
    folder = takes_of(2)
    pieces = tuple(Piece(f"{1 + n % 2}.jpg", 50_000, Rect(0, 0, 320, 240)) for n in range(2))
    edit = EditList("c", "master", (320, 240), Fraction(60), (320, 240), 1, 18, "medium", pieces)
    master.write(edit, folder, tmp_path / "m.mov", Tags("t"), lambda _: None)
    command = ["ffprobe", "-v", "error", "-show_entries", "stream=nb_frames", "-of", "csv=p=0", "-select_streams", "v"]
    done = subprocess.run([*command, str(tmp_path / "m.mov")], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "100000"
