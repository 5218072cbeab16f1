import asyncio
import resource
import sqlite3
import threading
from contextlib import closing
from datetime import datetime
from pathlib import Path

import pytest

from lapsed.clock import Stamp
from lapsed.errors import BugError, TakeEndedError, UserError
from lapsed.model import CameraTold, Note, Outcome, PrintInfo, Step, Why
from lapsed.take import schema
from lapsed.take.journal import Journal
from lapsed.take.reader import read_take
from lapsed.take.records import (
    CameraNoted,
    HoldCleared,
    HoldNoted,
    Kept,
    Noted,
    PrintNoted,
    ShotOrdered,
    StepNoted,
)


def close(journal: Journal, stamp: Stamp) -> None:
    journal.close(Outcome.FINISHED, "", stamp).result(10)


def test_a_take_is_named_by_the_local_time_and_the_print(tmp_path: Path, making) -> None:
    journal = making.new(tmp_path / "deep" / "store")
    close(journal, making.stamp(1001.0))
    local = datetime.fromisoformat(making.stamp(1000.0).utc).astimezone()
    assert tmp_path / "deep" / "store" / f"{local:%Y-%m-%d_%H%M%S}_bracket" == journal.folder


def test_prints_of_one_second_have_takes_of_their_own(tmp_path: Path, making) -> None:
    journals = [making.new(tmp_path) for _ in range(3)]
    for journal in journals:
        close(journal, making.stamp(1001.0))
    first = journals[0].folder.name
    assert [first, f"{first}-2", f"{first}-3"] == [journal.folder.name for journal in journals]


def test_all_that_was_told_stands_in_the_take(tmp_path: Path, making) -> None:
    journal = making.new(tmp_path)
    journal.submit(*making.shot(1))
    journal.submit(StepNoted(1, Step.HELD, making.stamp(1001.125)), StepNoted(1, Step.RESUMED, making.stamp(1001.625)))
    journal.submit(*making.cue(2, Why.LINE), *making.ordered(2), *making.missed(2))
    journal.submit(CameraNoted(CameraTold("main", ready=False, text="it fell asleep"), making.stamp(1003.0)))
    journal.submit(Noted(Note("gap", "the host was away", {"gap_s": 4.5}), making.stamp(1004.0)))
    journal.submit(PrintNoted(PrintInfo("bracket.gcode", layers=201, height_mm=50.0)), Kept({"printed_top_mm": 1.5}))
    journal.close(Outcome.CANCELLED, "cancelled at the host", making.stamp(1010.0)).result(10)

    take = read_take(journal.folder)
    assert (take.outcome, take.reason) == (Outcome.CANCELLED, "cancelled at the host")
    assert (take.started_utc, take.ended_utc) == ("2026-05-04T09:30:00.000000Z", "2026-05-04T09:30:10.000000Z")
    assert PrintInfo("bracket.gcode", layers=201, height_mm=50.0) == take.print
    assert take.meta["printed_top_mm"] == 1.5
    assert [(c.number, c.why, c.layer, c.height_mm) for c in take.cues] == [
        (1, Why.LAYER, 1, 0.25),
        (2, Why.LINE, 2, 0.5),
    ]
    first = take.cues[0]
    assert (first.mono_s, first.held_s, first.parked_s, first.resumed_s) == (1001.0, 1001.125, None, 1001.625)
    landed, missed = take.shots
    assert (
        landed.ordered_s,
        landed.released_s,
        landed.exposed_s,
        landed.ended_s,
    ) == (1001.25, 1001.25, 1001.5, 1001.75)
    assert landed.exposed_utc == "2026-05-04T09:30:01.500000Z"
    assert ("landed", None, len(making.jpeg)) == (landed.outcome, landed.reason, landed.size_bytes)
    assert (missed.outcome, missed.reason) == ("missed", "the camera gave no answer")
    assert [(e.kind, e.text) for e in take.events] == [("camera", "it fell asleep"), ("gap", "the host was away")]
    assert take.events[1].data == {"gap_s": 4.5}


def test_an_event_told_late_keeps_its_own_time(tmp_path: Path, making) -> None:
    journal = making.new(tmp_path)
    journal.submit(*(CameraNoted(record.event, making.stamp(1059.0)) for record in making.landed(1)))
    close(journal, making.stamp(1060.0))
    assert read_take(journal.folder).shots[0].ended_utc == "2026-05-04T09:30:01.750000Z"


@pytest.mark.parametrize("order", ["landed first", "missed first"])
def test_a_landed_frame_is_not_taken_away_by_a_deadline(tmp_path: Path, making, order: str) -> None:
    both = (*making.landed(1), *making.missed(1))
    journal = making.new(tmp_path)
    journal.submit(*(both if order == "landed first" else both[::-1]))
    close(journal, making.stamp(1002.0))
    (shot,) = read_take(journal.folder).shots
    assert (shot.outcome, shot.reason) == ("landed", None)


