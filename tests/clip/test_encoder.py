from typing import Any

import av
import pytest

from lapsed.clip.codec import CODECS, Effort
from lapsed.clip.encoder import Row


def packet(pts: int, dts: int) -> Any:
    made = av.Packet(b"picture")
    made.pts, made.dts = pts, dts
    return made


@pytest.mark.parametrize(
    ("handed_out", "muxed"),
    [
        ([[0, 1], [2, 3]], [0, 1, 2, 3]),
        ([[1], [0, 3], [2]], [0, 1, 2, 3]),  # one has overtaken another
        ([[0, 3, 2]], [0, 2, 3]),  # and nothing is lost that waits in vain
    ],
)
def test_packets_that_overtook_others_are_put_in_order(handed_out: list[list[int]], muxed: list[int]) -> None:
    seen: list[int | None] = []
    row = Row(lambda each: seen.append(each.pts), "libsvtav1", 4)
    for some in handed_out:
        row.add([packet(pts, pts) for pts in some])
    row.end()
    assert seen == muxed


def test_packets_that_are_decoded_in_another_order_than_shown_stay_so() -> None:
    seen: list[tuple[int | None, int | None]] = []
    row = Row(lambda each: seen.append((each.pts, each.dts)), "libx264", 4)
    row.add([packet(0, -2), packet(3, -1)])
    assert seen == [(0, -2), (3, -1)]
    row.add([packet(1, 0), packet(2, 1)])
    row.end()
    assert seen == [(0, -2), (3, -1), (1, 0), (2, 1)]


def test_a_track_of_two_frames_is_decoded_as_it_is_shown() -> None:
    seen: list[tuple[int | None, int | None]] = []
    row = Row(lambda each: seen.append((each.pts, each.dts)), "libx265", 2)
    row.add([packet(0, -9), packet(1, -8)])
    row.end()
    assert seen == [(0, 0), (1, 1)]


def test_av1_is_encoded_alike_on_any_number_of_cores() -> None:
    one, many = (CODECS["av1"].options(Effort(18, "medium", 10, threads)) for threads in (1, 8))
    assert one == many
