import json
import subprocess
import sys
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from lapsed.clip import master
from lapsed.clip.editlist import EditList, edit
from lapsed.clip.footage import footage_of_folder
from lapsed.clip.labels import Tags
from lapsed.clip.shape import shape
from lapsed.errors import UserError
from lapsed.settings import Clip


def plan_of(folder: Path, clip: Clip, orientation: int = 1, size: tuple[int, int] = (320, 240)) -> EditList:
    names = [frame.path.name for frame in footage_of_folder(folder).frames]
    return edit(names, size, orientation, shape(size, clip), clip)


def test_packets_are_the_cameras_files_byte_for_byte(takes_of: Callable, tmp_path: Path) -> None:
    folder, out = takes_of(5), tmp_path / "m.mov"
    done: list[int] = []
    master.write(plan_of(folder, Clip(name="m", codec="master", hold_end_s=0.2)), folder, out, Tags("t"), done.append)
    with av.open(str(out)) as movie:
        packets = [bytes(packet) for packet in movie.demux(video=0) if packet.size]
    assert packets == [(folder / f"{n}.jpg").read_bytes() for n in (1, 2, 3, 4, 5, 5, 5, 5, 5, 5)]
    assert done == [1, 2, 3, 4, 10]
    # A held picture stands in the file once.
    pictures = sum((folder / f"{n}.jpg").stat().st_size for n in range(1, 6))
    assert out.stat().st_size - pictures < 1500


def test_debian_s_decoder_sees_the_same_pixels_in_the_movie_and_in_the_files(
    takes_of: Callable, tmp_path: Path
) -> None:
    folder, out = takes_of(3), tmp_path / "m.mov"
    master.write(plan_of(folder, Clip(name="m", codec="master", hold_end_s=0)), folder, out, Tags("t"), lambda _: None)

    def digests(*source: str) -> list[str]:
        command = ["ffmpeg", "-v", "error", *source, "-f", "framemd5", "-"]
        text = subprocess.run(command, capture_output=True, text=True, check=True).stdout
        return [line.split(",")[-1] for line in text.splitlines() if not line.startswith("#")]

    assert digests("-i", str(out)) == digests("-i", str(folder / "%d.jpg"))


@pytest.mark.parametrize(
    ("rate", "text"),
    [(Fraction(25), "25/1"), (Fraction(24000, 1001), "24000/1001"), (Fraction(60000, 1001), "60000/1001")],
)
def test_an_outside_reader_sees_a_constant_rate_and_the_colours_of_jpeg(
    takes_of: Callable, tmp_path: Path, ffprobe: Callable, rate: Fraction, text: str
) -> None:
    folder, out = takes_of(7), tmp_path / "m.mov"
    master.write(
        plan_of(folder, Clip(name="m", codec="master", rate=rate, length_s=2.0)), folder, out, Tags("t"), lambda _: None
    )
    stream = ffprobe(out)
    frames = round(2 * rate)
    assert (stream["codec_name"], stream["codec_tag_string"]) == ("mjpeg", "jpeg")
    assert (stream["r_frame_rate"], stream["avg_frame_rate"], int(stream["nb_frames"])) == (text, text, frames)
    assert float(stream["duration"]) == pytest.approx(float(frames / rate), abs=1e-6)
    assert (stream["color_range"], stream["color_primaries"]) == ("pc", "bt709")
    assert (stream["color_transfer"], stream["color_space"]) == ("iec61966-2-1", "bt470bg")  # H.273: 13 and 5 or 6
    assert stream["sample_aspect_ratio"] == "1:1"


@pytest.mark.parametrize("orientation", range(1, 9))
def test_players_turn_a_rotated_master_upright(
    tmp_path: Path, scene: Callable, save: Callable, orientation: int
) -> None:
    folder, out = tmp_path / "f", tmp_path / "m.mov"
    folder.mkdir()
    save(folder / "1.jpg", scene(160, 112), orientation=orientation)
    plan = plan_of(folder, Clip(name="m", codec="master", hold_end_s=0), orientation, (160, 112))
    master.write(plan, folder, out, Tags("t"), lambda _: None)
    raw = subprocess.run(
        ["ffmpeg", "-v", "error", "-i", str(out), "-f", "rawvideo", "-pix_fmt", "gray", "-"],
        capture_output=True,
        check=True,
    ).stdout
    # OpenCV turns a picture by its Exif tag on reading: the reference.
    expected = cv2.imread(str(folder / "1.jpg"), cv2.IMREAD_GRAYSCALE)
    assert expected is not None
    seen = np.frombuffer(raw, np.uint8).reshape(expected.shape)
    assert np.abs(seen.astype(int) - expected).mean() < 3