def test_a_closed_take_is_one_file_and_its_folder(tmp_path: Path, making) -> None:
    journal = making.new(tmp_path)
    journal.submit(*making.shot(1))
    close(journal, making.stamp(1002.0))
    assert sorted(path.name for path in journal.folder.iterdir()) == ["frames", "take.db"]


def test_a_take_is_read_while_it_is_written(tmp_path: Path, making) -> None:
    journal = making.new(tmp_path)
    for number in range(1, 4):
        journal.submit(*making.shot(number)).result(10)
        take = read_take(journal.folder)
        assert (None, number) == (take.outcome, len(take.frames("main")))
    close(journal, making.stamp(1010.0))


def test_a_take_left_open_is_gone_on_with(tmp_path: Path, making) -> None:
    journal = making.new(tmp_path)
    journal.submit(*making.shot(1), HoldNoted(1, "parking", ("G1 X1",), making.stamp(1001.0)))
    journal.leave().result(10)
    again = Journal.reopen(journal.folder)
    again.submit(HoldCleared(), *making.shot(2))
    close(again, making.stamp(1010.0))
    assert [shot.cue for shot in read_take(journal.folder).shots] == [1, 2]


def test_a_second_writer_is_refused_in_a_sentence(tmp_path: Path, making) -> None:
    journal = making.new(tmp_path)
    with pytest.raises(UserError, match="is being written by another lapsed; stop that one first"):
        Journal.reopen(journal.folder)
    close(journal, making.stamp(1010.0))


def test_a_damaged_take_is_not_gone_on_with(tmp_path: Path, making) -> None:
    journal = making.new(tmp_path)
    close(journal, making.stamp(1010.0))
    (journal.folder / "take.db").write_bytes(b"no database" * 100)
    with pytest.raises(TakeEndedError, match=r"cannot go on with the take .*: file is not a database"):
        Journal.reopen(journal.folder)


def test_what_is_told_after_the_end_fails_in_a_sentence(tmp_path: Path, making) -> None:
    journal = making.new(tmp_path)
    close(journal, making.stamp(1010.0))
    with pytest.raises(TakeEndedError, match="is closed"):
        journal.submit(*making.shot(1)).result(10)
    with pytest.raises(TakeEndedError, match="is closed"):
        journal.leave().result(10)


def test_a_step_of_one_camera_is_no_step_of_the_shot(tmp_path: Path, making) -> None:
    journal = making.new(tmp_path)
    with pytest.raises(BugError, match="a camera's own"):
        journal.submit(StepNoted(1, Step.EXPOSED, making.stamp(1001.0)))
    close(journal, making.stamp(1010.0))


def test_a_record_that_is_no_row_takes_no_other_along(tmp_path: Path, making) -> None:
    journal = making.new(tmp_path)
    nameless = ShotOrdered(1, None, making.stamp(1001.0))  # type: ignore[arg-type]  # what types forbid, made to happen
    bad, good = journal.submit(*making.cue(1), nameless), journal.submit(*making.shot(2))
    with pytest.raises(BugError, match="can't be written"):
        bad.result(10)
    assert good.result(10) is None
    close(journal, making.stamp(1010.0))
    assert [cue.number for cue in read_take(journal.folder).cues] == [2]


@pytest.mark.parametrize("layer", [2**70, -(2**70)])
def test_figures_and_texts_that_no_table_holds_lose_no_row(tmp_path: Path, making, layer: int) -> None:
    journal = making.new(tmp_path, name="a\ud800b")
    (cue,) = making.cue(1)
    object.__setattr__(cue.cue, "layer", layer)
    journal.submit(cue, Noted(Note("odd", "half \udc80 a letter", {"x": {1, 2}, "y": "\ud800"}), making.stamp(1001.0)))
    close(journal, making.stamp(1010.0))
    take = read_take(journal.folder)
    assert (take.print.name, [cue.number for cue in take.cues]) == ("a?b", [1])
    assert take.events[0].data["y"] == "?"
    assert [event.text for event in take.events] == [r"half \udc80 a letter"]


# ------------------------------------------------------------------------------------------------ a disk that refuses


class Gate:
    """A connection that waits at each commit until it is let through, or fails as often as it is told to."""

    def __init__(self, db: sqlite3.Connection) -> None:
        self.db = db
        self.open = threading.Event()
        self.refusals = 0
        self.begun = 0

    @property
    def in_transaction(self) -> bool:
        return self.db.in_transaction

    def execute(self, sql: str, *values: object) -> sqlite3.Cursor:
        if sql == "COMMIT":
            self.begun += 1
            self.open.wait(10)
            if self.refusals:
                self.refusals -= 1
                raise sqlite3.OperationalError("database or disk is full")
        return self.db.execute(sql, *values)

    def close(self) -> None:
        self.db.close()


