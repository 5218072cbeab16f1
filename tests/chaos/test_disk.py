"""A day on a disk that is really full, then read-only, then slow to sync; all of it in one print."""

import os
import shutil
import subprocess

import pytest

from tests.chaos.day import Counts, live
from tests.chaos.script import Fault

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
