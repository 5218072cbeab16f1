import subprocess
import sys

CHILD = """
import os, subprocess
from lapsed.clip import quiet
quiet.lower()
print(os.sched_getscheduler(0) == os.SCHED_IDLE, os.getpriority(os.PRIO_PROCESS, 0))
print(subprocess.run(["ionice", "-p", str(os.getpid())], capture_output=True, text=True).stdout)
"""


def test_a_stitching_child_is_idle_as_util_linux_sees_it() -> None:
    done = subprocess.run([sys.executable, "-c", CHILD], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["True", "19", "idle"]