@pytest.fixture
def gated(tmp_path: Path, making) -> tuple[Journal, Gate]:
    made = making.new(tmp_path)
    made.leave().result(10)
    from lapsed.take.space import lock  # noqa: PLC0415 - only here

    gate = Gate(schema.open_for_writing(made.folder))
    return Journal(made.folder, gate, lock(made.folder), retry_s=(0.0, 0.0)), gate  # type: ignore[arg-type]  # a double


async def test_a_slow_disk_never_blocks_the_event_loop(gated, making) -> None:
    journal, gate = gated
    futures = [journal.submit(*making.shot(number)) for number in range(1, 101)]
    turned = await asyncio.sleep(0, "the loop turned")
    assert (turned, 0) == ("the loop turned", sum(future.done() for future in futures))
    gate.open.set()
    await asyncio.gather(*map(asyncio.wrap_future, futures))
    assert len(read_take(journal.folder).shots) == 100
    assert gate.begun <= 2  # the first one alone, and all that came while it was written
    await asyncio.wrap_future(journal.close(Outcome.FINISHED, "", making.stamp(1059.0)))


async def test_a_waiter_that_gives_up_takes_nothing_back(gated, making) -> None:
    journal, gate = gated
    waiting = asyncio.wrap_future(journal.submit(*making.shot(1)))
    waiting.cancel()
    gate.open.set()
    await asyncio.wrap_future(journal.close(Outcome.FINISHED, "", making.stamp(1010.0)))
    assert [shot.cue for shot in read_take(journal.folder).shots] == [1]


def test_a_short_refusal_is_tried_again(gated, making) -> None:
    journal, gate = gated
    gate.refusals = 2
    gate.open.set()
    assert journal.submit(*making.shot(1)).result(10) is None
    close(journal, making.stamp(1010.0))


def test_what_was_refused_is_written_first_when_there_is_room_again(gated, making) -> None:
    journal, gate = gated
    gate.refusals = 3
    gate.open.set()
    with pytest.raises(TakeEndedError, match=r"cannot write the journal of take .*: database or disk is full; free"):
        journal.submit(*making.cue(1)).result(10)
    assert journal.submit(*making.ordered(1)).result(10) is None
    close(journal, making.stamp(1010.0))
    take = read_take(journal.folder)
    assert ([cue.number for cue in take.cues], [shot.cue for shot in take.shots]) == ([1], [1])


def test_a_take_whose_end_is_refused_stays_open_for_the_next_start(gated, making) -> None:
    journal, gate = gated
    gate.open.set()
    journal.submit(*making.cue(1)).result(10)
    gate.refusals = 3
    with pytest.raises(TakeEndedError, match="still refuses"):
        journal.close(Outcome.FINISHED, "", making.stamp(1010.0)).result(10)
    take = read_take(journal.folder)
    assert (take.outcome, len(take.cues)) == (None, 1)
    again = Journal.reopen(journal.folder)
    close(again, making.stamp(1011.0))


def _fill_until_refused(journal: Journal, making) -> int:
    for number in range(1, 20_000):
        try:
            journal.submit(*making.shot(number)).result(10)
        except TakeEndedError as error:
            assert "free or mend the disk" in str(error)  # noqa: PT017 - the shot before it counts as well
            return number - 1
    pytest.fail("the disk never refused")


def test_a_file_that_may_grow_no_further_keeps_what_it_has(tmp_path: Path, making) -> None:
    journal = making.new(tmp_path)
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (300_000, hard))
    try:
        written = _fill_until_refused(journal, making)
        assert written > 5
        assert written == len(read_take(journal.folder).shots)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    close(journal, making.stamp(1059.0))
    assert written + 1 == len(read_take(journal.folder).shots)


def test_a_full_disk_keeps_what_was_committed_and_goes_on_with_room(small_disk, making) -> None:
    ballast = small_disk.place / "ballast"
    journal = making.new(small_disk.place)
    ballast.write_bytes(bytes(150_000))
    written = _fill_until_refused(journal, making)
    assert written > 5
    assert written == len(read_take(journal.folder).shots)
    ballast.unlink()
    journal.submit(*making.shot(written + 2)).result(10)
    close(journal, making.stamp(1059.0))
    with closing(sqlite3.connect(journal.folder / "take.db")) as db:
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    assert list(range(1, written + 3)) == [shot.cue for shot in read_take(journal.folder).shots]


def test_a_take_that_finds_no_room_to_begin_leaves_nothing_behind(small_disk, making) -> None:
    (small_disk.place / "ballast").write_bytes(bytes(510_000))
    with pytest.raises(TakeEndedError, match=r"cannot begin a take in .*; free or mend the disk"):
        making.new(small_disk.place)
    assert [path.name for path in small_disk.place.iterdir()] == ["ballast"]


def test_a_store_that_is_a_file_is_told_in_a_sentence(tmp_path: Path, making) -> None:
    (tmp_path / "store").write_text("")
    with pytest.raises(TakeEndedError, match=r"cannot begin a take in .*: file exists"):
        making.new(tmp_path / "store")
