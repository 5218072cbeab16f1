"""The level a stream needs, by the tables of the standards; pure.

A level is a promise to decoders: so many samples a picture and a second, and room for so many pictures that others are
predicted from. Figures: ITU-T H.264, Table A-1; ITU-T H.265, Tables A.8 and A.9 (Main tier).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Final


@dataclass(frozen=True, slots=True)
class Level:
    """`number` is as people write it: 5.1; `most_kbit_s` is what a stream of that level may take."""

    number: str
    most_kbit_s: int


@dataclass(frozen=True, slots=True)
class _Row:
    """Most samples a second, a picture, and in the decoder's picture buffer, in the standard's own units."""

    number: str
    a_second: int
    a_picture: int
    buffered: int
    kbit_s: int


# Macroblocks of 16x16; MaxDpbMbs; kbit/s of the Baseline and Main profiles.
_H264: Final = (
    _Row("1", 1_485, 99, 396, 64),
    _Row("1.1", 3_000, 396, 900, 192),
    _Row("1.2", 6_000, 396, 2_376, 384),
    _Row("1.3", 11_880, 396, 2_376, 768),
    _Row("2", 11_880, 396, 2_376, 2_000),
    _Row("2.1", 19_800, 792, 4_752, 4_000),
    _Row("2.2", 20_250, 1_620, 8_100, 4_000),
    _Row("3", 40_500, 1_620, 8_100, 10_000),
    _Row("3.1", 108_000, 3_600, 18_000, 14_000),
    _Row("3.2", 216_000, 5_120, 20_480, 20_000),
    _Row("4", 245_760, 8_192, 32_768, 20_000),
    _Row("4.1", 245_760, 8_192, 32_768, 50_000),
    _Row("4.2", 522_240, 8_704, 34_816, 50_000),
    _Row("5", 589_824, 22_080, 110_400, 135_000),
    _Row("5.1", 983_040, 36_864, 184_320, 240_000),
    _Row("5.2", 2_073_600, 36_864, 184_320, 240_000),
    _Row("6", 4_177_920, 139_264, 696_320, 240_000),
    _Row("6.1", 8_355_840, 139_264, 696_320, 480_000),
    _Row("6.2", 16_711_680, 139_264, 696_320, 800_000),
)

# Luma samples; every level buffers six pictures of its largest size (A.4.2).
_H265: Final = tuple(
    _Row(number, a_second, a_picture, 6 * a_picture, kbit_s)
    for number, a_second, a_picture, kbit_s in (
        ("1", 552_960, 36_864, 128),
        ("2", 3_686_400, 122_880, 1_500),
        ("2.1", 7_372_800, 245_760, 3_000),
        ("3", 16_588_800, 552_960, 6_000),
        ("3.1", 33_177_600, 983_040, 10_000),
        ("4", 66_846_720, 2_228_224, 12_000),
        ("4.1", 133_693_440, 2_228_224, 20_000),
        ("5", 267_386_880, 8_912_896, 25_000),
        ("5.1", 534_773_760, 8_912_896, 40_000),
        ("5.2", 1_069_547_520, 8_912_896, 60_000),
        ("6", 1_069_547_520, 35_651_584, 60_000),
        ("6.1", 2_139_095_040, 35_651_584, 120_000),
        ("6.2", 4_278_190_080, 35_651_584, 240_000),
    )
)


def h264(size: tuple[int, int], rate: Fraction, kept: int) -> Level | None:
    """The lowest level of H.264 for pictures of `size` at `rate` that keeps `kept` of them to predict from.

    None where no level has room.
    """
    across, down = (-(-side // 16) for side in size)
    row = _first(_H264, (across, down), across * down, rate, kept)
    # A.3.3: the High profile may take 1.25 times the bits of Table A-1.
    return Level(row.number, row.kbit_s * 5 // 4) if row else None


def h265(size: tuple[int, int], rate: Fraction, kept: int) -> Level | None:
    """The lowest level of H.265, Main tier, for pictures of `size` at `rate`.

    The encoder keeps `kept` of them, the current one included. None where no level has room.
    """
    # Coding works on blocks of 8x8, so the picture that is sent is a multiple of 8 on both sides (7.4.3.2.1).
    wide, high = (-(-side // 8) * 8 for side in size)
    for row in _H265:
        if _fits(row, (wide, high), wide * high, rate) and kept <= _dpb_h265(wide * high, row.a_picture):
            return Level(row.number, row.kbit_s)
    return None


def _first(rows: Sequence[_Row], sides: tuple[int, int], area: int, rate: Fraction, kept: int) -> _Row | None:
    return next((row for row in rows if _fits(row, sides, area, rate) and kept * area <= row.buffered), None)


def _fits(row: _Row, sides: tuple[int, int], area: int, rate: Fraction) -> bool:
    # Neither side may be longer than the square root of eight times the largest picture (H.264, A.3.1 f and g;
    # H.265, A.4.1 b and c).
    return (
        area <= row.a_picture
        and area * rate <= row.a_second
        and all(side * side <= 8 * row.a_picture for side in sides)
    )


def _dpb_h265(area: int, most: int) -> int:
    """MaxDpbSize (A.4.2): smaller pictures leave room for more of them."""
    if 4 * area <= most:
        return 16
    if 2 * area <= most:
        return 12
    if 4 * area <= 3 * most:
        return 8
    return 6
