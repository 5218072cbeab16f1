import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from lapsed.errors import UserError
from lapsed.model import CameraTold, Outcome, PrintInfo, Why
from lapsed.take import schema
from lapsed.take.journal import Journal
from lapsed.take.reader import Frame, list_takes, news, read_take
from lapsed.take.records import CameraNoted
from lapsed.take.recovery import recover
from lapsed.take.space import free_mb


def closed(journal: Journal, making) -> Path:
    journal.close(Outcome.FINISHED, "", making.stamp(1050.0)).result(10)
    return journal.folder


def alter(folder: Path, *statements: str) -> None:
    with closing(sqlite3.connect(folder / "take.db", isolation_level=None)) as db:
        for statement in statements:
            db.execute(statement)


def test_a_camera_that_stays_ready_is_no_news(tmp_path: Path, making) -> None:
    journal = making.new(tmp_path)
    told = ["battery 61%", "battery 60%", "asleep", "battery 59%", "battery 58%"]
    for number, text in enumerate(told):
        for camera in ("main", "side")[: 1 + (number == 0)]:
            event = CameraTold(camera, ready=text != "asleep", text=text)
            journal.submit(CameraNoted(event, making.stamp(1001.0 + number)))
    journal.close(Outcome.FINISHED, "", making.stamp(1010.0)).result(10)
    take = read_take(journal.folder)
    assert [event.text for event in news(take.events)] == ["battery 61%", "battery 61%", "asleep", "battery 59%"]
    assert len(take.events) == 6


def test_frames_come_in_shot_order_with_their_times(tmp_path: Path, making) -> None:
    journal = making.new(tmp_path, "main", "side")
    journal.submit(*making.shot(2), *making.shot(1), *making.cue(3), *making.missed(3), *making.landed(2, "side"))
    take = read_take(closed(journal, making))
    assert take.cameras == ("main", "side")
    first = Frame(
        path=take.folder / "frames/main/000001.jpg",
        shot=1,
        layer=1,
        height_mm=0.25,
        utc="2026-05-04T09:30:01.500000Z",
        mono_s=1001.5,
    )
    assert first == take.frames("main")[0]
    assert [frame.shot for frame in take.frames("main")] == [1, 2]
    # The side camera never told when its shutter closed: the time it landed stands in.
    assert [frame.mono_s for frame in take.frames("side")] == [1002.75]
    assert take.frames("none") == ()


def test_takes_are_listed_newest_first_with_their_counts(tmp_path: Path, making) -> None:
    one = making.new(tmp_path)
    one.submit(*making.shot(1), *making.cue(2), *making.missed(2))
    closed(one, making)
    two = making.new(tmp_path)
    two.submit(*making.cue(1), *making.on_card(1)).result(10)
    listed = list_takes(tmp_path)
    assert [two.folder, one.folder] == [take.folder for take in listed]
    assert [(t.outcome, t.cues, t.landed, t.missed, t.on_card) for t in listed] == [
        (None, 1, 0, 0, 1),
        (Outcome.FINISHED, 2, 1, 1, 0),
    ]
    closed(two, making)


def test_a_store_that_is_not_there_has_no_takes(tmp_path: Path) -> None:
    assert list_takes(tmp_path / "none") == []


def test_a_store_that_is_a_file_is_told_in_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "store").write_text("")
    with pytest.raises(UserError, match=r"cannot list the takes in .*: Not a directory"):
        list_takes(tmp_path / "store")


def test_a_copied_take_is_whole_even_if_it_was_open(tmp_path: Path, making) -> None:
    journal = making.new(tmp_path / "store")
    journal.submit(*making.shot(1)).result(10)
    shutil.copytree(journal.folder, tmp_path / "copy")
    assert [frame.shot for frame in read_take(tmp_path / "copy").frames("main")] == [1]
    closed(journal, making)


@pytest.mark.parametrize("name", ["a?b#c%20", 'it\'s "quoted"', "ünïcode"])
def test_a_take_may_lie_in_any_folder(tmp_path: Path, making, name: str) -> None:
    folder = closed(making.new(tmp_path / name), making)
    assert [folder] == [take.folder for take in list_takes(tmp_path / name)]


