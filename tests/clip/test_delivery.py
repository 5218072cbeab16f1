import json
import re
import subprocess
import sys
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import get_args

import av
import cv2
import numpy as np
import pytest
import simplejpeg
from numpy.typing import NDArray

from lapsed.clip import delivery
from lapsed.clip.codec import CODECS
from lapsed.clip.editlist import EditList, edit
from lapsed.clip.footage import footage_of_folder
from lapsed.clip.labels import Tags
from lapsed.clip.orient import turned
from lapsed.clip.shape import shape
from lapsed.errors import UserError
from lapsed.settings import Clip

# The eight corners of the colour cube, greys, and the colours of a 75 % bar signal (ITU-R BT.471): RGB.
PATCHES = [
    *[(r, g, b) for r in (0, 255) for g in (0, 255) for b in (0, 255)],
    *[(v, v, v) for v in (16, 64, 128, 192, 235)],
    *[(r, g, b) for r in (0, 191) for g in (0, 191) for b in (0, 191)],
    (200, 120, 90),
    (90, 120, 200),
    (30, 60, 20),
]
SIDE = 32


def plan_of(folder: Path, clip: Clip, stored: tuple[int, int], orientation: int = 1) -> EditList:
    names = [frame.path.name for frame in footage_of_folder(folder).frames]
    form = shape(turned(stored, orientation), clip)
    return edit(names, stored, orientation, form, clip)


def bars() -> NDArray[np.uint8]:
    return np.repeat(np.repeat(np.array([PATCHES], np.uint8), SIDE, 0), SIDE, 1)


def read_back(path: Path, number: int = 0) -> NDArray[np.float64]:
    """RGB by the stream's own tags and BT.709-6 (items 3.2 to 3.4), on whole chroma samples, without a library."""
    with av.open(str(path)) as movie:
        stream = movie.streams.video[0]
        context = stream.codec_context
        assert (context.color_range, context.colorspace, context.color_primaries, context.color_trc) == (1, 1, 1, 1)
        frame = [frame for frame, _ in zip(movie.decode(stream), range(number + 1), strict=False)][number]
    planes = [
        np.frombuffer(memoryview(p), np.uint8).reshape(p.height, p.line_size)[:, : p.width].astype(float)
        for p in frame.planes
    ]
    y = (planes[0] - 16) / 219
    cb, cr = ((np.kron(plane, np.ones((2, 2))) - 128) / 224 for plane in planes[1:])
    r, b = y + 1.5748 * cr, y + 1.8556 * cb
    g = (y - 0.2126 * r - 0.0722 * b) / 0.7152
    return np.stack([r, g, b], -1) * 255


