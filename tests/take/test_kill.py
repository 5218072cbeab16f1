import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from lapsed.clock import stamp
from lapsed.model import Outcome
from lapsed.take.journal import Journal
from lapsed.take.reader import list_takes, read_take
from lapsed.take.recovery import find_open, finish, recover

INSTANTS = 50
SEED = 20260504


@pytest.fixture(scope="module")
def forker() -> Iterator[subprocess.Popen[str]]:
    command = [sys.executable, str(Path(__file__).with_name("writer.py"))]
    root = str(Path(__file__).parents[2])
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env={**os.environ, "PYTHONPATH": root}
    ) as process:
        yield process
        process.stdin.close()


@pytest.fixture(autouse=True)
def _forker_is_there_before_leaks_are_looked_for(forker, nothing_leaks) -> None:
    """Orders the fixtures."""


def killed_writer(forker, store: Path, after_s: float | None) -> list[list[str]]:
    """What a writer in `store` was told is safe, until it was killed after so long; None for once it closed a take."""
    acks = store.with_suffix(".acks")
    forker.stdin.write(f"{store} {acks}\n")
    forker.stdin.flush()
    writer = int(forker.stdout.readline())
    # Real time on purpose: what is killed is a real process.
    time.sleep(after_s or 0.0)
    while after_s is None and not (acks.exists() and "closed" in acks.read_text()):
        time.sleep(0.002)
    os.kill(writer, signal.SIGKILL)
    assert forker.stdout.readline() == "gone\n"
    return [line.split() for line in acks.read_text().splitlines()] if acks.exists() else []


def test_no_instant_of_a_kill_loses_what_was_told_to_be_safe(tmp_path: Path, forker) -> None:
    begun = time.monotonic()
    killed_writer(forker, tmp_path / "first", None)
    life_s = time.monotonic() - begun  # disks differ: the kills have to fall within the lives of a few takes
    random_s = random.Random(SEED)
    left_open = adopted = missed = 0
    for instant in range(INSTANTS):
        store = tmp_path / f"store{instant}"
        acks = killed_writer(forker, store, random_s.uniform(0.0, 1.5 * life_s))
        closed = {ack[1] for ack in acks if ack[0] == "closed"}

        for folder in find_open(store) if store.exists() else []:
            assert folder.name not in closed
            left_open += 1
            found = recover(folder, stamp())
            adopted, missed = adopted + len(found.adopted), missed + len(found.missed)
            told = [int(ack[2]) for ack in acks if ack[:2] == ["cue", folder.name]]
            assert found.cues >= max(told, default=0)
            if found.hold is not None:
                assert (found.cues, ("G1 X10 Y10 F6000",)) == (found.hold.shot, found.hold.come_back)
            finish(folder, Outcome.LOST, "the daemon was killed", stamp())

        takes = {take.name: take for take in list_takes(store)}
        assert closed <= set(takes)
        for name, take in takes.items():
            assert take.problem is None
            assert (Outcome.FINISHED if name in closed else take.outcome) == take.outcome
            _assert_whole(store / name, acks)
    # The figures say that the kills did fall into the middle of things.
    assert (left_open > INSTANTS // 10, adopted + missed > 0) == (True, True)


def _assert_whole(folder: Path, acks: list[list[str]]) -> None:
    with closing(sqlite3.connect(folder / "take.db")) as db:
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    take = read_take(folder)
    outcomes = {shot.cue: shot.outcome for shot in take.shots}
    assert {cue.number for cue in take.cues} == set(outcomes)
    assert set(outcomes.values()) <= {"landed", "missed"}
    assert all(outcomes[int(ack[2])] == "landed" for ack in acks if ack[:2] == ["landed", folder.name])
    on_disk = sorted(path.relative_to(folder) for path in folder.glob("frames/*/*"))
    assert on_disk == [frame.path.relative_to(folder) for frame in take.frames("main")]
    leftovers = {path.name for path in folder.iterdir()} - {"take.db", "frames"}
    assert leftovers == set()


def test_a_killed_take_can_be_gone_on_with(tmp_path: Path, forker) -> None:
    store = tmp_path / "store"
    acks = killed_writer(forker, store, None)
    assert acks
    for folder in find_open(store):
        recover(folder, stamp())
        Journal.reopen(folder).close(Outcome.FINISHED, "", stamp()).result(10)
    assert {Outcome.FINISHED} == {take.outcome for take in list_takes(store)}
