"""What the facts before a print come to."""

import pytest

from lapsed.camera import inspection
from lapsed.camera.battery import Loss, Wanted
from lapsed.check import judge
from lapsed.check.facts import Holder, HostFacts, Lately, Light, Spread, StoreFacts, TrialFrame, TrialShot, spread
from lapsed.model import Check, PrintInfo, Verdict
from lapsed.settings import Cadence, CameraPart, Clip, FeedLink, Machine, Power, Printer, SceneCamera

PASS, WARN, FAIL = "pass", "warn", "fail"
MOTION = ("x", "y", "z", "e", "feed_mm_min", "absolute", "absolute_extrusion")
LAYERS = Cadence(every_layers=1)
CAMERA = CameraPart(exposure_s=0.25, expose_within_s=4, fetch_within_s=10)


def printer(**cadence):
    link = FeedLink(url="ws://ottermole:1/")
    camera = SceneCamera(kind="scene", url=link.url)
    return Printer(name="ottermole", link=link, camera=(camera,), cadence=Cadence(**(cadence or {"every_layers": 1})))


def told(checks):
    return [(check.what, str(check.verdict)) for check in checks]


def heard(stage="idle", missing=(), **more):
    return HostFacts("ottermole:1", reached=True, missing=missing, stage=stage, **more)


HEARD = [("host", PASS), ("head", PASS), ("layer changes", PASS)]
HOSTS = {
    "away": (HostFacts("ottermole:1", reached=False, trouble="refused"), printer(), [("host", FAIL)]),
    "tells all": (heard(), printer(), HEARD),
    "refuses a call": (heard(trouble="refused bench.tell"), printer(), [("host", FAIL), *HEARD[1:]]),
    "tells nonsense": (
        heard(odd=(("layer", "'soon' at /a"),)),
        printer(),
        [HEARD[0], ("fact layer", WARN), *HEARD[1:]],
    ),
    "tells no state": (
        heard(stage=None, missing=("state",)),
        printer(),
        [HEARD[0], ("state", FAIL), *HEARD[1:]],
    ),
    "tells no place of the head": (heard(missing=MOTION[:2]), printer(), [HEARD[0], ("head", FAIL), HEARD[2]]),
    "need not tell it without a park": (
        heard(missing=MOTION),
        printer(every_layers=1, park=False),
        [HEARD[0], HEARD[2]],
    ),
    "need not tell it with marked files": (heard(missing=MOTION), printer(cue_lines_only=True), [HEARD[0]]),
    "tells the layer only": (heard(missing=("height_mm",)), printer(), HEARD),
    "tells neither while idle": (
        heard(missing=("layer", "height_mm")),
        printer(),
        [*HEARD[:2], ("layer changes", WARN)],
    ),
    "tells neither while printing": (
        heard("printing", ("layer", "height_mm")),
        printer(),
        [*HEARD[:2], ("layer changes", FAIL)],
    ),
    "need not tell them by time": (heard(missing=("layer", "height_mm")), printer(every_s=9), HEARD[:2]),
    "tells nothing more": (heard(missing=("file", "detail")), printer(), [*HEARD, ("further facts", PASS)]),
}


@pytest.mark.parametrize(("facts", "whose", "expected"), HOSTS.values(), ids=HOSTS)
def test_a_host(facts, whose, expected):
    assert expected == told(judge.host(facts, whose))


def machine(**fields):
    return Machine.model_validate(fields)


ROUND = {"shape": "circle", "radius_mm": 100}
PARKS = {
    "near enough": (machine(), LAYERS, PASS),
    "on a round bed": (machine(bed=ROUND, park_point_mm=(0, 100)), LAYERS, PASS),
    "too slow for the hold": (machine(travel_mm_s=20), LAYERS, WARN),
    "not used": (machine(travel_mm_s=20), Cadence(every_layers=1, park=False), PASS),
    "no travel fits above anything": (machine(height_mm=2.5, lift_mm=0.4, clearance_mm=2.0), LAYERS, PASS),
}


@pytest.mark.parametrize(("mechanics", "cadence", "expected"), PARKS.values(), ids=PARKS)
def test_a_park_point(mechanics, cadence, expected):
    assert expected == judge.park_point(mechanics, cadence).verdict


# A machine of 250 mm whose head passes 2 mm above what is printed gets over parts of up to 248 mm.
LOW = {"height_mm": 250.0, "clearance_mm": 2.0, "lift_mm": 0.4}
WALLS = {"keep_out_mm": [(50.0, -1.0, 60.0, 221.0), (70.0, -1.0, 80.0, 221.0)], "park_point_mm": (65.0, 100.0)}
TALL = {
    "there is room above the part": (LOW, 248.0, PASS),
    "the part is too tall": (LOW, 248.1, FAIL),
    "its height is not known": (LOW, None, PASS),
    "walls on both sides of the park point": (WALLS, None, FAIL),
}