@pytest.mark.parametrize("state", ["closed", "open", "cut short while being written"])
def test_a_take_on_a_disk_that_cannot_be_written_is_read(tmp_path: Path, making, small_disk, state: str) -> None:
    journal = making.new(tmp_path)
    journal.submit(*making.shot(1)).result(10)
    kept = small_disk.place / "kept"
    if state == "open":
        shutil.copytree(journal.folder, kept)
    closed(journal, making)
    if state == "closed":
        shutil.copytree(journal.folder, kept)
    if state == "cut short while being written":
        with closing(sqlite3.connect(journal.folder / "take.db", isolation_level=None)) as db:
            # A hot rollback journal: pages reach the file before the commit (SQLite, "Atomic Commit").
            db.execute("PRAGMA cache_size = 1")
            db.execute("BEGIN")
            db.execute("DELETE FROM shot")
            for number in range(200):
                db.execute("INSERT INTO event (kind, text, data) VALUES ('x', ?, '{}')", (f"{number:0500d}",))
            shutil.copytree(journal.folder, kept)
            assert (kept / "take.db-journal").stat().st_size > 0
            db.execute("ROLLBACK")
    small_disk.freeze()
    assert [frame.shot for frame in read_take(kept).frames("main")] == [1]
    assert [take.problem for take in list_takes(small_disk.place)] == [None]


DAMAGE = {
    "empty file": lambda path: path.write_bytes(b""),
    "no database": lambda path: path.write_bytes(b"<html>" * 1000),
    "cut short": lambda path: path.write_bytes(path.read_bytes()[:5000]),
    "another's database": lambda path: (path.unlink(), alter(path.parent, "CREATE TABLE t (x)")),
    "a newer one": lambda path: alter(path.parent, "PRAGMA user_version = 99"),
    "a table missing": lambda path: alter(path.parent, "DROP TABLE shot"),
    "no meta": lambda path: alter(path.parent, "DELETE FROM meta"),
    "meta that is no JSON": lambda path: alter(path.parent, "UPDATE meta SET value = '{'"),
    "a print of another shape": lambda path: alter(path.parent, "UPDATE meta SET value = '7' WHERE key = 'print'"),
    "an unknown outcome": lambda path: alter(path.parent, "UPDATE meta SET value = '\"odd\"' WHERE key = 'outcome'"),
    "text that is no UTF-8": lambda path: alter(path.parent, "UPDATE meta SET value = CAST(x'22ff22' AS TEXT)"),
}


@pytest.mark.parametrize("damage", DAMAGE.values(), ids=DAMAGE.keys())
def test_a_damaged_take_is_told_in_a_sentence_and_listed_with_the_others(tmp_path: Path, making, damage) -> None:
    good, bad = closed(making.new(tmp_path), making), closed(making.new(tmp_path), making)
    damage(bad / "take.db")
    with pytest.raises(UserError, match=f"{bad}.*take") as error:
        read_take(bad)
    assert "\n" not in str(error.value)
    listed = {take.folder: take.problem for take in list_takes(tmp_path)}
    assert {good: None, bad: str(error.value)} == listed


def test_a_folder_without_a_journal_is_no_take(tmp_path: Path) -> None:
    with pytest.raises(UserError, match=r"is not a take: it has no take\.db"):
        read_take(tmp_path)
    (tmp_path / "pictures").mkdir()
    assert list_takes(tmp_path) == []


@pytest.mark.parametrize("name", ["../../secret.jpg", "/etc/passwd", "frames/../../x.jpg"])
def test_a_take_from_elsewhere_points_nowhere_outside_itself(tmp_path: Path, making, name: str) -> None:
    journal = making.new(tmp_path)
    journal.submit(*making.shot(1))
    folder = closed(journal, making)
    alter(folder, f"UPDATE shot SET files = '[\"{name}\"]'")  # noqa: S608 - the test's own table of names
    assert read_take(folder).frames("main") == ()


