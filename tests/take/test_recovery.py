import os
import shutil
from contextlib import closing
from pathlib import Path
from sqlite3 import connect
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lapsed.clock import Stamp
from lapsed.errors import TakeEndedError, UserError
from lapsed.model import Outcome, PrintInfo, Why
from lapsed.take.frames import Found, is_whole
from lapsed.take.journal import Journal
from lapsed.take.reader import read_take
from lapsed.take.records import HoldNoted, Kept
from lapsed.take.recovery import GONE, STOPPED, UNTOLD, find_open, finish, reconcile, recover
from lapsed.take.space import lock


def left(journal: Journal) -> Path:
    journal.leave().result(10)
    return journal.folder


def outcomes(folder: Path) -> dict[tuple[int, str], tuple[str | None, str | None]]:
    return {(shot.cue, shot.camera): (shot.outcome, shot.reason) for shot in read_take(folder).shots}


def test_open_takes_are_found_oldest_first(tmp_path: Path, making) -> None:
    one, two, three = (making.new(tmp_path) for _ in range(3))
    two.close(Outcome.FINISHED, "", making.stamp(1001.0)).result(10)
    assert [left(one), left(three)] == find_open(tmp_path)


def test_a_store_that_is_not_there_has_no_open_takes(tmp_path: Path) -> None:
    assert find_open(tmp_path / "none") == []


def test_remains_of_a_take_never_begun_go_and_other_folders_stay(tmp_path: Path) -> None:
    unborn = tmp_path / "2026-05-04_093000_bracket"
    (unborn / "frames").mkdir(parents=True)
    (unborn / "take.db.new").write_bytes(b"half")
    theirs = tmp_path / "2026-05-04_093001_theirs"
    theirs.mkdir()
    (theirs / "notes.txt").write_text("mine")
    (tmp_path / "elsewhere").mkdir()
    find_open(tmp_path)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["2026-05-04_093001_theirs", "elsewhere"]


def test_a_take_that_is_just_being_made_is_left_to_its_maker(tmp_path: Path) -> None:
    folder = tmp_path / "2026-05-04_093000_bracket"
    (folder / "frames").mkdir(parents=True)
    handle = lock(folder)
    find_open(tmp_path)
    os.close(handle)
    assert (folder / "frames").is_dir()


def test_a_take_whose_closing_was_cut_short_becomes_one_file(tmp_path: Path, making) -> None:
    journal = making.new(tmp_path / "store")
    with closing(connect(journal.folder / "take.db")) as reader:
        reader.execute("SELECT * FROM cue")  # a reader keeps the file from being made one
        journal.close(Outcome.FINISHED, "", making.stamp(1001.0)).result(10)
        assert (journal.folder / "take.db-wal").exists()
        shutil.copytree(tmp_path / "store", tmp_path / "copy")
    assert find_open(tmp_path / "copy") == []
    folder = tmp_path / "copy" / journal.folder.name
    assert sorted(path.name for path in folder.iterdir()) == ["frames", "take.db"]
    assert read_take(folder).outcome == Outcome.FINISHED


def test_a_take_of_another_make_is_not_ours_to_close(tmp_path: Path, making) -> None:
    folder = left(making.new(tmp_path))
    with closing(connect(folder / "take.db")) as db:
        db.execute("PRAGMA user_version = 99")
    assert find_open(tmp_path) == []
    with pytest.raises(UserError, match="made by a newer lapsed"):
        recover(folder, making.stamp(2000.0))


def test_tells_the_director_where_the_print_was(tmp_path: Path, making) -> None:
    journal = making.new(tmp_path)
    journal.submit(*making.shot(1), *making.shot(2), *making.cue(3))
    journal.submit(HoldNoted(3, "parking", ("G90", "G1 X10 Y10"), making.stamp(1003.0)))
    making.frame(journal.folder, 1)
    making.frame(journal.folder, 2)
    found = recover(left(journal), making.stamp(1100.0))
    assert PrintInfo("bracket.gcode", layers=200) == found.print
    assert (found.cues, found.first_layer, found.layer, found.top_mm, found.marked) == (3, 1, 3, 0.75, False)
    assert (found.since_s, found.first_cue_s) == (1000.0, 1001.0)
    assert found.hold is not None
    assert (found.hold.shot, found.hold.phase, found.hold.come_back) == (3, "parking", ("G90", "G1 X10 Y10"))
    assert (found.adopted, found.missed) == ((), ((3, "main"),))


