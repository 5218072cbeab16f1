import errno
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
import simplejpeg
from av.error import err_check

from lapsed.__main__ import main
from lapsed.clip.decoding import BrokenFrameError, Decoder, reduction
from lapsed.clip.planes import views


# T.81's blocks can be made smaller by 2, 4 and 8; what is shown must stay at least as large as the clip.
@pytest.mark.parametrize(
    ("crop", "size", "by"),
    [
        ((5776, 3249), (3840, 2160), 1),
        ((2438, 4336), (1080, 1920), 2),
        ((2160, 3840), (1080, 1920), 2),
        ((2159, 3840), (1080, 1920), 1),
        ((5776, 4336), (640, 480), 8),
        ((5776, 4336), (1280, 960), 4),
        ((5776, 4336), (16, 16), 8),
    ],
)
def test_how_much_smaller_frames_may_be_decoded(crop: tuple[int, int], size: tuple[int, int], by: int) -> None:
    assert reduction(crop, size) == by


@pytest.mark.parametrize("size", [(640, 480), (642, 485)])
def test_a_smaller_picture_is_the_whole_one_averaged(
    tmp_path: Path, scene: Callable, save: Callable, size: tuple[int, int]
) -> None:
    path = save(tmp_path / "1.jpg", scene(*size))
    whole = cv2.imread(str(path))
    assert whole is not None
    for by in (2, 4, 8):
        decoded = Decoder(size, by, path).decode(path)
        assert decoded.by == by
        seen = decoded.frame.to_ndarray(format="bgr24")
        wide, high = size[0] // by, size[1] // by
        expected = cv2.resize(whole[: high * by, : wide * by], (wide, high), interpolation=cv2.INTER_AREA)
        assert np.abs(seen[:high, :wide].astype(int) - expected).mean() < 1.5


def test_what_can_t_be_decoded_smaller_is_decoded_whole(tmp_path: Path) -> None:
    path = tmp_path / "1.jpg"
    path.write_bytes(simplejpeg.encode_jpeg(np.full((480, 640, 4), 99, np.uint8), colorspace="CMYK"))
    assert Decoder((640, 480), 2, path).decode(path).by == 1
    grey = np.full((480, 640, 1), 99, np.uint8)
    path.write_bytes(simplejpeg.encode_jpeg(grey, colorspace="GRAY", colorsubsampling="Gray"))
    decoded = Decoder((640, 480), 2, path).decode(path)
    assert np.abs(decoded.frame.to_ndarray(format="gray").astype(int) - 99).max() <= 1


@pytest.mark.parametrize("by", [1, 2])
def test_damage_inside_is_found_either_way(tmp_path: Path, scene: Callable, save: Callable, by: int) -> None:
    path = save(tmp_path / "1.jpg", scene(640, 480))
    data = bytearray(path.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 40] = b"\xff\x00" * 20
    path.write_bytes(bytes(data[: middle + 400]))
    with pytest.raises(BrokenFrameError, match="can't be decoded"):
        Decoder((640, 480), by, path).decode(path)


# PNGs are judged by the decoder of deliveries, JPEGs by another.
@pytest.mark.parametrize(
    ("name", "said"),
    [("1.png", "the memory is used up; close other programs"), ("1.jpg", "wide.mp4: Cannot allocate memory")],
)
def test_too_little_memory_is_no_fault_of_the_frame(
    tmp_path: Path, name: str, said: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture
) -> None:
    cv2.imwrite(str(tmp_path / name), np.full((48, 64, 3), 90, np.uint8))
    monkeypatch.setattr(Decoder, "_whole", lambda *_: err_check(-errno.ENOMEM))
    with pytest.raises(MemoryError):
        Decoder((64, 48), 1, tmp_path / name).decode(tmp_path / name)
    assert main(["stitch", str(tmp_path), "--quiet", "--clip", "wide"]) in {1, 2}
    assert said in capsys.readouterr().err


def test_a_frame_that_is_gone_is_broken(tmp_path: Path) -> None:
    with pytest.raises(BrokenFrameError, match="No such file"):
        Decoder((640, 480), 1, tmp_path / "1.jpg").decode(tmp_path / "1.jpg")


@pytest.mark.parametrize("sampling", [cv2.IMWRITE_JPEG_SAMPLING_FACTOR_420, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444])
@pytest.mark.parametrize("also", [(), (cv2.IMWRITE_JPEG_PROGRESSIVE, 1), (cv2.IMWRITE_JPEG_RST_INTERVAL, 7)])
def test_the_first_rows_are_those_of_the_whole(
    tmp_path: Path, scene: Callable, sampling: int, also: tuple[int, ...]
) -> None:
    path = tmp_path / "1.jpg"
    cv2.imwrite(str(path), scene(320, 240), [cv2.IMWRITE_JPEG_SAMPLING_FACTOR, sampling, *also])
    whole = views(Decoder((320, 240), 1, path).decode(path).frame)
    decoder = Decoder((320, 240), 1, path, 96)
    for _ in range(2):  # what is left of a file must not get in the way of the next
        upper = views(decoder.decode(path).frame)
        assert upper[0].shape == (96, 320)
        for part, plane in zip(upper, whole, strict=True):
            assert np.array_equal(part, plane[: len(part)])
    # A file of another size is not what its rows were counted for.
    assert Decoder((320, 241), 1, path, 96).decode(path).frame.height == 240
