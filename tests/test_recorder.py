"""What a daemon finds of the take that the last one left open."""

import math

import pytest

from lapsed import clock, recorder, settings
from lapsed.model import Cue, Note, PrintInfo, Why
from lapsed.recorder import Recorder
from lapsed.take.journal import Journal
from lapsed.take.records import CueNoted, Noted

PRINTER = settings.Printer.model_validate(
    {
        "name": "ottermole",
        "link": {"url": "ws://127.0.0.1:1/"},
        "machine": {"park_point_mm": [8, 212]},
        "camera": [{"kind": "gphoto", "name": "main"}],
    }
)


@pytest.mark.parametrize(
    ("written_s", "boot", "silent_s"),
    [
        pytest.param((-50, -80), "", 50, id="since its last cue"),
        pytest.param((-80, -50), "", 50, id="since its last event"),
        pytest.param((-50, None), "", 50, id="without an event"),
        pytest.param((None, None), "", math.inf, id="nothing was written"),
        pytest.param((-50, -80), "another", math.inf, id="the machine was started anew"),
    ],
)
async def test_how_long_nobody_wrote_the_take_that_was_left_open(tmp_path, monkeypatch, written_s, boot, silent_s):
    (cued_s, noted_s), now = written_s, clock.stamp()
    journal = Journal.create(tmp_path, PrintInfo("post.gcode"), {"printer": "ottermole", "cameras": ["main"]}, now)
    if cued_s is not None:
        journal.submit(CueNoted(Cue(1, Why.LAYER, now.mono_s + cued_s), clock.stamp_at(now.mono_s + cued_s)))
    if noted_s is not None:
        journal.submit(Noted(Note("host", "the host was lost"), clock.stamp_at(now.mono_s + noted_s)))
    journal.leave().result(30)
    monkeypatch.setattr(clock, "stamp", lambda: now)
    if boot:
        monkeypatch.setattr(recorder, "boot_id", lambda: boot)
    store = settings.Store(folder=tmp_path, min_free_mb=0)
    keeps = Recorder(PRINTER, store, over=print, failed=print, thinned=print, spared=frozenset)
    left = await keeps.left_open()
    await keeps.leave()
    assert left is not None
    assert left.silent_s == pytest.approx(silent_s)