@pytest.mark.parametrize(("last", "ended"), [(Why.END, True), (Why.LAYER, False), (Why.LINE, False)])
def test_tells_whether_the_frame_after_the_end_was_cued(tmp_path: Path, making, last: Why, ended: bool) -> None:
    journal = making.new(tmp_path)
    journal.submit(*making.cue(1), *making.cue(2, last))
    assert recover(left(journal), making.stamp(1100.0)).ended is ended


def test_a_take_without_a_cue_tells_so(tmp_path: Path, making) -> None:
    found = recover(left(making.new(tmp_path)), making.stamp(1100.0))
    assert (
        found.cues,
        found.first_cue_s,
        found.first_layer,
        found.layer,
        found.top_mm,
        found.hold,
    ) == (0, None, None, None, 0.0, None)


def test_the_greatest_height_seen_counts_if_no_cue_was_as_high(tmp_path: Path, making) -> None:
    journal = making.new(tmp_path)
    journal.submit(*making.cue(1, Why.LINE), Kept({"printed_top_mm": 12.5, "line": 4}))
    found = recover(left(journal), making.stamp(1100.0))
    assert (found.top_mm, found.meta["line"], found.marked) == (12.5, 4, True)


def test_times_are_reckoned_by_utc_after_the_machine_was_started_anew(tmp_path: Path, making) -> None:
    journal = making.new(tmp_path)
    journal.submit(*making.cue(1), Kept({"boot": "another"}))
    folder = left(journal)
    # 60 s of UTC later, the new boot's clock stands at 20 s.
    now = Stamp(20.0, making.stamp(1060.0).utc)
    for _ in range(2):  # the second time it knows the boot
        found = recover(folder, now)
        assert (found.since_s, found.first_cue_s) == (-40.0, -39.0)


def test_a_whole_frame_without_a_row_is_adopted_with_its_cue(tmp_path: Path, making) -> None:
    journal = making.new(tmp_path)
    journal.submit(*making.cue(1), *making.ordered(1))
    making.frame(journal.folder, 1)
    making.frame(journal.folder, 2)
    making.frame(journal.folder, 2, ending="raw", data=b"raw")
    found = recover(left(journal), making.stamp(1100.0))
    assert (found.adopted, found.missed, found.cues) == (((1, "main"), (2, "main")), (), 2)
    take = read_take(journal.folder)
    assert take.shots[1].files == ("frames/main/000002.jpg", "frames/main/000002.raw")
    assert len(making.jpeg) + 3 == take.shots[1].size_bytes
    assert [(cue.number, cue.why) for cue in take.cues] == [(1, Why.LAYER), (2, None)]
    assert [(e.kind, e.data["adopted"]) for e in take.events] == [("recovered", [[1, "main"], [2, "main"]])]


def test_a_late_frame_of_a_missed_shot_is_adopted(tmp_path: Path, making) -> None:
    journal = making.new(tmp_path)
    journal.submit(*making.cue(1), *making.missed(1))
    making.frame(journal.folder, 1)
    recover(left(journal), making.stamp(1100.0))
    assert outcomes(journal.folder) == {(1, "main"): ("landed", None)}


def test_a_frame_on_the_card_stays_there_and_is_adopted_once_its_copy_is_whole(tmp_path: Path, making) -> None:
    journal = making.new(tmp_path)
    journal.submit(*making.cue(1), *making.on_card(1), *making.cue(2), *making.on_card(2))
    making.frame(journal.folder, 2)
    found = recover(left(journal), making.stamp(1100.0))
    assert (found.adopted, found.missed) == (((2, "main"),), ())
    assert outcomes(journal.folder) == {(1, "main"): ("on card", None), (2, "main"): ("landed", None)}


def test_a_shot_that_was_fired_and_never_ended_is_on_the_card_of_a_camera_that_keeps_its_pictures(
    tmp_path: Path, making
) -> None:
    journal = making.new(tmp_path, "far", "main")
    kinds = {"camera": [{"kind": "release", "name": "far"}, {"kind": "gphoto", "name": "main"}]}
    fired = (*making.exposed(1, "far"), *making.exposed(1, "main"))
    journal.submit(Kept({"settings": kinds}), *making.cue(1), *fired, *making.cue(2), *making.ordered(2, "far"))
    found = recover(left(journal), making.stamp(1100.0))
    assert found.missed == ((1, "main"), (2, "far"), (2, "main"))
    assert outcomes(journal.folder)[1, "far"] == ("on card", None)


