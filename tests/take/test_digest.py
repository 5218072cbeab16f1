"""What the daemon asks about a take agrees with the whole take, and costs next to no memory."""

import tracemalloc
from pathlib import Path

from lapsed.model import CameraTold
from lapsed.take import reader
from lapsed.take.digest import digest, frames
from lapsed.take.reader import read_take
from lapsed.take.records import CameraNoted
from lapsed.web.takes import detail


def test_a_digest_agrees_with_the_rows(tmp_path: Path, making) -> None:
    journal = making.new(tmp_path, "main", "side")
    journal.submit(*making.shot(1), *making.shot(2), *making.cue(3), *making.missed(3), *making.landed(1, "side"))
    journal.submit(*making.cue(4), *making.on_card(4))
    for percent in (61, None, 60):
        event = CameraTold("main", ready=True, text="found", charge_percent=percent)
        journal.submit(CameraNoted(event, making.stamp(1005.0)))
    journal.leave().result(10)
    view, found = read_take(journal.folder), digest(journal.folder)
    assert found.counts == {("main", "landed"): 2, ("main", "missed"): 1, ("main", "on card"): 1, ("side", "landed"): 1}
    assert (found.cues, found.cameras, found.began_utc, found.ended_utc) == (4, view.cameras, view.started_utc, None)
    newest = {
        camera: [shot for shot in view.shots if shot.camera == camera and shot.files][-1] for camera in view.cameras
    }
    assert found.newest == newest
    assert [newest["main"].cue, newest["side"].cue] == [2, 1]
    assert found.cued_utc == tuple(cue.utc for cue in view.cues)
    assert found.charges == (("main", making.stamp(1005.0).utc, 61), ("main", making.stamp(1005.0).utc, 60))


def test_frames_come_with_the_layers_of_their_cues_also_where_a_cue_is_lost(tmp_path: Path, making) -> None:
    journal = making.new(tmp_path, "main", "side")
    journal.submit(*making.shot(1), *making.landed(2), *making.shot(3), *making.cue(4), *making.missed(4))
    journal.submit(*making.landed(3, "side"))
    journal.leave().result(10)
    view = read_take(journal.folder)
    for camera, layers in (("main", [1, None, 3]), ("side", [3]), ("none", [])):
        found = reader.reading(journal.folder, lambda db, name=camera: tuple(frames(journal.folder, db, name)))
        assert found == view.frames(camera)
        assert [frame.layer for frame in found] == layers


def test_what_the_daemon_asks_takes_a_fraction_of_the_memory_of_the_whole_take(tmp_path: Path, making) -> None:
    journal = making.new(tmp_path)
    journal.submit(*(record for number in range(1, 401) for record in making.shot(number))).result(10)
    journal.leave().result(10)

    def peak(work) -> int:
        work()  # once for what is only loaded
        tracemalloc.start()
        try:
            work()
            return tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()

    whole = peak(lambda: read_take(journal.folder))
    assert peak(lambda: digest(journal.folder)) < whole / 4
    assert peak(lambda: detail(tmp_path, journal.folder.name).model_dump_json()) < whole / 2
