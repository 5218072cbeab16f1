"""What a camera's own words come to in the check before a print."""

import pytest

from lapsed.camera import inspection as i
from lapsed.settings import GphotoCamera

PASS, WARN, FAIL = "pass", "warn", "fail"

WORDS = {
    "battery full": (i.battery("100%"), PASS),
    "battery half": (i.battery("50%"), WARN),
    "battery near its end": (i.battery("19 %"), FAIL),
    "battery in words": (i.battery("Low"), FAIL),
    "battery on the mains": (i.battery("AC power"), PASS),
    "battery not told": (i.battery(None), WARN),
    "manual": (i.exposure_mode(("M", "Manual 2")), PASS),
    "one dial is not manual": (i.exposure_mode(("M", "Movie")), FAIL),
    "mode not told": (i.exposure_mode(()), WARN),
    "manual focus": (i.focus("Manual"), PASS),
    "manual focus, short": (i.focus("MF (fixed)"), PASS),
    "autofocus": (i.focus("AF-S"), FAIL),
    "focus not told": (i.focus(None), WARN),
    "automatic white balance": (i.white_balance("Automatic"), WARN),
    "fixed white balance": (i.white_balance("Tungsten"), PASS),
    "white balance not told": (i.white_balance(None), None),
    "raw": (i.file_format("RAW"), FAIL),
    "raw and JPEG": (i.file_format("RAW + Large Fine JPEG"), PASS),
    "JPEG": (i.file_format("JPEG Fine"), PASS),
    "format not told": (i.file_format(None), None),
    "largest size": (i.file_size("6000x4000", ("3000x2000", "6000x4000")), PASS),
    "smaller size": (i.file_size("3000x2000", ("3000x2000", "6000x4000")), WARN),
    "size in words": (i.file_size("Large", ("Small", "Large")), PASS),
    "size without a choice": (i.file_size("640 x 480", ()), PASS),
    "size not told": (i.file_size(None, ()), None),
    "memory, as wanted": (i.target("Internal RAM", keep_on_card=False), PASS),
    "card, as wanted": (i.target("Memory card", keep_on_card=True), PASS),
    "card unwanted": (i.target("Memory card", keep_on_card=False), WARN),
    "card wanted": (i.target("Internal RAM", keep_on_card=True), WARN),
    "target not told": (i.target(None, keep_on_card=True), None),
    "card full": (i.card((50.0,)), FAIL),
    "card nearly full": (i.card((50.0, 2000.0)), WARN),
    "card with room": (i.card((64_000.0,)), PASS),
    "no card told": (i.card(()), None),
    "clock right": (i.clock(-0.4), PASS),
    "clock nearly right": (i.clock(-3.0), PASS),
    "clock hours off": (i.clock(7200.0), WARN),
    "clock not told": (i.clock(None), None),
    "shutter as set": (i.shutter("1/60", 1 / 64), PASS),  # 1/60 is the name of 1/64 s (from memory)
    "shutter longer": (i.shutter("0.5", 0.25), FAIL),
    "shutter shorter": (i.shutter("0.0200s", 0.25), WARN),
    "shutter in words": (i.shutter("bulb", 0.25), WARN),
    "shutter not told": (i.shutter(None, 0.25), None),
}


@pytest.mark.parametrize(("check", "expected"), WORDS.values(), ids=WORDS)
def test_words(check, expected):
    assert expected == (None if check is None else check.verdict)
    assert check is None or check.verdict == PASS or check.advice


TIMES = {
    "1/125": 0.008,
    "1/125 s": 0.008,
    "0.0200s": 0.02,
    "2.5": 2.5,
    "13/10": 1.3,
    "bulb": None,
    "1/0": None,
    "0": None,
}


@pytest.mark.parametrize(("told", "expected"), TIMES.items())
def test_shutter_times(told, expected):
    assert expected == i.seconds(told)


SPANS = {0.42: "0.4 s", 42: "42 s", 185: "3 min 5 s", 9000: "2 h 30 min", 259_200: "3 days"}


@pytest.mark.parametrize(("seconds", "expected"), SPANS.items())
def test_spans(seconds, expected):
    assert expected == i.span(seconds)


def test_a_camera_that_tells_nothing_leaves_to_a_person_what_matters():
    checks = i.checks(i.Told(), GphotoCamera())
    assert [(check.what, check.verdict) for check in checks] == [
        ("battery", WARN),
        ("exposure mode", WARN),
        ("focus", WARN),
    ]


def test_card_space_matters_only_where_pictures_stay_on_it():
    told = i.Told(free_mb=(10.0,))
    assert "card space" not in {check.what for check in i.checks(told, GphotoCamera())}
    assert "card space" in {check.what for check in i.checks(told, GphotoCamera(keep_on_card=True))}
