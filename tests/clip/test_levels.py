from fractions import Fraction
from typing import cast

import pytest
from av.codec.context import CodecContext, Flags
from av.video.codeccontext import VideoCodecContext

from lapsed.clip import levels
from lapsed.clip.codec import CODECS, Effort

SIZES = [
    *[(96, 64), (176, 144), (320, 240), (352, 288), (720, 576), (854, 480), (1280, 720), (1080, 1080), (1080, 1920)],
    *[(1920, 1080), (2048, 1080), (2560, 1440), (2160, 3840), (3840, 2160), (4096, 2160), (4096, 2304), (5776, 4336)],
    *[(7680, 4320), (8192, 1024), (320, 2000), (5776, 1000)],
]
RATES = [Fraction(5), Fraction(24000, 1001), Fraction(25), Fraction(30000, 1001), Fraction(30), Fraction(60)]


def headers(word: str, size: tuple[int, int], rate: Fraction, preset: str) -> bytes:
    """The stream's headers as the encoder writes them when it opens, with emulation prevention taken out (7.4.1)."""
    codec = CODECS[word]
    context = cast("VideoCodecContext", CodecContext.create(codec.encoder, "w"))
    context.width, context.height = size
    context.pix_fmt = codec.pixels.name
    context.framerate, context.time_base = rate, 1 / rate
    context.options = dict(codec.options(Effort(18, preset, 5, 1)))
    context.flags |= Flags.global_header
    context.open()
    assert context.extradata is not None
    return bytes(context.extradata).replace(b"\0\0\3", b"\0\0")


def written_h264(data: bytes) -> float:
    at = data.index(b"\0\0\1\x67")  # a sequence parameter set, which the level is the third byte of (7.3.2.1.1)
    return data[at + 6] / 10


def written_h265(data: bytes) -> float:
    at = data.index(b"\0\0\1\x40")  # a video parameter set; general_level_idc closes its profile part (7.3.3)
    return data[at + 3 + 2 + 4 + 11] / 30


@pytest.mark.parametrize("preset", ["ultrafast", "veryfast", "medium", "slow"])
@pytest.mark.parametrize("word", ["h264", "h265"])
def test_the_level_is_the_one_that_the_encoders_write(word: str, preset: str) -> None:
    level_of = CODECS[word].level
    assert level_of is not None
    differ = []
    for size in SIZES:
        for rate in RATES if word == "h264" or preset == "medium" else RATES[2:3]:
            level = level_of(size, rate, preset)
            data = headers(word, size, rate, preset)
            written = written_h264(data) if word == "h264" else written_h265(data)
            if level is None or float(level.number) != written:
                differ.append((size, str(rate), level, written))
    assert differ == []


# Worked by hand from ITU-T H.264, Table A-1 and H.265, Tables A.8 and A.9.
@pytest.mark.parametrize(
    ("size", "rate", "h264", "h265"),
    [
        ((1920, 1080), 25, "4", "4"),  # 8 160 macroblocks, 204 000 a second; 2 088 960 samples with 8 rows of padding
        ((1920, 1080), 60, "4.2", "4.1"),
        ((3840, 2160), 30, "5.1", "5"),  # 32 400 macroblocks, 972 000 a second
        ((3840, 2160), 60, "5.2", "5.1"),
        ((5776, 4336), 30, "6", "6"),  # 97 831 macroblocks; 25 044 736 samples
        ((16384, 9216), 30, None, None),  # over 139 264 macroblocks
        ((16000, 64), 30, "6", "6"),  # wider than sqrt(8 x 36 864) x 16 = 8688
        ((3840, 2160), 400, "6.2", "6.2"),
        ((3840, 2160), 3000, None, None),
    ],
)
def test_levels_are_those_of_the_tables(size: tuple[int, int], rate: int, h264: str | None, h265: str | None) -> None:
    found = levels.h264(size, Fraction(rate), 4), levels.h265(size, Fraction(rate), 5)
    assert tuple(level and level.number for level in found) == (h264, h265)


def test_more_pictures_kept_take_a_higher_level() -> None:
    # MaxDpbMbs of level 4 is 32 768: four pictures of 8 160 macroblocks.
    numbers = [levels.h264((1920, 1080), Fraction(25), kept) for kept in (4, 5, 13, 14)]
    assert [level and level.number for level in numbers] == ["4", "5", "5", "5.1"]
    # MaxDpbSize (H.265, A.4.2) is 6 at the largest size, 8 from three quarters of it down, 12 from a half, 16 from a
    # quarter.
    sides = [(2048, 1088), (1408, 1184), (1152, 960), (1024, 544)]
    found = [[levels.h265(size, Fraction(1), kept) for kept in (6, 8, 12, 16)] for size in sides]
    assert [[level and level.number for level in row] for row in found] == [
        ["4", "5", "5", "5"],
        ["4", "4", "5", "5"],
        ["4", "4", "4", "5"],
        ["3.1", "3.1", "4", "4"],
    ]


def test_bit_rates_are_those_of_the_tables() -> None:
    h264, h265 = levels.h264((3840, 2160), Fraction(30), 4), levels.h265((3840, 2160), Fraction(30), 5)
    assert h264 is not None
    assert h265 is not None
    assert (h264.most_kbit_s, h265.most_kbit_s) == (300_000, 25_000)  # 240 000 x 1.25 for High; Main tier
