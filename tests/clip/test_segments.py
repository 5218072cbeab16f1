import json
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import av
import pytest

from lapsed.clip import delivery, encoder
from lapsed.clip.codec import CODECS
from lapsed.clip.cut import Segment, cut
from lapsed.clip.delivery import Means
from lapsed.clip.editlist import EditList, Piece, to_json
from lapsed.clip.labels import Tags
from lapsed.clip.orient import Rect
from lapsed.clip.partial import only_one
from lapsed.clip.rendering import rows_of
from lapsed.errors import UserError

CROP = Rect(0, 0, 320, 240)


def plan(shows: list[int], codec: str = "h264", preset: str = "ultrafast") -> EditList:
    pieces = tuple(Piece(f"{1 + n % 4}.jpg", count, CROP) for n, count in enumerate(shows))
    return EditList("c", codec, (160, 120), Fraction(25), (320, 240), 1, 18, preset, pieces)


def packets(path: Path) -> list[tuple[int, int, bytes]]:
    with av.open(str(path)) as movie:
        return [(p.pts, p.dts, bytes(p)) for p in movie.demux(video=0) if p.dts is not None]


@pytest.mark.parametrize(
    ("shows", "spans"),
    [
        ([10], [(0, 1, 10)]),
        ([1] * 9, [(0, 9, 9)]),
        ([1] * 10, [(0, 10, 10)]),
        ([1] * 25, [(0, 10, 10), (10, 25, 15)]),
        ([4, 4, 4, 30, 1], [(0, 3, 12), (3, 5, 31)]),
    ],
)
def test_a_clip_is_cut_between_pieces(shows: list[int], spans: list[tuple[int, int, int]]) -> None:
    assert cut(plan(shows), 10) == tuple(Segment(number, *span) for number, span in enumerate(spans))


@pytest.mark.parametrize("codec", ["h264", "h265", "av1", "prores"])
def test_segments_join_to_a_stream_that_an_outside_decoder_takes(
    takes_of: Callable, tmp_path: Path, codec: str, ffprobe: Callable
) -> None:
    folder, out = takes_of(4), tmp_path / f"c{CODECS[codec].suffix}"
    preset = "medium" if codec.startswith("h26") else "ultrafast"  # with pictures out of order
    edit = plan([33] * 7, codec, preset)
    assert len(cut(edit)) == 2
    delivery.write(edit, folder, out, Tags("t"), lambda _: None)
    done = subprocess.run(
        ["ffmpeg", "-v", "error", "-i", str(out), "-f", "framemd5", "-"], capture_output=True, text=True, check=True
    )
    assert done.stderr == ""
    times = [int(line.split(",")[2]) for line in done.stdout.splitlines() if not line.startswith("#")]
    assert times == list(range(7 * 33))
    assert float(ffprobe(out)["start_time"]) == 0


def test_several_processes_make_the_same_packets_as_one(takes_of: Callable, tmp_path: Path) -> None:
    folder, edit = takes_of(4), plan([40] * 6)
    heard: list[int] = []
    means = Means(delivery.cores(), 2)
    (folder / "1.jpg").write_bytes(b"broken")
    assert len(cut(edit)) == 2
    one = delivery.write(edit, folder, tmp_path / "one.mp4", Tags("t"), lambda _: None)
    two = delivery.write(edit, folder, tmp_path / "two.mp4", Tags("t"), heard.append, means=means)
    assert packets(tmp_path / "one.mp4") == packets(tmp_path / "two.mp4")
    assert [bad.frame for bad in one] == [bad.frame for bad in two] == ["1.jpg"]
    assert max(heard) == edit.frames
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([folder.name, "one.mp4", "two.mp4"])


def test_threads_share_out_frames_and_not_slices(takes_of: Callable, tmp_path: Path) -> None:
    delivery.write(plan([1] * 4), takes_of(4), tmp_path / "c.mp4", Tags("t"), lambda _: None, means=Means(2))
    # x264 writes its settings into the stream as user data (H.264, D.1.7).
    settings = (tmp_path / "c.mp4").read_bytes()
    assert b" threads=3 " in settings  # by its own choice three for every two cores, says its --fullhelp
    assert b" sliced_threads=0 " in settings


def test_what_goes_wrong_in_a_process_is_told(takes_of: Callable, tmp_path: Path) -> None:
    folder, edit = takes_of(4), plan([100] * 3)
    for frame in folder.iterdir():
        frame.write_bytes(b"nothing")
    with pytest.raises(UserError, match="none of the 3 frames"):
        delivery.write(edit, folder, tmp_path / "c.mp4", Tags("t"), lambda _: None, means=Means(2, 2))
    assert [path.name for path in tmp_path.iterdir()] == [folder.name]


CHILD = """
import json, sys
from pathlib import Path
from lapsed.clip import delivery, encoder
from lapsed.clip.editlist import from_json
from lapsed.clip.labels import Tags
folder, out = Path(sys.argv[1]), Path(sys.argv[2])
def told(done):
    print(done, flush=True)
    if done == 120:
        sys.stdin.readline()
delivery.write(from_json(sys.argv[3]), folder, out, Tags("t"), told)
"""


