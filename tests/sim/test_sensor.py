import struct
from datetime import datetime, timedelta, timezone

import cv2
import numpy as np
import pytest
import simplejpeg

from lapsed.sim.sensor import Sensor, exif

TAKEN = datetime(2031, 4, 7, 16, 5, 9, 123_456, timezone(timedelta(hours=-3, minutes=-30)))


def grey(level: int, size: tuple[int, int]) -> list[np.ndarray]:
    wide, high = size
    half = (high // 2, wide // 2)
    return [np.full((high, wide), level, np.uint8), np.full(half, 128, np.uint8), np.full(half, 128, np.uint8)]


def decoded(jpeg: bytes) -> np.ndarray:
    return cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_COLOR)


def test_light_wavers_by_a_few_percent_about_one_and_drifts() -> None:
    light = np.array([Sensor((64, 64), 1).light(shot) for shot in range(400)])
    assert light.mean() == pytest.approx(1, abs=0.01)
    assert 0.01 < light.std() < 0.04
    assert np.abs(light - 1).max() < 0.075
    slow = np.convolve(light, np.ones(15) / 15, "valid")
    assert slow.max() - slow.min() > 0.02


def test_the_picture_is_as_bright_as_its_light() -> None:
    sensor = Sensor((96, 64), 1)
    dark, bright = sorted(range(60), key=sensor.light)[::59]
    seen = [float(decoded(sensor.expose(grey(120, (96, 64)), shot)).mean()) for shot in (dark, bright)]
    # A gamma of 2.2 is close to the sRGB curve (IEC 61966-2-1) at middle greys.
    expected = (sensor.light(bright) / sensor.light(dark)) ** (1 / 2.2)
    assert seen[1] / seen[0] == pytest.approx(expected, abs=0.004)


def test_corners_are_darker_than_the_middle() -> None:
    picture = decoded(Sensor((300, 200), 1).expose(grey(160, (300, 200)), 1)).astype(float)
    assert picture[:20, :20].mean() < 0.9 * picture[90:110, 140:160].mean()


def test_same_seed_and_shot_give_the_same_bytes() -> None:
    first, again, other = (Sensor((96, 64), seed).expose(grey(90, (96, 64)), 7) for seed in (1, 1, 2))
    assert first == again
    assert first != other


@pytest.mark.parametrize("size", [(96, 64), (97, 65)])
def test_pictures_have_the_size_of_the_sensor(size: tuple[int, int]) -> None:
    padded = (-(-size[0] // 4) * 4, -(-size[1] // 4) * 4)
    jpeg = Sensor(size, 1).expose(grey(90, padded), 1)
    height, width, _, subsampling = simplejpeg.decode_jpeg_header(jpeg)
    assert (width, height) == size
    assert subsampling == "420"


def entries(data: bytes, at: int) -> dict[int, tuple[int, int, bytes]]:
    """An image file directory of little-endian TIFF 6.0, section 2: tag, type, count, and the value's bytes."""
    found = {}
    sizes = {2: 1, 3: 2, 4: 4, 5: 8, 7: 1}
    for number in range(struct.unpack_from("<H", data, at)[0]):
        tag, kind, count, offset = struct.unpack_from("<HHII", data, at + 2 + 12 * number)
        size = sizes[kind] * count
        place = offset if size > 4 else at + 2 + 12 * number + 8
        found[tag] = (kind, count, data[place : place + size])
    return found


def test_exif_tells_when_and_how_long() -> None:
    segment = exif(TAKEN, 0.25)
    assert segment[:2] == b"\xff\xe1"
    assert struct.unpack(">H", segment[2:4])[0] == len(segment) - 2
    assert segment[4:10] == b"Exif\0\0"
    tiff = segment[10:]
    assert tiff[:4] == b"II*\0"
    (kind, count, at), *none = entries(tiff, struct.unpack_from("<I", tiff, 4)[0]).values()
    assert (kind, count, none) == (4, 1, [])
    # Tags, types and counts as in CIPA DC-008 (Exif 2.32), section 4.6.5.
    expected = {
        0x829A: (5, 1, struct.pack("<II", 250, 1000)),
        0x8827: (3, 1, struct.pack("<H", 100)),
        0x9000: (7, 4, b"0232"),
        0x9003: (2, 20, b"2031:04:07 16:05:09\0"),
        0x9011: (2, 7, b"-03:30\0"),
        0x9291: (2, 4, b"123\0"),
    }
    assert expected == entries(tiff, struct.unpack("<I", at)[0])


def test_exif_stands_in_the_picture_and_harms_nobody() -> None:
    jpeg = Sensor((96, 64), 1).expose(grey(90, (96, 64)), 1, exif(TAKEN, 0.25))
    assert jpeg[:4] == b"\xff\xd8\xff\xe1"
    assert decoded(jpeg).shape == (64, 96, 3)