def test_a_camera_that_was_not_yet_told_missed_the_shot_too(tmp_path: Path, making) -> None:
    journal = making.new(tmp_path, "main", "side")
    journal.submit(*making.shot(1))
    making.frame(journal.folder, 1)
    recover(left(journal), making.stamp(1100.0))
    assert outcomes(journal.folder) == {(1, "main"): ("landed", None), (1, "side"): ("missed", STOPPED)}


def test_a_frame_that_was_taken_away_is_told_so(tmp_path: Path, making) -> None:
    journal = making.new(tmp_path)
    journal.submit(*making.shot(1))
    recover(left(journal), making.stamp(1100.0))
    assert outcomes(journal.folder) == {(1, "main"): ("missed", GONE)}


def test_what_is_no_frame_is_left_alone(tmp_path: Path, making) -> None:
    journal = making.new(tmp_path)
    outside = tmp_path / "000001.jpg"
    outside.write_bytes(making.jpeg)
    (journal.folder / "frames" / "notes.txt").write_text("mine")
    main = making.frame(journal.folder, 2, ending="jpg", data=making.jpeg).parent
    (main / "000001.jpg").symlink_to(outside)
    (main / "cover.jpg").write_bytes(making.jpeg)
    assert recover(left(journal), making.stamp(1100.0)).adopted == ((2, "main"),)
    assert sorted(path.name for path in main.iterdir()) == ["000001.jpg", "000002.jpg", "cover.jpg"]


def test_a_take_that_went_away_is_told_in_a_sentence(tmp_path: Path, making) -> None:
    with pytest.raises(UserError, match=r"cannot write the take .*: No such file or directory"):
        recover(tmp_path / "gone", making.stamp(1100.0))


def test_finished_takes_are_closed_with_the_reason(tmp_path: Path, making) -> None:
    folder = left(making.new(tmp_path))
    finish(folder, Outcome.LOST, "the host never came back", making.stamp(1100.0))
    take = read_take(folder)
    assert (take.outcome, take.reason) == (Outcome.LOST, "the host never came back")
    assert sorted(path.name for path in folder.iterdir()) == ["frames", "take.db"]


def test_a_take_that_another_process_writes_is_left_to_it(tmp_path: Path, making) -> None:
    journal = making.new(tmp_path)
    with pytest.raises(UserError, match="another lapsed"):
        recover(journal.folder, making.stamp(1100.0))
    left(journal)


@pytest.mark.parametrize(
    ("statement", "error"),
    [
        ("DROP TABLE cue", TakeEndedError),
        ("UPDATE meta SET value = '7' WHERE key = 'print'", UserError),
        ("DELETE FROM meta", UserError),
        ("UPDATE meta SET value = 'not JSON'", UserError),
    ],
)
def test_a_damaged_take_is_told_in_a_sentence(tmp_path: Path, making, statement: str, error: type[Exception]) -> None:
    folder = left(making.new(tmp_path))
    with closing(connect(folder / "take.db")) as db:
        db.execute(statement)
        db.commit()
    with pytest.raises(error, match="take"):
        recover(folder, making.stamp(1100.0))


# A JPEG's markers: ITU-T T.81, B.1.1.3 and table B.1. FFE1 is APP1, which holds Exif and its thumbnail (CIPA DC-008).
SCAN = "ffda0008 010100003f00 55aa"
WHOLE = {
    "least": ("ffd8" + SCAN + "ffd9", True),
    "with a header": ("ffd8 ffe10006 45786966" + SCAN + "ffd9", True),
    "something appended": ("ffd8" + SCAN + "ffd9" + "00" * 40, True),
    "no end": ("ffd8" + SCAN, False),
    "no end but the thumbnail's": ("ffd8 ffe10006 ffd8ffd9" + SCAN, False),
    "cut within the header": ("ffd8 ffe1ffff 45786966", False),
    "cut within a marker": ("ffd8 ff", False),
    "no marker where one must be": ("ffd8 00000000 ffd9", False),
    "a segment of no length": ("ffd8 ffe10000 ffd9", False),
    "no picture": ("3c68746d6c3e", False),
    "empty": ("", False),
}


