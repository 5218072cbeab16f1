"""What the last take teaches a check; figures worked out by hand."""

from datetime import UTC, datetime, timedelta

import pytest

from lapsed.camera import inspection
from lapsed.camera.battery import Loss, Wanted
from lapsed.check import judge
from lapsed.check.facts import Lately
from lapsed.check.lately import lately, of_all
from lapsed.clock import Stamp, utc_text
from lapsed.decide import director
from lapsed.model import CameraTold, Cue, Landed, LinkUp, Outcome, PrintInfo, PrintStarted, Why
from lapsed.onlooker import Onlooker
from lapsed.rules import rules_of
from lapsed.settings import FeedLink, GphotoCamera, Printer
from lapsed.take.digest import digest
from lapsed.take.journal import Journal
from lapsed.take.records import CameraNoted, CueNoted

BEGAN = datetime(2026, 5, 4, 9, 30, tzinfo=UTC)


def at(hours):
    # The machine was started anew after two hours: its monotonic clock begins again.
    return Stamp(1000.0 + 3600 * (hours % 2), utc_text(BEGAN + timedelta(hours=hours)))


@pytest.fixture
def take(tmp_path):
    """Makes a take with 10 frames of 8 MB an hour, through which a camera told these percents at these hours."""

    def make(told, *, printer="ottermole", camera="main", days=0):
        begun = at(24 * days)
        journal = Journal.create(tmp_path, PrintInfo("a.gcode"), {"cameras": [camera], "printer": printer}, begun)
        for hours, percent in told:
            event = CameraTold(camera, ready=True, text="found", charge_percent=percent)
            journal.submit(CameraNoted(event, at(24 * days + hours)))
        for number in range(1, 41):
            stamp = at(24 * days + number / 10)
            journal.submit(CueNoted(Cue(number, Why.LAYER, stamp.mono_s), stamp))
            journal.submit(CameraNoted(Landed(number, camera, stamp.mono_s, ("a.jpg",), 8_000_000), stamp))
        journal.close(Outcome.FINISHED, "", at(24 * days + 4)).result(30)
        return journal.folder

    return make


def test_the_newest_take_of_printer_and_camera_teaches_size_and_loss(take, tmp_path):
    take([(0, 90), (1, 80), (2, 70), (3, 60)])
    # Two percent from 1 h to 3 h, in which 20 frames were shot.
    take([(0, 70), (1.01, 69), (2.01, 68), (3.01, 67)], days=1)
    take([(0, 90)], days=2, printer="other")
    take([(0, 90)], days=3, camera="side")
    (tmp_path / "9999_broken").mkdir()
    (tmp_path / "9999_broken" / "take.db").write_text("no database")
    found = lately(tmp_path, "ottermole", "main")
    assert found == Lately(8_000_000, Loss(pytest.approx(1.0), pytest.approx(0.1), 1))


def test_a_daemon_that_goes_on_with_a_take_goes_on_with_what_it_taught(take):
    link = FeedLink(url="ws://a:1/")
    onlooker = Onlooker(whole := Printer(name="ottermole", link=link, camera=(GphotoCamera(),)))
    onlooker.go_on(digest(take([(0, 70), (1.01, 69), (2.01, 68), (3.01, 67)])), at(4))
    onlooker.camera(CameraTold("main", ready=True, text="found", charge_percent=66), at(4))
    state = director.step(director.start(rules_of(whole)), LinkUp(), 0.0)[0]
    state = director.step(state, PrintStarted(PrintInfo("a.gcode", expected_s=36_000.0)), at(4).mono_s)[0]
    text = onlooker.now(state, "a-take", at(4).mono_s).cameras[0].text
    assert text == "found; lost 1 % an hour: enough for 10 h 0 min still to print"


def test_frames_that_stay_on_a_card_take_no_room(take, tmp_path):
    take([], camera="main")
    whole = {"name": "ottermole", "link": {"url": "ws://a:1/"}, "camera": [{"kind": "gphoto"}]}
    assert of_all(tmp_path, Printer.model_validate(whole)) == {"main": Lately(8_000_000)}
    whole["camera"] = [{"kind": "release", "port": "/dev/ttyUSB0"}]
    assert of_all(tmp_path, Printer.model_validate(whole)) == {"main": Lately()}


def test_without_a_take_or_a_store_nothing_is_known(tmp_path):
    assert lately(tmp_path / "none", "ottermole", "main") == Lately()


@pytest.mark.parametrize(
    ("percent", "lost", "verdict", "found"),
    [
        # (61 - 5) / 0.9 = 62 h for the 14 that are wanted.
        ("61%", Loss(0.9, None, 1), "pass", "61 %, lost 0.9 % an hour: enough for 14 h 0 min still to print"),
        ("61%", Loss(6.0, None, 1), "fail", "61 %, lost 6 % an hour: enough for only 9 h 20 min of"),
        ("61%", None, "pass", "61 %"),
        ("50%", None, "warn", "50 %"),
        ("19%", None, "fail", "19 %"),
        ("low", Loss(0.9, None, 1), "fail", "low"),
    ],
)
def test_a_battery_is_judged_by_what_it_lost_and_else_by_a_plain_floor(percent, lost, verdict, found):
    line = judge.battery(inspection.battery(percent), lost, Wanted(hours=14))
    assert (line.verdict, bool(line.advice)) == (verdict, verdict != "pass")
    assert line.found.startswith(found)
