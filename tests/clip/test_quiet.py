import subprocess
import sys

import pytest

from lapsed.clip.codec import CODECS

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


ENCODING = """
import os, sys
from fractions import Fraction
from pathlib import Path
from av import VideoFrame
from lapsed.clip import encoder
from lapsed.clip.codec import CODECS, Effort
from lapsed.clip.editlist import EditList, Piece
from lapsed.clip.orient import Rect

def ranks():
    tasks = [int(name) for name in os.listdir("/proc/self/task")]
    return {(os.sched_getscheduler(task), os.getpriority(os.PRIO_PROCESS, task)) for task in tasks}

seen = [ranks()]
codec = sys.argv[1]
pieces = (Piece("1.jpg", 3, Rect(0, 0, 320, 240)),)
edit = EditList("c", codec, (320, 240), Fraction(25), (320, 240), 1, 18, "ultrafast", pieces)
picture = VideoFrame(320, 240, CODECS[codec].pixels.name)
for plane in picture.planes:
    plane.update(bytes(plane.buffer_size))
effort, path = Effort(18, "ultrafast", 4, 2), Path(sys.argv[2])
encoder.write(path, edit, effort, iter([(picture, 3)]), lambda done: seen.append(ranks()))
assert all(policy == os.SCHED_OTHER and nice >= 0 for now in seen for policy, nice in now), seen
print(len(seen))
"""


@pytest.mark.parametrize("codec", sorted(set(CODECS) - {"master"}))
def test_no_encoder_raises_itself_above_the_rest_of_the_computer(codec, tmp_path) -> None:
    """It breaks where libsvtav1 is opened by root, who may raise it."""
    command = [sys.executable, "-c", ENCODING, codec, str(tmp_path / "clip")]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (done.stdout, done.stderr) == ("4\n", "")
