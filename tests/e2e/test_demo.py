"""The demo, as README says to run it."""

import json
import subprocess
import sys
from pathlib import Path

import pytest


@pytest.mark.slow
@pytest.mark.parametrize("camera", ["scene", "gphoto"])
def test_the_demo_films_a_print_and_names_its_clips(tmp_path, camera):
    command = [
        sys.executable,
        "-m",
        "lapsed",
        "demo",
        "--out",
        str(tmp_path),
        "--camera",
        camera,
        "--shots",
        "5",
        "--json",
    ]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert (told["cues"], told["landed"], told["missed"]) == (5, 5, 0)
    clips = {clip["name"]: clip for clip in told["clips"]}
    # A still camera's frames are wider than UHD; the virtual one's are smaller, and nothing is enlarged unasked.
    sizes = {"scene": [(4320, 2880), (3840, 2160)], "gphoto": [(2400, 1600), (2400, 1350)]}[camera]
    assert [(clips[name]["width"], clips[name]["height"]) for name in ("master", "wide")] == sizes
    for clip in clips.values():
        assert clip["frames"] == 30  # five frames, and a second at 25 on the last
        assert clip["seconds"] == pytest.approx(1.2)
        assert Path(clip["path"]).stat().st_size > 10_000