@pytest.mark.parametrize(("data", "expected"), WHOLE.values(), ids=WHOLE.keys())
def test_tells_a_whole_jpeg(tmp_path: Path, data: str, expected: bool) -> None:
    path = tmp_path / "000001.jpg"
    path.write_bytes(bytes.fromhex(data))
    assert expected == is_whole(path)


KEYS = st.tuples(st.integers(1, 6), st.sampled_from(["main", "side"]))


def test_cues_that_a_later_frame_tells_of_are_missed_with_the_reason() -> None:
    files = {(4, "main"): Found(("f",), 1, "")}
    mending = reconcile({1}, ("main",), {(1, "main"): True}, set(), files, fired=set())
    assert (mending.cues, mending.adopt) == ((2, 3, 4), files)
    assert mending.miss == {(2, "main"): UNTOLD, (3, "main"): UNTOLD}


@given(
    cues=st.sets(st.integers(1, 6)),
    shots=st.dictionaries(KEYS, st.sampled_from([True, False, None])),
    whole=st.sets(KEYS),
    gone=st.sets(KEYS),
    fired=st.sets(KEYS),
)
def test_every_cue_is_accounted_for_at_every_camera(cues, shots, whole, gone, fired) -> None:
    gone &= {key for key, outcome in shots.items() if outcome}
    files = {key: Found(("f",), 1, "") for key in whole}
    mending = reconcile(cues, ("main", "side"), shots, gone, files, fired=fired)
    numbers = cues | set(mending.cues)
    assert numbers == set(range(1, max(numbers, default=0) + 1))
    ends = dict.fromkeys((*mending.miss, *mending.card), False)
    after = {**shots, **ends, **dict.fromkeys(mending.adopt, True)}
    assert {(number, camera) for number in numbers for camera in ("main", "side")} == set(after)
    assert None not in after.values()
    assert whole <= {key for key, outcome in after.items() if outcome}
    assert not set(mending.adopt) & set(mending.miss)
    assert not set(mending.card) & {*mending.adopt, *mending.miss}
    assert set(mending.card) <= fired


ROW = st.sampled_from(["none", "cued", "ordered", "landed", "on_card", "missed"])
FILE = st.sampled_from(["none", "whole", "cut", "part", "whole and part", "raw only"])


@settings(max_examples=40, deadline=None)
@given(st.dictionaries(KEYS, st.tuples(ROW, FILE), max_size=8))
def test_rows_and_files_tell_the_same_after_any_stop(making, state) -> None:
    with TemporaryDirectory() as store:
        journal = making.new(Path(store), "main", "side")
        folder = journal.folder
        for (number, camera), (row, file) in state.items():
            if row != "none":
                journal.submit(*making.cue(number))
            if row not in ("none", "cued"):
                journal.submit(*making.ordered(number, camera))
            if row in ("landed", "on_card", "missed"):
                journal.submit(*getattr(making, row)(number, camera))
            if file.startswith("whole"):
                making.frame(folder, number, camera)
            if file.endswith("part"):
                making.frame(folder, number, camera, "jpg.part")
            if file == "cut":
                making.frame(folder, number, camera, data=making.jpeg[:-2])
            if file == "raw only":
                making.frame(folder, number, camera, "raw")
        left(journal)
        recover(folder, making.stamp(1100.0))

        take = read_take(folder)
        told = {(shot.cue, shot.camera): shot for shot in take.shots}
        assert {(cue.number, camera) for cue in take.cues for camera in ("main", "side")} == set(told)
        assert all((folder / name).is_file() for shot in take.shots if shot.outcome == "landed" for name in shot.files)
        assert all(shot.reason for shot in take.shots if shot.outcome == "missed")
        assert all(told[key].outcome != "missed" for key, (row, _) in state.items() if row == "on_card")
        whole = {key for key, (_, file) in state.items() if file.startswith("whole") or file == "raw only"}
        assert whole <= {key for key, shot in told.items() if shot.outcome == "landed"}
        assert list(folder.glob("frames/*/*.part")) == []
        again = recover(folder, making.stamp(1200.0))
        assert (again.adopted, again.missed) == ((), ())
