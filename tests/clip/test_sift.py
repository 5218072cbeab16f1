from dataclasses import replace
from pathlib import Path

from lapsed.clip.probe import Flaw, Picture
from lapsed.clip.sift import sift

PLAIN = Picture(Path("a.jpg"), "jpeg", 640, 480, 1, 1000, 3, 8, progressive=False, profile=None)


WIDE = (
    "2 frames with the colour profile 'Wide', converted to sRGB in deliveries, while players show a master as if it "
    "were sRGB; set the camera to sRGB"
)


def test_what_is_out_of_the_ordinary_is_remarked() -> None:
    looks = [
        PLAIN,
        replace(PLAIN, orientation=8),
        replace(PLAIN, components=4),
        replace(PLAIN, progressive=True),
        replace(PLAIN, profile="Wide"),
        replace(PLAIN, profile="Wide"),
    ]
    sifted = sift(looks)
    assert sifted.kept == tuple(looks)
    assert (sifted.orientation, sifted.stored) == (1, (640, 480))
    assert [remark.split(":")[0] for remark in sifted.remarks] == [
        "1 frame claimed another orientation than most; all are shown the way most are",
        "1 frame in CMYK",
        "1 frame progressive",
        WIDE,
    ]


def test_nothing_usable_keeps_nothing() -> None:
    sifted = sift([Flaw(Path("x"), "is empty")])
    assert (sifted.kept, sifted.orientation, sifted.remarks) == ((), 1, ())
    assert [left.reason for left in sifted.left_out] == ["is empty"]


def test_among_equals_the_first_seen_wins() -> None:
    small = replace(PLAIN, path=Path("b.jpg"), width=320)
    assert sift([PLAIN, small]).kept == (PLAIN,)
    assert sift([small, PLAIN]).kept == (small,)