@pytest.mark.parametrize(("mechanics", "top_mm", "expected"), TALL.values(), ids=TALL)
def test_a_park_point_above_the_part(mechanics, top_mm, expected):
    check = judge.park_point(machine(**mechanics), LAYERS, top_mm)
    assert expected == check.verdict
    assert bool(check.advice) == (expected == FAIL)


TOWER = PrintInfo("tower.gcode", layers=100, height_mm=20.0, expected_s=3600.0)
PLAIN = PrintInfo("tower.gcode")
# The figures are worked out by hand; one more frame shows the finished part.
FRAMES = {
    "for a clip": (Cadence(length_s=12, rate=25), None, 0.0, 301),
    "for a clip of fewer layers": (Cadence(length_s=12, rate=25), TOWER, 0.0, 101),
    "for a clip, between layers": (Cadence(length_s=12, rate=25, fill="between"), TOWER, 0.0, 301),
    "each third layer": (Cadence(every_layers=3), TOWER, 0.0, 35),
    "each third layer, no last frame": (Cadence(every_layers=3, last_frame=False), TOWER, 0.0, 34),
    "half is printed": (Cadence(every_layers=1), TOWER, 0.5, 51),
    "by height": (Cadence(every_mm=0.5), TOWER, 0.0, 41),
    "by time": (Cadence(every_s=10), TOWER, 0.0, 361),
    "of an unknown print": (Cadence(every_layers=1), None, 0.0, None),
    "of a print without layers": (Cadence(every_layers=1), PLAIN, 0.0, None),
    "of a print without a time": (Cadence(every_s=10), PLAIN, 0.0, None),
    "marked files": (Cadence(cue_lines_only=True), TOWER, 0.0, None),
}


@pytest.mark.parametrize(("cadence", "running", "done", "expected"), FRAMES.values(), ids=FRAMES)
def test_frames_wanted(cadence, running, done, expected):
    assert expected == judge.frames_wanted(cadence, running, done)


LATELY = Lately(10_000_000, Loss(0.9, None, 1))

# Frames of 10 MB: 300 of them are 3 GB.
CARDS = {
    "room for the plan, though little": ((3000.0,), 300, 10_000_000, PASS),
    "one frame short": ((2999.0,), 300, 10_000_000, FAIL),
    "much, and still too little": ((64_000.0,), 6401, 10_000_000, FAIL),
    "an unknown print": ((2000.0,), None, 10_000_000, WARN),
    "frames of unknown size": ((64_000.0,), 300, None, PASS),
}


@pytest.mark.parametrize(("free_mb", "wanted", "each", "expected"), CARDS.values(), ids=CARDS)
def test_a_card(free_mb, wanted, each, expected):
    assert expected == judge.card(inspection.card(free_mb), wanted, each).verdict


def test_what_a_daemon_has_judged_is_judged_anew_for_another_print():
    first = judge.supplies([inspection.card((3000.0,)), inspection.battery("61%")], LATELY, Wanted(10.0, 300))
    again = judge.supplies(first, LATELY, Wanted(14.0, 301))
    assert [(check.verdict, check.found) for check in again] == [
        (FAIL, "3.0 GB free, room for 300 shots of 10.0 MB; the rule wants 301"),
        (PASS, "61 %, lost 0.9 % an hour: enough for 14 h 0 min still to print"),
    ]


def test_a_line_of_something_else_than_a_card_stays():
    line = Check("battery", Verdict.WARN, "50 %", "feed it from the mains")
    assert judge.card(line, 300, 10_000_000) == line


DISKS = {
    "no room at all": (judge.disk(StoreFacts("/t", 400, None), 500, 10, 10), FAIL),
    "room, for frames of unknown size": (judge.disk(StoreFacts("/t", 900, None), 500, 10, None), PASS),
    "room for the clip": (judge.disk(StoreFacts("/t", 4500, None), 500, 300, 10_000_000), PASS),
    "too little for the clip": (judge.disk(StoreFacts("/t", 3400, None), 500, 300, 10_000_000), FAIL),
    "much, for an unknown print": (judge.disk(StoreFacts("/t", 10_500, None), 500, None, 10_000_000), PASS),
    "little, for an unknown print": (judge.disk(StoreFacts("/t", 10_490, None), 500, None, 10_000_000), WARN),
    "a folder that can be written": (judge.folder(StoreFacts("/t", 1, None)), PASS),
    "a folder that can't": (judge.folder(StoreFacts("/t", 1, "permission denied")), FAIL),
}


@pytest.mark.parametrize(("check", "expected"), DISKS.values(), ids=DISKS)
def test_a_disk(check, expected):
    assert expected == check.verdict


