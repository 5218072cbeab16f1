"""What a bus carries, by the figures of the USB standards and arithmetic done by hand."""

import pytest

from lapsed.camera.link_budget import Mode, best_fps, budget, choose, link, loss, rate_mb_s, room_mb_s
from lapsed.model import Verdict

UHD, HD = (3840, 2160), (1920, 1080)


def mode(pixels, size, *rates):
    return Mode(pixels, *size, rates or (30.0,))


def test_rooms_are_those_of_the_standard():
    # USB 2.0, table 5-10: three transactions of 1024 bytes in each microframe; USB 3.2, 8.12.6, likewise.
    assert room_mb_s(480) == 3 * 1024 * 8000 / 1e6
    assert room_mb_s(5000) == 3 * 16 * 1024 * 8000 / 1e6
    assert (room_mb_s(20_000), room_mb_s(1.5), room_mb_s(None)) == (786.432, 1.023, None)


@pytest.mark.parametrize(
    ("pixels", "size", "rate"),
    [("YUYV", HD, 124.4), ("NV12", HD, 93.3), ("YUYV", UHD, 497.7), ("NV12", UHD, 373.2), ("MJPG", UHD, None)],
)
def test_rates_are_width_by_height_by_bytes_by_frames(pixels, size, rate):
    reckoned = rate_mb_s(mode(pixels, size), 30)
    assert (None if reckoned is None else round(reckoned, 1)) == rate


CHOICES = {
    "the largest picture, raw where the bus carries it": (
        [mode("YUYV", HD), mode("MJPG", HD), mode("YUYV", (640, 480))],
        5000,
        "1920x1080 YUYV at 30",
    ),
    "compressed before raw where it does not": (
        [mode("YUYV", HD, 30, 5), mode("MJPG", HD)],
        480,
        "1920x1080 MJPG at 30",
    ),
    "raw slower, if that is fast enough": ([mode("YUYV", HD, 30, 5)], 480, "1920x1080 YUYV at 5"),
    "a larger compressed one before a smaller raw one": (
        [mode("MJPG", UHD), mode("YUYV", HD)],
        5000,
        "3840x2160 MJPG at 30",
    ),
    "the raw one with more colour": ([mode("NV12", HD), mode("YUYV", HD)], 5000, "1920x1080 YUYV at 30"),
    "compressed at a rate with room for good pictures": ([mode("MJPG", UHD, 30, 15, 10)], 480, "3840x2160 MJPG at 10"),
    "formats that can't be read here are passed over": (
        [mode("H264", UHD), mode("MJPG", HD)],
        480,
        "1920x1080 MJPG at 30",
    ),
    "not on USB, everything fits": ([mode("YUYV", UHD, 60)], None, "3840x2160 YUYV at 60"),
    "nothing fits": ([mode("YUYV", UHD)], 480, None),
    "nothing there": ([], 480, None),
}


@pytest.mark.parametrize(("modes", "speed", "expected"), CHOICES.values(), ids=CHOICES.keys())
def test_the_picture_is_chosen_by_rule(modes, speed, expected):
    found = choose(modes, room_mb_s(speed), 5.0 if len(modes) == 1 else 10.0)
    assert (f"{found[0]} at {found[1]:g}" if found else None) == expected


def test_what_the_person_names_is_taken():
    modes = [mode("YUYV", HD, 30, 2), mode("MJPG", UHD), mode("MJPG", HD)]
    assert choose(modes, room_mb_s(480), 5, size=HD) == (modes[2], 30)
    assert choose(modes, room_mb_s(480), 5, pixels="YUYV") == (modes[0], 2)
    assert choose(modes, room_mb_s(480), 5, size=(1, 1)) is None


def test_uncompressed_uhd_is_refused_in_numbers_with_what_would_work():
    check = budget(mode("YUYV", UHD), room_mb_s(5000), 5000)
    assert (check.what, check.verdict) == ("3840x2160 YUYV", Verdict.WARN)
    assert check.found == "at 30 a second it needs 497.7 MB/s of 393.2 MB/s"
    assert check.advice == (
        "it does not fit at any rate that is offered; a compressed format (MJPG) fits; so would USB at 10 Gbit/s, port"
        " and cable"
    )
    # NV12 barely fits: 373.2 of 393.2.
    assert budget(mode("NV12", UHD), room_mb_s(5000), 5000).verdict is Verdict.PASS


def test_over_high_speed_usb_the_slower_rate_and_the_faster_port_are_named():
    check = budget(mode("YUYV", HD, 30, 5), room_mb_s(480), 480)
    assert check.found == "at 30 a second it needs 124.4 MB/s of 24.6 MB/s"
    assert check.advice == (
        "at 5 a second it fits; a compressed format (MJPG) fits; so would USB at 5 Gbit/s, port and cable"
    )
    # 24.576 MB/s by 30 frames: 819 kB each.
    assert (
        budget(mode("MJPG", HD), room_mb_s(480), 480).found
        == "at 30 a second each picture may have 819 kB of 24.6 MB/s"
    )
    assert best_fps(mode("YUYV", HD, 5.9), room_mb_s(480)) == 5.9  # 24.576e6 / (1920 x 1080 x 2) = 5.926


def test_a_slow_link_is_told_with_its_way_out():
    slow, fast = link(480, mode("MJPG", HD), 30), link(5000, mode("MJPG", HD), 30)
    assert slow.found == "1920x1080 MJPG at 30 a second, over USB at 480 Mbit/s with room for 24.6 MB/s"
    assert (slow.verdict, fast.verdict) == (Verdict.WARN, Verdict.PASS)
    assert link(None, mode("MJPG", HD), 30).found.endswith("the device is not on USB")


def test_what_the_stream_loses_is_told_against_the_stills():
    # 1920 x 1080 = 2.07 million of 25 million.
    check = loss(1920, 1080, 25)
    assert check.found == "1920x1080 is 8% of the 25 megapixels your camera can shoot"
    assert check.verdict is Verdict.WARN
    assert loss(5776, 4336, 25).verdict is Verdict.PASS