def test_a_frame_that_is_gone_is_said_and_nothing_is_left(takes_of: Callable, tmp_path: Path) -> None:
    folder, out = takes_of(3), tmp_path / "m.mov"
    plan = plan_of(folder, Clip(name="m", codec="master"))
    (folder / "2.jpg").unlink()
    with pytest.raises(UserError, match=r"2\.jpg: No such file"):
        master.write(plan, folder, out, Tags("t"), lambda _: None)
    assert list(tmp_path.glob("*m*.mov")) == []


def test_an_interrupted_master_leaves_no_debris_and_the_old_one_stays(takes_of: Callable, tmp_path: Path) -> None:
    folder, out = takes_of(3), tmp_path / "m.mov"
    out.write_bytes(b"old")

    def stop(done: int) -> None:
        if done == 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        master.write(plan_of(folder, Clip(name="m", codec="master")), folder, out, Tags("t"), stop)
    assert out.read_bytes() == b"old"
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([folder.name, "m.mov"])


def test_a_frame_that_changes_while_it_is_read_is_said(takes_of: Callable, tmp_path: Path) -> None:
    folder, out = takes_of(3), tmp_path / "m.mov"

    def shrink(done: int) -> None:
        if done == 1:
            (folder / "2.jpg").write_bytes(b"short")

    with pytest.raises(UserError, match="changed while"):
        master.write(plan_of(folder, Clip(name="m", codec="master")), folder, out, Tags("t"), shrink)
    assert not out.exists()


def test_the_length_of_the_mdat_passes_four_gigabytes() -> None:
    from lapsed.clip.mov import Track, head  # noqa: PLC0415 - only this test looks at the bytes

    track = Track((5776, 4336), 1, Fraction(25), [8_000_000] * 1000, [1] * 1000)
    data = head(track)
    assert data[-20:-12] == b"\0\0\0\x01mdat"
    assert (
        int.from_bytes(data[-12:-4], "big") == 16 + 4 + 8_000_000_000
    )  # with the timecode's sample before the pictures
    at = data.index(b"co64") + 12
    offsets = np.frombuffer(data[at : at + 8000], ">u8")
    assert offsets[0] == len(data)
    assert offsets[-1] == len(data) + 999 * 8_000_000


PEAK = """
import resource, sys
from pathlib import Path
from fractions import Fraction
from lapsed.clip import master
from lapsed.clip.editlist import EditList, Piece
from lapsed.clip.labels import Tags
from lapsed.clip.orient import Rect
folder, count = Path(sys.argv[1]), int(sys.argv[2])
pieces = tuple(Piece(f"{1 + n % 3}.jpg", 1, Rect(0, 0, 320, 240)) for n in range(count))
plan = EditList("m", "master", (320, 240), Fraction(25), (320, 240), 1, 18, "medium", pieces)
master.write(plan, folder, folder / "m.mov", Tags("t"), lambda _: None)
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


def test_memory_is_flat(takes_of: Callable) -> None:
    folder = takes_of(3)

    def peak(count: int) -> int:
        done = subprocess.run(
            [sys.executable, "-c", PEAK, str(folder), str(count)], capture_output=True, text=True, check=True
        )
        return int(done.stdout)

    assert peak(1200) < 1.05 * peak(30)


# SMPTE ST 12-1: 29.97 counts with dropped labels, written with a semicolon.
@pytest.mark.parametrize(
    ("rate", "label"),
    [(Fraction(25), "00:00:00:00"), (Fraction(30000, 1001), "00:00:00;00"), (Fraction(25, 2), None)],
)
def test_an_outside_reader_sees_timecode_and_words(
    takes_of: Callable, tmp_path: Path, rate: Fraction, label: str | None
) -> None:
    folder, out = takes_of(3), tmp_path / "m.mov"
    plan = plan_of(folder, Clip(name="m", codec="master", rate=rate))
    master.write(
        plan, folder, out, Tags("Beacon of Ottermole pier", "2026-05-04T08:15:00Z", "3 frames"), lambda _: None
    )
    command = ["ffprobe", "-v", "error", "-show_streams", "-show_format", "-of", "json", str(out)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert done.stderr == ""
    found = json.loads(done.stdout)
    tags = found["format"]["tags"]
    assert (tags["title"], tags["date"]) == ("Beacon of Ottermole pier", "2026-05-04T08:15:00Z")
    assert tags["comment"] == "3 frames"
    tracks = [stream["codec_tag_string"] for stream in found["streams"]]
    assert tracks == (["jpeg", "tmcd"] if label else ["jpeg"])
    assert {stream["tags"].get("timecode") for stream in found["streams"]} == {label}
    assert {stream["duration"] for stream in found["streams"]} == {found["streams"][0]["duration"]}
