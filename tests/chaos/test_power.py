"""The power goes after every system call that journal and landing make, and the disk keeps what it likes."""

import os
import shutil
import sys
import tempfile
from contextlib import closing
from pathlib import Path

import pytest

from lapsed.clock import stamp
from lapsed.model import Outcome
from lapsed.take.reader import list_takes, read_take
from lapsed.take.recovery import find_open, finish, recover
from tests.chaos.camera import picture
from tests.chaos.syscalls import Disk, record, whims

ROOT = Path(__file__).parents[2]
MEMORY = Path("/dev/shm")  # noqa: S108 - only as a place in memory; the folder in it has a name of its own


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    """What writing a take asked of the kernel, and where."""
    place = tmp_path_factory.mktemp("recorded")
    home = place / "disk"
    home.mkdir()
    command = [sys.executable, "-m", "tests.chaos.recorder", str(home / "takes"), str(place / "acks")]
    calls = record(command, place / "trace", cwd=ROOT, env={**os.environ, "PYTHONPATH": str(ROOT)})
    return home, place / "acks", calls


def assert_holds_all_that_was_told(there: Path, told: list[list[str]]) -> None:
    store = there / "takes"
    for folder in find_open(store) if store.exists() else []:
        found = recover(folder, stamp())
        assert found.cues >= max((int(what) for kind, what in told if kind == "cue"), default=0)
        finish(folder, Outcome.LOST, "the power went", stamp())
    takes = list_takes(store)
    assert len(takes) == 1 or (not takes and not told)
    for take in takes:
        assert take.problem is None
        view = read_take(take.folder)
        assert [cue.number for cue in view.cues] == list(range(1, len(view.cues) + 1))
        outcomes = {shot.cue: shot.outcome for shot in view.shots}
        assert set(outcomes.values()) <= {"landed", "missed"}
        assert {int(what) for kind, what in told if kind == "landed"} <= {
            number for number, outcome in outcomes.items() if outcome == "landed"
        }
        for frame in view.frames("main"):
            assert frame.path.read_bytes() == picture(frame.shot, float(frame.shot))
        if told and told[-1][0] == "closed":
            assert (view.outcome, take.name) == (Outcome.FINISHED, told[-1][1])


@pytest.fixture
def memory(tmp_path):
    """A folder in memory, where there is such: what was recorded is laid out hundreds of times."""
    with tempfile.TemporaryDirectory(dir=MEMORY if MEMORY.is_dir() else tmp_path) as folder:
        yield Path(folder)


@pytest.mark.parametrize("whim", ["all", "nothing", "some"])
def test_the_power_may_go_after_any_call(recording, whim, memory):
    home, acks, calls = recording
    disk, told, looked = Disk(home), [], 0
    acks_at = None
    kept = whims(7)[whim]
    for call in calls:
        if call.name == "openat" and call.texts[0] == str(acks).encode():
            acks_at = call.words  # the descriptor is its result
            acks_fd = call.result
        changed = disk.take(call)
        if acks_at is not None and call.name == "write" and int(call.words[0]) == acks_fd:
            told.append(call.texts[0].decode().split())
            changed = True
        # Between two syncs a disk that keeps nothing else holds the same.
        if changed and (whim != "nothing" or call.name in ("fsync", "fdatasync", "write")):
            there = memory / "there"
            disk.lay_out(there, kept)
            try:
                assert_holds_all_that_was_told(there, told)
            except BaseException as error:
                error.add_note(f"after {call.name} {call.words}, told {told[-3:]}")
                raise
            shutil.rmtree(there)
            looked += 1
    assert told[-1][0] == "closed"
    assert not told[-1][1].startswith("1970")
    assert len(told) == 12
    assert looked > 40


def test_a_recording_leads_to_what_is_on_the_disk(recording):
    home, _, calls = recording
    disk = Disk(home)
    for call in calls:
        disk.take(call)
    laid = home.with_name("laid")
    disk.lay_out(laid, lambda: True)
    with closing(os.scandir(laid)):
        files = {path.relative_to(laid) for path in laid.rglob("*")}
    assert files == {path.relative_to(home) for path in home.rglob("*")}
    for name in files:
        if (laid / name).is_file():
            assert (laid / name).read_bytes() == (home / name).read_bytes()
