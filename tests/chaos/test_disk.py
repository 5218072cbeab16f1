"""A day on a disk that is really full, then read-only, then slow to sync; all of it in one print."""

import os
import shutil
import subprocess

import pytest

from lapsed.model import Outcome
from lapsed.take import recovery
from tests.chaos import promises
from tests.chaos.day import Counts, live
from tests.chaos.script import Fault
from tests.chaos.yard import Yard, part

pytestmark = pytest.mark.slow


@pytest.fixture
def own_disk(tmp_path):
    """A folder whose store is a file system of its own; skipped where that or strace(1) can't be had."""
    store = tmp_path / "takes"
    store.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", store]
    if os.getuid() != 0 or subprocess.run(command, check=False, capture_output=True).returncode != 0:
        pytest.skip("mounting a file system is not allowed here")
    if shutil.which("strace") is None:
        subprocess.run(["umount", store], check=True)
        pytest.skip("there is no strace here")
    try:
        yield tmp_path
    finally:
        subprocess.run(["umount", store], check=True)


async def test_a_disk_full_then_read_only_then_slow_never_holds_the_print_and_the_next_one_is_filmed(own_disk):
    counts = Counts()
    faults = (Fault(2, 0.05, "disk-full", 0.5), Fault(5, 0.1, "disk-read-only", 0.5), Fault(8, 0.0, "sync-slow", 0.5))
    await live(own_disk, faults, counts)
    assert counts.faults == {"disk-full": 1, "disk-read-only": 1, "sync-slow": 1}
    assert counts.landed >= 4  # those of the print after it


async def test_a_daemon_killed_in_mid_hold_brings_the_head_back_though_the_disk_refuses_all_writes_from_then_on(
    tmp_path,
):
    text = part(5)
    file = tmp_path / "ottermole.gcode"
    file.write_text(text)
    async with Yard(tmp_path) as yard:
        await yard.start()
        await yard.ready()
        yard.order("release hang")
        await yard.host.bench.begin(file)
        await yard.until(lambda: parked(yard))
        await yard.kill()
        (yard.home / "refused").touch()
        await yard.start()
        await yard.until(lambda: events(yard).count("running") > 1)
        refused = yard.pid
        assert yard.restarts == 0
        await yard.until(lambda: any("take" in line and "in order" in line for line in yard.log))
        (left,) = recovery.find_open(yard.store)  # nothing could be written: it is still open, its hold still noted
        (yard.home / "refused").unlink()
        yard.refuse_writes(on=False)
        await yard.until(yard.host.bench.ended.is_set)
        await yard.until(lambda: all(take.outcome is not None for take in yard.takes()))
        assert yard.pid == refused
        promises.print_is_untouched(yard.host.log.records, [text])
        promises.holds_are_short(yard)
        take = next(take for take in yard.takes() if take.folder == left)
    assert take.outcome is Outcome.LOST
    assert "the disk refused to be written" in take.reason


def events(yard):
    return [entry["event"] for entry in yard.host.log.records if "event" in entry]


def parked(yard):
    """A line of ours has moved the head, and the camera is at its shot."""
    ours = [entry for entry in yard.host.log.records if entry.get("from") == "run"]
    return len(ours) > 3 and yard.host.log.records[-1] is ours[-1]