# ------------------------------------------------------------------------------------------------------- versions


@pytest.fixture
def kept_v1(tmp_path: Path) -> Path:
    """A take as version 1 wrote it, left open in its second shot; never to be made anew."""
    folder = tmp_path / "2026-05-04_093000_bracket"
    shutil.copytree(Path(__file__).parent / "data" / "v1", folder)
    return folder


def assert_tells_what_version_1_told(folder: Path) -> None:
    take = read_take(folder)
    assert PrintInfo("bracket.gcode", "run-7", 201, 50.0, 6900.0) == take.print
    assert (take.meta["settings"], take.cameras) == ({"cadence": {"every_layers": 1}}, ("main", "side"))
    assert [cue.why for cue in take.cues] == [Why.LAYER, Why.HEIGHT, Why.LINE]
    first = take.cues[0]
    assert (first.held_s, first.parked_s, first.returned_s, first.resumed_s) == (1001.1, 1002.0, 1003.0, 1003.1)
    assert [(s.cue, s.camera, s.outcome) for s in take.shots[:2]] == [(1, "main", "landed"), (1, "side", "missed")]
    assert (
        take.shots[0].released_s,
        take.shots[0].exposed_s,
        take.shots[0].ended_s,
        take.shots[0].size_bytes,
    ) == (1002.2, 1002.5, 1004.0, 123456)
    assert take.shots[0].files == ("frames/main/000001.jpg", "frames/main/000001.raw")
    assert (take.events[0].kind, take.events[0].data) == ("link", {"gap_s": None})


def test_a_take_of_version_1_is_read(kept_v1: Path) -> None:
    assert_tells_what_version_1_told(kept_v1)


def test_a_take_of_version_1_is_gone_on_with(kept_v1: Path, making) -> None:
    making.frame(kept_v1, 1)
    making.frame(kept_v1, 1, ending="raw")
    found = recover(kept_v1, making.stamp(1100.0))
    assert (found.cues, found.top_mm, found.marked) == (3, 1.5, True)
    assert found.hold is not None
    assert found.hold.come_back == ("G90", "G1 X10 Y10 F6000")
    closed(Journal.reopen(kept_v1), making)
    assert_tells_what_version_1_told(kept_v1)


@pytest.fixture
def version_3(monkeypatch: pytest.MonkeyPatch) -> None:
    """A next version, as it will come one day."""
    monkeypatch.setattr(schema, "MIGRATIONS", (*schema.MIGRATIONS, "ALTER TABLE shot ADD COLUMN sharpness REAL;"))
    monkeypatch.setattr(schema, "VERSION", 3)


def test_an_older_take_is_read_without_altering_it(kept_v1: Path, version_3) -> None:
    before = (kept_v1 / "take.db").read_bytes()
    assert_tells_what_version_1_told(kept_v1)
    assert before == (kept_v1 / "take.db").read_bytes()


def test_an_older_take_is_brought_up_when_it_is_gone_on_with(kept_v1: Path, version_3, making) -> None:
    closed(Journal.reopen(kept_v1), making)
    with closing(sqlite3.connect(kept_v1 / "take.db")) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (3,)
        assert db.execute("SELECT DISTINCT sharpness FROM shot").fetchall() == [(None,)]
    assert_tells_what_version_1_told(kept_v1)


def test_a_newer_take_is_refused_in_a_sentence(kept_v1: Path) -> None:
    alter(kept_v1, "PRAGMA user_version = 3")
    for call in (read_take, Journal.reopen):
        with pytest.raises(UserError, match=r"was made by a newer lapsed \(take version 3, known here 2\); update"):
            call(kept_v1)


def test_free_space_is_told_before_the_folder_is_there(tmp_path: Path, small_disk) -> None:
    assert free_mb(tmp_path / "not" / "yet") > 0
    # 512 kB, less what the file system needs itself.
    assert 0.4 < free_mb(small_disk.place) <= 0.53
