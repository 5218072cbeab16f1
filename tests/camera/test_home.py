import os
import shutil
import signal
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from lapsed.camera import home

HOLDER = """
import time
from lapsed.camera import home
with home.home() as made:
    print(made, flush=True)
    time.sleep(600)
"""


@pytest.fixture(autouse=True)
def place(tmp_path, monkeypatch):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    return tmp_path


def test_a_home_is_there_while_it_is_used_and_gone_afterwards(place):
    with home.home() as made:
        (made / "settings").mkdir()
        assert made.parent == place
    assert list(place.iterdir()) == []


def test_what_killed_processes_left_is_removed_and_what_others_use_stays(place):
    holders = [
        subprocess.Popen(
            [sys.executable, "-c", HOLDER], stdout=subprocess.PIPE, text=True, env={**os.environ, "TMPDIR": str(place)}
        )
        for _ in range(2)
    ]
    used, left = (Path(holder.stdout.readline().strip()) for holder in holders)
    (left / "something").write_text("half written")
    holders[1].send_signal(signal.SIGKILL)
    holders[1].wait()
    with home.home() as made:
        assert {path.name for path in place.iterdir()} == {made.name, used.name}
    holders[0].kill()
    for holder in holders:
        holder.wait()
        holder.stdout.close()


def test_what_is_not_ours_stays(place):
    (place / "elsewhere").mkdir()
    (place / f"{home.PREFIX}link").symlink_to(place / "elsewhere")
    (place / f"{home.PREFIX}file").write_text("no folder")
    (place / "other").mkdir()
    with home.home():
        pass
    names = {"elsewhere", f"{home.PREFIX}link", f"{home.PREFIX}file", "other"}
    assert {path.name for path in place.iterdir()} == names


def test_a_home_swept_away_before_it_was_locked_is_made_anew(place, monkeypatch):
    made, locked = [], home._locked

    def swept_first(folder):
        made.append(folder)
        if len(made) == 1:
            shutil.rmtree(folder)
        return locked(folder)

    monkeypatch.setattr(home, "_locked", swept_first)
    with home.home() as kept:
        assert (kept.exists(), kept) == (True, made[1])
