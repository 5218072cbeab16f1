"""What is told of a printer, from the events and decisions that a runner passes on."""

from dataclasses import replace

import pytest

from lapsed import settings
from lapsed.clock import Stamp
from lapsed.decide import director
from lapsed.decide import state as s
from lapsed.model import CameraTold, Landed, LayerSeen, LinkDown, LinkUp, Missed, PrintInfo, PrintStarted, ProgressSeen
from lapsed.onlooker import Onlooker, expected

UTC = "2026-05-04T09:30:00.000000Z"


def printer(**cadence):
    camera = [{"kind": "gphoto", "name": "main"}, {"kind": "gphoto", "name": "side"}]
    link = {"url": "ws://127.0.0.1:1/"}
    return settings.Printer.model_validate(
        {
            "name": "pier",
            "link": link,
            "camera": camera,
            "cadence": {"last_frame": False, **(cadence or {"every_layers": 1}), "park": False},
        }
    )


class Scene:
    """A director and its onlooker, told the same."""

    def __init__(self, **cadence):
        self.printer = printer(**cadence)
        rules = s.Rules(self.printer.cadence, ("main", "side"), frozenset({"main"}))
        self.state = director.start(rules)
        self.onlooker = Onlooker(self.printer)

    def tell(self, *events, at=100.0):
        for event in events:
            stamp = Stamp(at, UTC)
            self.state, actions = director.step(self.state, event, at)
            self.onlooker.heard(event, stamp)
            for action in actions:
                self.onlooker.asked(action, stamp)
            if isinstance(event, Landed | Missed | CameraTold):
                self.onlooker.camera(event, stamp)

    def now(self, at=100.0):
        return self.onlooker.now(self.state, "a-take", at)


def test_a_printer_that_was_never_heard_has_no_print_and_no_take():
    now = Scene().now()
    assert (now.link, now.link_text, now.print, now.take, now.shot) == (False, "not heard yet", None, None, None)
    assert [(camera.name, camera.main, camera.ready) for camera in now.cameras] == [
        ("main", True, False),
        ("side", False, False),
    ]


def test_counts_what_became_of_the_shots_and_names_the_last_frame():
    scene = Scene()
    info = PrintInfo("beacon.gcode", layers=10)
    scene.tell(LinkUp(), PrintStarted(info), LayerSeen(1, 0.2))
    assert scene.now().shot.phase == "exposing"
    scene.tell(Landed(1, "main", 100.0, ("frames/main/000001.jpg",), 1234))
    scene.tell(Missed(1, "side", 100.0, "no light"))
    now = scene.now(at=130.0)
    assert (now.take.shots, now.take.landed, now.take.missed, now.take.to_come) == (1, 1, 0, 9)
    assert now.take.last_frame.file == "frames/main/000001.jpg"
    assert [(camera.landed, camera.missed) for camera in now.cameras] == [(1, 0), (0, 1)]
    assert now.trouble.text == "shot 1 of camera side missed: no light"
    assert now.take.clip.projected_s == 10 / 25
    assert now.print.running_s == 30.0


def test_a_new_take_starts_from_nothing():
    scene = Scene()
    scene.tell(LinkUp(), PrintStarted(PrintInfo("beacon.gcode")), LayerSeen(1, 0.2))
    scene.tell(Missed(1, "main", 100.0, "no light"), Missed(1, "side", 100.0, "no light"))
    scene.tell(s.EndTake(), PrintStarted(PrintInfo("lantern.gcode")))
    now = scene.now()
    assert (now.print.name, now.take.missed, now.trouble) == ("lantern.gcode", 0, None)


@pytest.mark.parametrize(
    ("event", "text"),
    [
        (LinkDown("connection refused"), "the host can't be heard: connection refused"),
        (s.TakeFailed("the disk is full"), "the disk is full"),
        (CameraTold("main", ready=False, text="it does not answer"), "camera main: it does not answer"),
    ],
)
def test_tells_what_went_wrong_last(event, text):
    scene = Scene()
    scene.tell(LinkUp(), event)
    assert scene.now().trouble.text == text


