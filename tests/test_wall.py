"""The wall clock, set while a take is open, and what becomes of names, order and intervals."""

import time
from datetime import UTC, datetime, timedelta

import pytest

from lapsed import clock
from lapsed.model import Cue, Outcome, PrintInfo, Why
from lapsed.take.journal import Journal
from lapsed.take.reader import list_takes, read_take
from lapsed.take.records import CueNoted, Kept
from lapsed.take.recovery import find_open, recover
from lapsed.wall import Wall

NOON = datetime(2026, 5, 4, 12, 0, tzinfo=UTC)


class Clocks:
    """Both clocks of the machine, the wall one to be set."""

    def __init__(self) -> None:
        self.wall, self.mono_s = NOON, 1000.0

    def pass_by(self, seconds: float) -> None:
        self.wall += timedelta(seconds=seconds)
        self.mono_s += seconds


@pytest.fixture
def clocks(monkeypatch):
    made = Clocks()
    monkeypatch.setattr(clock, "utc_now", lambda: made.wall)
    monkeypatch.setattr(clock, "monotonic", lambda: made.mono_s)
    return made


@pytest.mark.parametrize(
    ("seconds", "told"),
    [
        (3 * 3600, "the computer's clock was set forward by 10800 s; times of day before this are off by as much"),
        (-3 * 3600, "the computer's clock was set back by 10800 s; times of day before this are off by as much"),
    ],
)
def test_a_clock_that_is_set_is_told_once_with_the_true_beginning(clocks, seconds, told):
    wall = Wall(clock.monotonic())
    clocks.pass_by(600)
    assert wall.look() == ()
    clocks.wall += timedelta(seconds=seconds)
    noted, kept = wall.look()
    assert (noted.note.kind, noted.note.text) == ("clock", told)
    began = NOON + timedelta(seconds=seconds)
    assert kept.values == {"created_utc": clock.utc_text(began)}
    assert wall.look() == ()


def test_slewing_is_no_setting(clocks):
    wall = Wall(clock.monotonic())
    for _ in range(10):
        clocks.pass_by(3600)
        clocks.wall += timedelta(seconds=1.8)  # 500 parts in a million of an hour (adjtimex(2))
        assert wall.look() == ()


def begun(store, name="post.gcode"):
    return Journal.create(store, PrintInfo(name), {"cameras": ["main"], "printer": "ottermole"}, clock.stamp())


def closed(journal, *records):
    if records:
        journal.submit(*records).result(10)
    journal.close(Outcome.FINISHED, "", clock.stamp()).result(10)
    return journal.folder


def test_a_take_of_a_machine_without_a_clock_is_named_by_the_time_it_learned_later(tmp_path, clocks, monkeypatch):
    monkeypatch.setenv("TZ", "UTC")
    clocks.wall = datetime(1970, 1, 1, 0, 0, 12, tzinfo=UTC)
    journal, wall = begun(tmp_path), Wall(clock.monotonic())
    assert journal.folder.name.startswith("1970-01-01_")
    clocks.pass_by(60)
    clocks.wall = NOON
    folder = closed(journal, *wall.look())
    began = (NOON - timedelta(seconds=60)).astimezone()
    assert folder.name == f"{began:%Y-%m-%d_%H%M%S}_post"
    take = read_take(folder)
    assert (take.started_utc, take.outcome) == (clock.utc_text(began), Outcome.FINISHED)
    assert [path.name for path in tmp_path.iterdir()] == [folder.name]


def test_a_mended_name_never_takes_another_takes_place(tmp_path, clocks):
    right = closed(begun(tmp_path))
    clocks.wall -= timedelta(days=365)
    journal, wall = begun(tmp_path), Wall(clock.monotonic())
    clocks.wall += timedelta(days=365)
    assert closed(journal, *wall.look()).name == f"{right.name}-2"


def test_a_disk_that_refuses_the_new_name_leaves_the_old_one(tmp_path, clocks, monkeypatch, caplog):
    journal, wall = begun(tmp_path), Wall(clock.monotonic())
    clocks.wall += timedelta(days=1)

    def refuse(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pathlib.Path.rename", refuse)
    assert read_take(closed(journal, *wall.look())).outcome is Outcome.FINISHED
    assert "keeps the name of a wrong time" in caplog.text


def test_takes_are_listed_by_when_they_began_and_not_by_their_names(tmp_path, clocks, monkeypatch):
    # The last Sunday of October: local time runs from 02:00 to 03:00 twice (EU Directive 2000/84/EC).
    monkeypatch.setenv("TZ", "Europe/Berlin")
    time.tzset()
    clocks.wall = datetime(2026, 10, 25, 0, 50, tzinfo=UTC)
    first = closed(begun(tmp_path))
    clocks.pass_by(1200)
    second = closed(begun(tmp_path))
    monkeypatch.undo()
    time.tzset()
    assert (first.name, second.name) == ("2026-10-25_025000_post", "2026-10-25_021000_post")
    assert [take.name for take in list_takes(tmp_path)] == [second.name, first.name]


def test_the_take_to_go_on_with_is_the_one_begun_last_though_the_clock_was_set_back_between(tmp_path, clocks):
    older = begun(tmp_path)
    older.leave().result(10)
    clocks.pass_by(100)
    clocks.wall -= timedelta(hours=5)
    newer = begun(tmp_path)
    newer.leave().result(10)
    assert newer.folder.name < older.folder.name
    assert find_open(tmp_path) == [older.folder, newer.folder]


def test_a_clock_set_while_no_daemon_ran_mends_the_beginning_too(tmp_path, clocks):
    journal = begun(tmp_path)
    journal.leave().result(10)
    clocks.pass_by(30)
    clocks.wall += timedelta(hours=2)
    found = recover(journal.folder, clock.stamp())
    assert (found.since_s, found.meta["created_utc"]) == (1000.0, clock.utc_text(NOON + timedelta(hours=2)))


@pytest.mark.parametrize("wrong", [timedelta(days=20_000), timedelta(days=-20_000)])
def test_a_clock_that_is_far_wrong_after_a_new_start_of_the_machine_leaves_intervals_sensible(tmp_path, clocks, wrong):
    journal = begun(tmp_path)
    clocks.pass_by(500)
    journal.submit(CueNoted(Cue(1, Why.LAYER, clock.monotonic(), 1, 0.2), clock.stamp())).result(10)
    journal.submit(Kept({"boot": "another"})).result(10)
    journal.leave().result(10)
    clocks.wall += wrong
    clocks.mono_s = 40.0
    found = recover(journal.folder, clock.stamp())
    # The machine has been up for 40 s, and 500 s had passed before it went down.
    assert (found.since_s, found.first_cue_s) == (-500.0, 0.0)