def killed_in_mid_clip(folder: Path, out: Path, edit: EditList) -> None:
    from lapsed.clip.editlist import to_json  # noqa: PLC0415 - only here

    with subprocess.Popen(
        [sys.executable, "-c", CHILD, str(folder), str(out), to_json(edit)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as child:
        assert child.stdout is not None
        for line in child.stdout:
            if line == "120\n":
                break
        child.send_signal(signal.SIGKILL)


def test_a_segment_of_a_long_clip_is_begun_without_looking_at_all_pieces(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    edit, looked = plan([1] * 960), []
    looks = Piece.looks.fget
    monkeypatch.setattr(Piece, "looks", property(lambda piece: looked.append(piece) or looks(piece)))
    monkeypatch.setattr(encoder, "write", lambda *_: rows_of(edit))  # which decoders ask for
    counts = []
    for segment in cut(edit):
        delivery.encode_segment(edit, tmp_path, segment, out=tmp_path / "s", told=lambda _: None, means=Means(2))
        counts.append(len(looked))
    assert counts[0] > 0
    assert counts == [counts[0]] * 10


def test_a_killed_clip_goes_on_where_it_was(takes_of: Callable, tmp_path: Path) -> None:
    folder, out, edit = takes_of(4), tmp_path / "c.mp4", plan([1] * 200)
    killed_in_mid_clip(folder, out, edit)
    home = tmp_path / ".c.unfinished"
    assert "00000.mp4" in {path.name for path in home.iterdir()}
    assert not out.exists()
    heard: list[int] = []
    delivery.write(edit, folder, out, Tags("t"), heard.append)
    assert heard == list(range(97, 201))  # a segment of 96 was there
    delivery.write(edit, folder, tmp_path / "afresh.mp4", Tags("t"), lambda _: None)
    assert packets(out) == packets(tmp_path / "afresh.mp4")
    assert not home.exists()


@pytest.mark.parametrize("change", ["edit list", "frame", "frame gone"])
def test_segments_of_something_else_are_not_used(takes_of: Callable, tmp_path: Path, change: str) -> None:
    folder, out, edit = takes_of(4), tmp_path / "c.mp4", plan([1] * 200)
    killed_in_mid_clip(folder, out, edit)
    if change == "edit list":
        edit = plan([2] * 100)
    elif change == "frame":
        shutil.copyfile(folder / "1.jpg", folder / "2.jpg")
    else:
        (folder / "2.jpg").unlink()
    heard: list[int] = []
    delivery.write(edit, folder, out, Tags("t"), heard.append)
    assert heard == list(range(1, 201))


def test_a_frame_broken_at_the_start_of_a_segment_is_replaced_by_the_one_before(
    takes_of: Callable, tmp_path: Path
) -> None:
    folder = takes_of(2, (320, 240))
    names = ["1.jpg", "broken.jpg", "2.jpg"]
    (folder / "broken.jpg").write_bytes(b"nothing")
    pieces = tuple(Piece(name, 100, CROP) for name in names)
    edit = EditList("c", "prores", (160, 120), Fraction(25), (320, 240), 1, 18, "fast", pieces)
    assert len(cut(edit)) == 3
    assert [bad.frame for bad in delivery.write(edit, folder, tmp_path / "c.mov", Tags("t"), lambda _: None)] == [
        "broken.jpg"
    ]
    seen = [data for _, _, data in packets(tmp_path / "c.mov")]
    assert seen[0] == seen[150]
    assert seen[0] != seen[250]


def test_a_whole_segment_broken_at_the_start_is_replaced_by_the_first_that_is_not(
    takes_of: Callable, tmp_path: Path
) -> None:
    folder = takes_of(1)
    (folder / "broken.jpg").write_bytes(b"nothing")
    pieces = (Piece("broken.jpg", 100, CROP), Piece("1.jpg", 100, CROP))
    edit = EditList("c", "prores", (160, 120), Fraction(25), (320, 240), 1, 18, "fast", pieces)
    delivery.write(edit, folder, tmp_path / "c.mov", Tags("t"), lambda _: None)
    assert len({data for _, _, data in packets(tmp_path / "c.mov")}) == 1


def test_two_stitches_into_one_folder_are_kept_apart(tmp_path: Path) -> None:
    held = "import sys\nfrom pathlib import Path\nfrom lapsed.clip.partial import only_one\n"
    held += "with only_one(Path(sys.argv[1])):\n    print('has it', flush=True)\n    sys.stdin.readline()\n"
    with subprocess.Popen(
        [sys.executable, "-c", held, str(tmp_path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "has it\n"
        with pytest.raises(UserError, match="another stitch is writing to"), only_one(tmp_path):
            pass
        child.send_signal(signal.SIGKILL)
    with only_one(tmp_path):  # the lock went with its holder
        assert list(tmp_path.iterdir()) == []


def ordered(folder: Path, out: Path, parent: int) -> "subprocess.CompletedProcess[str]":
    order = {
        "edit": to_json(plan([2, 2])),
        "folder": str(folder),
        "segment": [0, 0, 2, 4],
        "out": str(out),
        "processes": 1,
        "parent": parent,
    }
    command = [sys.executable, "-m", "lapsed.clip.worker"]
    return subprocess.run(command, input=json.dumps(order), capture_output=True, text=True, check=False)


def test_a_worker_takes_its_order_as_json(takes_of: Callable, tmp_path: Path) -> None:
    done = ordered(takes_of(2), tmp_path / "nowhere" / "s.mp4", os.getpid())
    word, value = json.loads(done.stdout.splitlines()[-1])
    assert (word, value) == ("error", f"cannot encode {tmp_path}/nowhere/s.mp4: No such file or directory")


def test_a_worker_whose_parent_was_killed_while_it_started_does_nothing(takes_of: Callable, tmp_path: Path) -> None:
    done = ordered(takes_of(2), tmp_path / "s.mp4", 0)  # no process has that number
    assert (done.returncode, done.stdout) == (1, "")
    assert not (tmp_path / "s.mp4").exists()