@pytest.mark.parametrize(("trouble", "told"), [(None, ["folder", "disk space"]), ("read-only", ["folder"])])
def test_of_a_folder_that_cannot_be_written_no_room_is_told(trouble, told):
    assert told == [check.what for check in judge.store(StoreFacts("/t", 900, trouble), 500, 10, None)]


def test_a_camera_that_is_away_names_who_has_it():
    assert "cable" in judge.away("not found", "gphoto", ()).advice
    assert "browser" in judge.away("it answered 404", "url", ()).advice
    assert judge.away("no camera is found: switch it on", "gphoto", ()).advice.startswith("do as it says")
    held = judge.away("busy", "gphoto", (Holder(7, "viewer", "/dev/bus/usb/001/002"),))
    assert held.advice.startswith("viewer (process 7) has it open")


def shot(exposed_s=0.3, landed_s=1.0, **more):
    return TrialShot(exposed_s, landed_s, **more)


CYCLES = {
    "quick": ([shot(), shot(0.4)], LAYERS, [("shutter closed", PASS), ("file safe", PASS)]),
    "slow for the hold": (
        [shot(1.6)],
        Cadence(every_layers=1, hold_limit_s=2),
        [("shutter closed", WARN), ("file safe", PASS)],
    ),
    "slow for its deadline": ([shot(3.5)], LAYERS, [("shutter closed", WARN), ("file safe", PASS)]),
    "slow to fetch": ([shot(0.3, 9.0)], LAYERS, [("shutter closed", PASS), ("file safe", WARN)]),
    "on the card": (
        [shot(0.3, None, on_card=True)],
        LAYERS,
        [("shutter closed", PASS), ("file safe", PASS)],
    ),
    "exposed and missed": (
        [shot(0.3, None, missed="no file")],
        LAYERS,
        [("test shots", FAIL), ("shutter closed", PASS)],
    ),
    "missed": ([shot(None, None, missed="no light")], LAYERS, [("test shots", FAIL)]),
}


@pytest.mark.parametrize(("shots", "cadence", "expected"), CYCLES.values(), ids=CYCLES)
def test_a_cycle(shots, cadence, expected):
    assert expected == told(judge.cycle(shots, CAMERA, cadence))


def test_a_switch_of_the_camera_s_power():
    relay = Power(argv=("relay", "cycle"))
    assert judge.power(relay, "/usr/bin/relay").verdict is Verdict.PASS
    missing = judge.power(relay, None)
    assert (missing.verdict, missing.found) == (Verdict.FAIL, "there is no program 'relay' that may be run")


def test_median_and_worst():
    assert spread([]) is None
    assert spread([0.5, 0.1, 0.2]) == Spread(0.2, 0.5)


EVEN = Light(0.0, 0.0, 110, (1 / 16,) * 16)
WIDE = Clip(name="wide", size_px=(3840, 2160))


def trial(width=5776, height=4336, shutter_s=0.25, light=EVEN):
    return TrialFrame("/t/a.jpg", 8_000_000, width, height, shutter_s, light)


SEEN = {
    "large enough": (trial(), [("test frame", PASS), ("lamp flicker", PASS), ("exposure", PASS)]),
    "too small": (
        trial(1920, 1080),
        [("test frame", PASS), ("clip wide", WARN), ("lamp flicker", PASS), ("exposure", PASS)],
    ),
    "exposed longer than set": (
        trial(shutter_s=0.5),
        [("test frame", PASS), ("exposure_s", FAIL), ("lamp flicker", PASS), ("exposure", PASS)],
    ),
    "exposed shorter than set": (
        trial(shutter_s=0.1),
        [("test frame", PASS), ("exposure_s", WARN), ("lamp flicker", PASS), ("exposure", PASS)],
    ),
    "without Exif or light": (trial(shutter_s=None, light=None), [("test frame", PASS), ("lamp flicker", PASS)]),
}


@pytest.mark.parametrize(("frame", "expected"), SEEN.values(), ids=SEEN)
def test_a_test_frame(frame, expected):
    assert expected == told(judge.frame(frame, CAMERA, (Clip(name="master", codec="master"), WIDE)))


LIGHTS = {
    "good": (EVEN, PASS),
    "burnt out": (Light(0.0, 0.1, 200, ()), WARN),
    "dark": (Light(0.01, 0.0, 12, ()), WARN),
    "drowned": (Light(0.3, 0.0, 60, ()), WARN),
    "both": (Light(0.1, 0.1, 100, ()), WARN),
}


@pytest.mark.parametrize(("light", "expected"), LIGHTS.values(), ids=LIGHTS)
def test_light(light, expected):
    check = judge.light(light)
    assert expected == check.verdict
    assert bool(check.advice) == (expected == WARN)


def test_the_worst_verdict_counts():
    checks = [Check("a", verdict, "") for verdict in (Verdict.PASS, Verdict.FAIL, Verdict.WARN)]
    assert judge.worst(checks) is Verdict.FAIL
    assert judge.worst([]) is Verdict.PASS
