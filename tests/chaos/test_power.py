"""The power goes after every system call that journal and landing make, and the disk keeps what it likes."""

import os
import shutil
import sys
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
        assert found.cues >= max((int(number) for kind, _, number in told if kind == "cue"), default=0)
        finish(folder, Outcome.LOST, "the power went", stamp())
    takes = {take.name: take for take in list_takes(store)}
    assert {name for _, name, _ in told} <= set(takes)
    for name, take in takes.items():
        assert take.problem is None
        view = read_take(store / name)
        assert [cue.number for cue in view.cues] == list(range(1, len(view.cues) + 1))
        outcomes = {shot.cue: shot.outcome for shot in view.shots}
        assert set(outcomes.values()) <= {"landed", "missed"}
        assert {int(number) for kind, _, number in told if kind == "landed"} <= {
            number for number, outcome in outcomes.items() if outcome == "landed"
        }
        for frame in view.frames("main"):
            assert frame.path.read_bytes() == picture(frame.shot, float(frame.shot))
        if ["closed", name, "0"] in told:
            assert view.outcome is Outcome.FINISHED


@pytest.mark.parametrize("whim", ["all", "nothing", "some"])
def test_the_power_may_go_after_any_call(recording, whim, tmp_path):
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
            there = tmp_path / "there"
            disk.lay_out(there, kept)
            try:
                assert_holds_all_that_was_told(there, told)
            except BaseException as error:
                error.add_note(f"after {call.name} {call.words}, told {told[-3:]}")
                raise
            shutil.rmtree(there)
            looked += 1
    assert told[-1][0] == "closed"
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