def patches_of(picture: NDArray[np.float64], count: int) -> NDArray[np.float64]:
    step = picture.shape[1] // count
    middle = picture.shape[0] // 2
    return np.array(
        [
            picture[middle - 4 : middle + 4, k * step + step // 4 : k * step + 3 * step // 4].mean((0, 1))
            for k in range(count)
        ]
    )


@pytest.mark.parametrize("sampling", ["444", "422", "420"])
@pytest.mark.parametrize("half", [False, True])
def test_colour_patches_come_back_within_2_of_255(tmp_path: Path, sampling: str, half: bool) -> None:
    folder = tmp_path / "f"
    folder.mkdir()
    picture = np.ascontiguousarray(bars())
    (folder / "1.jpg").write_bytes(simplejpeg.encode_jpeg(picture, quality=100, colorsubsampling=sampling))
    height, width = picture.shape[:2]
    size = (width // 2, height // 2) if half else (width, height)
    clip = Clip(name="c", size_px=size, quality=1, hold_end_s=0)
    delivery.write(plan_of(folder, clip, (width, height)), folder, tmp_path / "c.mp4", Tags("t"), lambda _: None)
    seen = patches_of(np.clip(read_back(tmp_path / "c.mp4"), 0, 255), len(PATCHES))
    assert np.abs(seen - PATCHES).max() <= 2


def test_grey_and_progressive_and_cmyk_and_png_become_video(tmp_path: Path) -> None:
    colour = (200, 120, 90)
    rgb = np.full((64, 96, 3), colour, np.uint8)
    folder = tmp_path / "f"
    folder.mkdir()

    def seen() -> list[int]:
        (file,) = folder.iterdir()
        plan = plan_of(folder, Clip(name="c", quality=1, hold_end_s=0), (96, 64))
        assert delivery.write(plan, folder, tmp_path / "c.mp4", Tags("t"), lambda _: None) == ()
        file.unlink()
        return [round(value) for value in read_back(tmp_path / "c.mp4")[16:48, 16:80].mean((0, 1))]

    (folder / "grey.jpg").write_bytes(
        simplejpeg.encode_jpeg(
            np.full((64, 96, 1), 150, np.uint8), quality=100, colorspace="GRAY", colorsubsampling="Gray"
        )
    )
    assert seen() == pytest.approx([150] * 3, abs=2)
    cv2.imwrite(
        str(folder / "p.jpg"), rgb[:, :, ::-1], [cv2.IMWRITE_JPEG_PROGRESSIVE, 1, cv2.IMWRITE_JPEG_QUALITY, 100]
    )
    assert seen() == pytest.approx(colour, abs=2)
    cv2.imwrite(str(folder / "a.png"), rgb[:, :, ::-1])
    assert seen() == pytest.approx(colour, abs=3)  # R'G'B' is rounded to Y'CbCr twice
    cv2.imwrite(str(folder / "b.png"), rgb[:, :, ::-1].astype(np.uint16) * 257)
    assert seen() == pytest.approx(colour, abs=3)  # R'G'B' is rounded to Y'CbCr twice
    # An Adobe-style CMYK JPEG stores inverted ink: 255 is none (common practice, no source).
    ink = np.full((64, 96, 4), (200, 120, 90, 255), np.uint8)
    (folder / "c.jpg").write_bytes(simplejpeg.encode_jpeg(ink, quality=100, colorspace="CMYK"))
    assert seen() == pytest.approx(colour, abs=6)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_rotated_frames_are_turned_and_cropped_upright(
    tmp_path: Path, scene: Callable, save: Callable, orientation: int
) -> None:
    folder = tmp_path / "f"
    folder.mkdir()
    save(folder / "1.jpg", scene(320, 224), orientation=orientation)
    expected = cv2.imread(str(folder / "1.jpg"))  # OpenCV turns it by its tag: the reference
    assert expected is not None
    clip = Clip(name="c", size_px=(96, 96), focus=(0.2, 0.3), quality=1, hold_end_s=0)
    plan = plan_of(folder, clip, (320, 224), orientation)
    delivery.write(plan, folder, tmp_path / "c.mp4", Tags("t"), lambda _: None)
    crop = plan.pieces[0].crop
    cut = expected[int(crop.y) : int(crop.y + crop.height), int(crop.x) : int(crop.x + crop.width)]
    cut = cv2.resize(cut, (96, 96), interpolation=cv2.INTER_AREA)
    assert np.abs(read_back(tmp_path / "c.mp4")[:, :, ::-1] - cut).mean() < 5  # a wrong turn gives 50


def test_an_outside_reader_sees_rate_tags_and_a_fast_start(
    takes_of: Callable, tmp_path: Path, ffprobe: Callable
) -> None:
    folder, out = takes_of(12), tmp_path / "c.mp4"
    clip = Clip(name="c", size_px=(160, 90), rate=Fraction(30000, 1001), length_s=2.0)
    delivery.write(plan_of(folder, clip, (320, 240)), folder, out, Tags("Büchse 'n Co"), lambda _: None)
    stream = ffprobe(out, "-show_format")
    assert (stream["codec_name"], stream["pix_fmt"], stream["width"], stream["height"]) == ("h264", "yuv420p", 160, 90)
    assert (stream["r_frame_rate"], stream["avg_frame_rate"], stream["nb_frames"]) == ("30000/1001", "30000/1001", "60")
    assert (stream["color_range"], stream["color_space"]) == ("tv", "bt709")
    assert (stream["color_transfer"], stream["color_primaries"]) == ("bt709", "bt709")
    assert stream["chroma_location"] == "center"
    assert float(stream["start_time"]) == 0
    assert float(stream["duration"]) == pytest.approx(60 * 1001 / 30000, abs=1e-3)
    data = out.read_bytes()
    assert data.index(b"moov") < data.index(b"mdat")
    assert b"colr" in data


# SMPTE ST 12-1: labels at 29.97 and 59.94 leave some out, which a semicolon says.
@pytest.mark.parametrize(
    ("rate", "label"),
    [
        (Fraction(24000, 1001), "00:00:00:00"),
        (Fraction(25), "00:00:00:00"),
        (Fraction(30000, 1001), "00:00:00;00"),
        (Fraction(60000, 1001), "00:00:00;00"),
        (Fraction(25, 2), None),
    ],
)
@pytest.mark.parametrize("codec", ["h264", "prores"])
def test_an_outside_reader_sees_timecode_and_words_and_no_place(
    takes_of: Callable, tmp_path: Path, rate: Fraction, label: str | None, codec: str
) -> None:
    # The frame has an Exif segment, of which nothing may come along.
    folder, out = takes_of(1, orientation=1), tmp_path / f"c{CODECS[codec].suffix}"
    clip = Clip.model_validate({"name": "c", "codec": codec, "rate": rate, "hold_end_s": 0.2, "preset": "ultrafast"})
    tags = Tags("Beacon of Ottermole pier", "2026-05-04T08:15:00Z", "1 frame")
    delivery.write(plan_of(folder, clip, (320, 240)), folder, out, tags, lambda _: None)
    command = ["ffprobe", "-v", "error", "-show_streams", "-show_format", "-of", "json", str(out)]
    found = json.loads(subprocess.run(command, capture_output=True, text=True, check=True).stdout)
    assert [stream["tags"].get("timecode") for stream in found["streams"]] == ([label] * 2 if label else [None])
    assert {name: text for name, text in found["format"]["tags"].items() if "brand" not in name} == {
        "title": "Beacon of Ottermole pier",
        "date": "2026-05-04T08:15:00Z",
        "creation_time": "2026-05-04T08:15:00.000000Z",
        "comment": "1 frame",
        "minor_version": "512",
        "encoder": found["format"]["tags"]["encoder"],
    }
    data = out.read_bytes()
    assert data.index(b"moov") < data.index(b"mdat")
    assert b"Exif" not in data


def test_the_stream_says_that_its_rate_is_fixed(takes_of: Callable, tmp_path: Path) -> None:
    folder, out = takes_of(2), tmp_path / "c.mp4"
    delivery.write(plan_of(folder, Clip(name="c"), (320, 240)), folder, out, Tags("t"), lambda _: None)
    command = ["ffmpeg", "-v", "verbose", "-i", str(out), "-c", "copy", "-bsf", "trace_headers", "-f", "null", "-"]
    told = subprocess.run(command, capture_output=True, text=True, check=True).stderr
    # ITU-T H.264, E.2.1: the times between pictures are all the same.
    assert re.findall(r"fixed_frame_rate_flag\s+(\d) ", told) == ["1"]


@pytest.mark.parametrize("codec", ["h264", "h265", "av1"])
def test_only_the_first_picture_stands_alone(takes_of: Callable, tmp_path: Path, codec: str) -> None:
    folder, out = takes_of(6), tmp_path / "c.mp4"
    clip = Clip.model_validate({"name": "c", "codec": codec, "hold_end_s": 0, "preset": "ultrafast"})
    delivery.write(plan_of(folder, clip, (320, 240)), folder, out, Tags("t"), lambda _: None)
    with av.open(str(out)) as movie:
        assert [packet.is_keyframe for packet in movie.demux(video=0) if packet.size] == [True] + [False] * 5


def test_each_frame_is_shown_as_often_as_the_edit_list_says(tmp_path: Path) -> None:
    folder = tmp_path / "f"
    folder.mkdir()
    for number, grey in enumerate((40, 120, 200), 1):
        picture = np.full((64, 64, 3), grey, np.uint8)
        (folder / f"{number}.jpg").write_bytes(simplejpeg.encode_jpeg(picture, quality=100))
    clip = Clip(name="c", rate=Fraction(10), length_s=1.0, hold_start_s=0.1, hold_end_s=0.2, quality=1)
    delivery.write(plan_of(folder, clip, (64, 64)), folder, tmp_path / "c.mp4", Tags("t"), lambda _: None)
    greys = [round(float(read_back(tmp_path / "c.mp4", number).mean())) for number in range(10)]
    assert greys == pytest.approx([40] * 3 + [120] * 3 + [200] * 4, abs=2)


def test_a_frame_broken_inside_is_replaced_by_its_neighbour_and_told(takes_of: Callable, tmp_path: Path) -> None:
    folder, out = takes_of(4, (320, 240)), tmp_path / "c.mp4"
    for number in (1, 3):
        data = bytearray((folder / f"{number}.jpg").read_bytes())
        at = data.index(b"\xff\xc4") + 4  # the first Huffman table (T.81, B.2.4.2): every code of length 1
        data[at + 1 : at + 17] = b"\xff" * 16
        (folder / f"{number}.jpg").write_bytes(bytes(data))
    broken = delivery.write(
        plan_of(folder, Clip(name="c", hold_end_s=0), (320, 240)), folder, out, Tags("t"), lambda _: None
    )
    assert [bad.frame for bad in broken] == ["1.jpg", "3.jpg"]
    with av.open(str(out)) as movie:
        assert movie.streams.video[0].frames == 4


def test_nothing_decodable_is_said_and_nothing_is_left(takes_of: Callable, tmp_path: Path) -> None:
    folder, out = takes_of(2), tmp_path / "c.mp4"
    plan = plan_of(folder, Clip(name="c"), (320, 240))
    for number in (1, 2):
        (folder / f"{number}.jpg").write_bytes(b"nothing")
    with pytest.raises(UserError, match="none of the 2 frames"):
        delivery.write(plan, folder, out, Tags("t"), lambda _: None)
    assert [path.name for path in tmp_path.iterdir()] == [folder.name]


def test_an_interrupted_delivery_leaves_no_debris(takes_of: Callable, tmp_path: Path) -> None:
    folder, out = takes_of(30), tmp_path / "c.mp4"

    def stop(done: int) -> None:
        if done == 5:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        delivery.write(plan_of(folder, Clip(name="c"), (320, 240)), folder, out, Tags("t"), stop)
    assert [path.name for path in tmp_path.iterdir()] == [folder.name]


PEAK = """
import resource, sys
from pathlib import Path
from fractions import Fraction
from lapsed.clip import delivery
from lapsed.clip.editlist import EditList, Piece
from lapsed.clip.labels import Tags
from lapsed.clip.orient import Rect
folder, count = Path(sys.argv[1]), int(sys.argv[2])
pieces = tuple(Piece(f"{1 + n % 3}.jpg", 1, Rect(0, 0, 640, 480)) for n in range(count))
plan = EditList("c", "h264", (320, 240), Fraction(25), (640, 480), 1, 18, "ultrafast", pieces)
delivery.write(plan, folder, folder / "c.mp4", Tags("t"), lambda _: None)
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


def test_memory_is_flat(takes_of: Callable) -> None:
    folder = takes_of(3, (640, 480))

    def peak(count: int) -> int:
        done = subprocess.run(
            [sys.executable, "-c", PEAK, str(folder), str(count)], capture_output=True, text=True, check=True
        )
        return int(done.stdout)

    assert peak(240) < 1.1 * peak(60)


def test_a_clip_that_would_make_the_machine_swap_is_refused(
    takes_of: Callable, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, out = takes_of(1), tmp_path / "c.mp4"
    monkeypatch.setattr(delivery, "free_bytes", lambda: 60_000_000)
    with pytest.raises(UserError, match=r"c would take \d+ MB of memory, and 60 MB are free; choose a smaller size_px"):
        delivery.write(plan_of(folder, Clip(name="c"), (320, 240)), folder, out, Tags("t"), lambda _: None)
    assert [path.name for path in tmp_path.iterdir()] == [folder.name]


@pytest.mark.parametrize("preset", get_args(Clip.model_fields["preset"].annotation))
@pytest.mark.parametrize("word", [word for word, codec in CODECS.items() if codec.hunger.look_ahead])
def test_an_encoder_works_with_the_least_that_a_small_computer_leaves_it(
    takes_of: Callable, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, word: str, preset: str
) -> None:
    folder, out = takes_of(2), tmp_path / "c.mp4"
    monkeypatch.setattr(delivery, "free_bytes", lambda: 1)
    monkeypatch.setattr(delivery, "ensure_memory", lambda *_: None)
    clip = Clip.model_validate({"name": "c", "codec": word, "preset": preset, "size_px": (160, 120), "hold_end_s": 0})
    delivery.write(plan_of(folder, clip, (320, 240)), folder, out, Tags("t"), lambda _: None)
    with av.open(str(out)) as movie:
        assert sum(1 for _ in movie.decode(video=0)) == 2