@pytest.mark.parametrize(
    ("cadence", "told", "to_come"),
    [
        ({"every_layers": 1}, [], None),
        ({"every_layers": 3}, [PrintInfo("a", layers=12)], 4),
        ({"every_layers": 3, "last_frame": True}, [PrintInfo("a", layers=12)], 5),
        ({"length_s": 2.0}, [], None),
        ({"length_s": 2.0}, [PrintInfo("a", expected_s=300.0)], 50),
        ({"length_s": 2.0}, [PrintInfo("a", layers=30)], 30),
        ({"every_mm": 0.5}, [PrintInfo("a", height_mm=10.0)], 20),
        ({"every_mm": 0.5}, [], None),
        ({"every_s": 30.0}, [], None),
        ({"every_s": 30.0}, [PrintInfo("a", expected_s=300.0)], 10),
    ],
)
def test_shots_still_to_come(cadence, told, to_come):
    scene = Scene(**cadence)
    info = told[0] if told else PrintInfo("a")
    scene.tell(LinkUp(), PrintStarted(info))
    scene.state = replace(scene.state, take=replace(scene.state.take, cues=0))
    assert expected(scene.printer.cadence, scene.state, 100.0) == to_come


def test_none_is_to_come_while_shots_are_skipped_or_nothing_is_filmed():
    scene = Scene()
    assert expected(scene.printer.cadence, scene.state, 100.0) is None
    scene.tell(LinkUp(), PrintStarted(PrintInfo("a", layers=9)), s.Skip(on=True))
    assert expected(scene.printer.cadence, scene.state, 100.0) == 0


def test_time_left_by_the_hosts_estimate_or_the_pace():
    scene = Scene()
    scene.tell(LinkUp(), PrintStarted(PrintInfo("a")))
    assert scene.now(at=200.0).print.left_s is None
    scene.tell(ProgressSeen(0.25), at=200.0)
    assert scene.now(at=200.0).print.left_s == 300.0  # a quarter took 100 s
    scene.tell(s.EndTake(), PrintStarted(PrintInfo("b", expected_s=500.0)), at=200.0)
    assert scene.now(at=300.0).print.left_s == 400.0


def test_beside_a_camera_stands_how_long_its_battery_lasts_and_the_hook_is_told_where_that_is_too_short():
    scene, heard = Scene(), []
    scene.onlooker.notice = lambda _kind, text, _utc: heard.append(text)
    scene.tell(CameraTold("main", ready=True, text="battery 70%", charge_percent=70), at=0.0)
    scene.tell(LinkUp(), PrintStarted(PrintInfo("a", expected_s=20 * 3600.0)), at=0.0)
    for hour, percent in ((1, 69), (2, 68), (3, 67)):
        event = CameraTold("main", ready=True, text=f"battery {percent}%", charge_percent=percent)
        scene.tell(event, at=hour * 3600.0)
    # From the fall at 1 h to that at 3 h it lost 2 %; 62 h are left, and 17 of the print.
    text = scene.now(at=3 * 3600.0).cameras[0].text
    assert text == "battery 67%; lost 1 % an hour: enough for 17 h 0 min still to print"
    assert scene.onlooker.runs_short(scene.state, None, Stamp(3 * 3600.0, UTC)) == ()
    scene.tell(CameraTold("main", ready=True, text="battery 7%", charge_percent=7), at=4 * 3600.0)
    (short,) = scene.onlooker.runs_short(scene.state, None, Stamp(4 * 3600.0, UTC))
    assert heard[-1] == short
    assert scene.onlooker.runs_short(scene.state, None, Stamp(5 * 3600.0, UTC)) == ()
    assert "enough for only 5 min 48 s of the 16 h 0 min still to print" in short  # (7 - 5) % at 62 % in 3 h


def test_the_hook_is_told_once_of_each_trouble():
    scene, heard = Scene(), []
    scene.onlooker.notice = lambda kind, text, _utc: heard.append((kind, text))
    scene.tell(LinkUp(), PrintStarted(PrintInfo("beacon.gcode")))
    for shot in (1, 2, 3):
        scene.tell(
            LayerSeen(shot, shot * 0.2), Missed(shot, "main", 100.0, "no light"), Missed(shot, "side", 100.0, "dark")
        )
    assert heard == [
        ("trouble", "shot 1 of camera main missed: no light"),
        ("trouble", "shot 1 of camera side missed: dark"),
    ]
