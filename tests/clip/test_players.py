from fractions import Fraction

import pytest

from lapsed.clip.levels import Level
from lapsed.clip.players import advice, exceeded

UHD, FULL = (3840, 2160), (5776, 4336)


@pytest.mark.parametrize(
    ("word", "size", "rate"),
    [
        ("h264", UHD, 60),
        ("h265", FULL, 25),
        ("av1", FULL, 25),
        ("prores", (12000, 9000), 25),
        ("dnxhr", FULL, 25),
        ("preview", FULL, 25),
    ],
)
def test_what_players_take_needs_no_word(word: str, size: tuple[int, int], rate: int) -> None:
    assert advice(word, size, Fraction(rate), "medium") is None


# Levels by the tables of ITU-T H.264 and H.265; where players stop is common practice (no source).
@pytest.mark.parametrize(
    ("word", "size", "rate", "said"),
    [
        (
            "h264",
            FULL,
            25,
            (
                "5776x4336, H.264 level 6, which common players can't decode: they stop at 4096 wide and level 5.2; "
                'size_px = [3536, 2654] or codec = "h265" plays on more'
            ),
        ),
        (
            "h264",
            UHD,
            120,
            (
                "3840x2160, H.264 level 6, which common players can't decode: they stop at 4096 wide and level 5.2; "
                'size_px = [2784, 1566] or codec = "h265" plays on more'
            ),
        ),
        (
            "h264",
            (16384, 9216),
            25,
            (
                "16384x9216, H.264 beyond every level, which common players can't decode: they stop at 4096 wide and "
                "level 5.2; size_px = [4096, 2304] plays on more"
            ),
        ),
        (
            "av1",
            (12000, 9000),
            25,
            (
                "12000x9000, AV1, which common players can't decode: they stop at 8192 wide; size_px = [8192, 6144] "
                "plays on more"
            ),
        ),
        (
            "h265",
            (12000, 9000),
            25,
            (
                "12000x9000, H.265 beyond every level, which common players can't decode: they stop at 8192 wide and "
                "level 6.2; size_px = [6880, 5160] plays on more"
            ),
        ),
    ],
)
def test_what_players_can_t_take_is_said_with_what_they_can(
    word: str, size: tuple[int, int], rate: int, said: str
) -> None:
    assert advice(word, size, Fraction(rate), "medium") == said


def test_a_rate_that_no_size_can_mend_is_said() -> None:
    told = advice("h264", (64, 64), Fraction(3_000_000), "medium")
    assert told is not None
    assert "; a lower rate" in told


@pytest.mark.parametrize(
    ("word", "level", "most"),
    [
        ("h265", Level("6", 60_000), 60),  # H.265, Table A.8, Main tier
        ("h265", Level("3", 6_000), 40),  # that of level 5.1
        ("h264", Level("5.1", 300_000), 300),  # H.264, Table A-1, and A.3.3 for the High profile
        ("h264", Level("1.2", 480), 62.5),  # that of level 4.1
    ],
)
def test_a_clip_of_more_bits_than_players_of_its_size_take_is_said(word: str, level: Level, most: float) -> None:
    ten_seconds = Fraction(10)
    assert exceeded(word, level, int(most * 1e7), ten_seconds) is None
    assert exceeded(word, level, int(most * 1e7) + 10**7, ten_seconds) == (
        f"takes {most + 1:.0f} Mbit/s, and players made for its level, {level.number}, need take no more than "
        f"{most:g}: some may stutter; a higher quality figure makes it smaller"
    )
