"""One printer in one process: what becomes of the print when the disk or the cameras refuse."""

import asyncio
import contextlib
import sqlite3
import time
from pathlib import Path

import pytest

from lapsed import __main__, app, clock, settings
from lapsed.model import Outcome, PrintInfo
from lapsed.sim.host import SimHost
from lapsed.sim.pace import Pace
from lapsed.sim.part import write_part
from lapsed.take import reader, space, thinning
from lapsed.take.journal import Journal
from tests.waiting import until

STILL = {"gphoto": "tests.benchmarks.still_camera:open_camera"}
CARD = {"gphoto": "tests.camera.kinds.card:open_camera"}


def configured(store, url, cameras=("main",)):
    camera = [{"kind": "gphoto", "name": name, "exposure_s": 0.01} for name in cameras]
    machine = {"park_point_mm": [8, 212], "settle_s": 0}
    cadence = {"every_layers": 1, "last_frame": False}
    printer = {"name": "bench", "link": {"url": url}, "machine": machine, "camera": camera, "cadence": cadence}
    return settings.Settings.model_validate({"store": {"folder": store, "min_free_mb": 0}, "printer": [printer]})


@pytest.fixture
async def host():
    async with SimHost(pace=Pace(150)) as made:
        yield made


@pytest.fixture
async def slow_host():
    """Its layers take long enough for a shot of each, however busy the machine."""
    async with SimHost(pace=Pace(50)) as made:
        yield made


@pytest.fixture
def part(tmp_path):
    path = tmp_path / "beacon.gcode"
    path.write_text(write_part(6))
    return path


async def filmed(daemon, host, part, ended, takes):
    """Print `part` once; returns when the host is done and `takes` takes have ended."""
    await until(lambda: daemon.ready)
    await host.bench.begin(part)
    await asyncio.wait_for(host.bench.ended.wait(), 60)
    await until(lambda: len(ended) == takes)


async def test_a_print_whose_take_cannot_be_opened_goes_by_and_the_next_one_is_filmed(slow_host, part, tmp_path):
    store, ended = tmp_path / "takes", []
    daemon = app.Daemon(configured(store, slow_host.url), None, kinds=STILL, ended=ended.append)
    running = asyncio.create_task(daemon.run())
    await until(lambda: daemon.ready)
    store.write_text("a file where the folder should be")
    await filmed(daemon, slow_host, part, ended, takes=0)
    store.unlink()
    await filmed(daemon, slow_host, part, ended, takes=1)
    daemon.stop()
    await running
    take = reader.read_take(ended[0])
    assert [shot.outcome for shot in take.shots] == ["landed"] * 6


async def test_a_store_that_can_t_be_written_is_told_before_there_is_a_print(host, caplog):
    store = Path("/proc/lapsed")  # where nobody can make a folder, root included (proc(5))
    daemon = app.Daemon(configured(store, host.url), None, kinds=STILL)
    running = asyncio.create_task(daemon.run())
    await until(lambda: f"takes can't be written to {store}: no such file or directory; give yourself" in caplog.text)
    daemon.stop()
    await running


async def test_a_daemon_that_is_stopped_as_a_take_closes_closes_it(host, part, tmp_path, monkeypatch):
    commit, ended = Journal._commit, []

    def slow(journal, entries):
        time.sleep(0.5)  # a disk, in the journal's own thread
        return commit(journal, entries)

    daemon = app.Daemon(configured(tmp_path / "takes", host.url), None, kinds=STILL, ended=ended.append)
    running = asyncio.create_task(daemon.run())
    await until(lambda: daemon.ready)
    await host.bench.begin(part)
    await asyncio.wait_for(host.bench.ended.wait(), 60)
    monkeypatch.setattr(Journal, "_commit", slow)
    await until(lambda: daemon.desk.now().printers[0].take is None)
    daemon.stop()
    await running
    assert [take.outcome for take in reader.list_takes(tmp_path / "takes")] == [Outcome.FINISHED]


async def test_no_hold_begins_while_the_journal_still_has_the_way_back_of_the_shot_before(
    slow_host, part, tmp_path, monkeypatch
):
    commit, note = Journal._commit, slow_host.bench.note
    store, ended, found = tmp_path / "takes", [], []

    def slow(journal, entries):
        time.sleep(0.15)  # a card, in the journal's own thread
        return commit(journal, entries)

    def noted(event, **more):
        note(event, **more)
        if event == "held":
            # What a daemon would find that is started now, after a kill.
            (db,) = store.glob("*/take.db")
            with contextlib.closing(sqlite3.connect(db)) as journal:
                rows = journal.execute("SELECT shot FROM hold WHERE come_back <> '[]'").fetchall()
            found.append((daemon.desk.now().printers[0].shot.number, [row[0] for row in rows]))

    monkeypatch.setattr(Journal, "_commit", slow)
    monkeypatch.setattr(slow_host.bench, "note", noted)
    daemon = app.Daemon(configured(store, slow_host.url), None, kinds=STILL, ended=ended.append)
    running = asyncio.create_task(daemon.run())
    await filmed(daemon, slow_host, part, ended, takes=1)
    daemon.stop()
    await running
    assert len(found) > 1
    assert [(shot, ways) for shot, ways in found if ways not in ([], [shot])] == []


async def test_a_last_shot_that_is_missed_is_accounted_for_as_its_take_closes(slow_host, part, tmp_path):
    ended = []
    kinds = {"gphoto": "tests.camera.kinds.last_missed:open_camera"}
    daemon = app.Daemon(configured(tmp_path / "takes", slow_host.url), None, kinds=kinds, ended=ended.append)
    running = asyncio.create_task(daemon.run())
    await filmed(daemon, slow_host, part, ended, takes=1)
    daemon.stop()
    await running
    last = reader.read_take(ended[0]).shots[-1]
    assert (last.cue, last.outcome, last.reason) == (6, "missed", "the lens cap is on")


async def test_a_camera_that_stays_away_holds_the_print_three_times_and_no_more(host, part, tmp_path, monkeypatch):
    monkeypatch.setenv("DEVICE_HOME", str(tmp_path))
    whole = configured(tmp_path / "takes", host.url).model_dump(mode="json")
    (printer,) = whole["printer"]
    printer["cadence"]["hold_limit_s"] = 2.0
    printer["machine"] |= {"travel_mm_s": 1000, "acceleration_mm_s2": 50_000, "lift_mm_s": 100}
    printer["camera"] = [{"kind": "capture", "name": "main", "lag_s": 0.05, "warm_up_s": 0.0, "ready_within_s": 60}]
    ended, kinds = [], {"capture": "tests.camera.kinds.device:open_camera"}
    daemon = app.Daemon(settings.Settings.model_validate(whole), None, kinds=kinds, ended=ended.append)
    running = asyncio.create_task(daemon.run())
    await until(lambda: daemon.ready)
    (tmp_path / "gone").touch()
    await host.bench.begin(part)
    await until(lambda: ended, 60)
    daemon.stop()
    await running
    assert sum(record.get("event") == "held" for record in host.log.records) == 3
    reasons = [shot.reason for shot in reader.read_take(ended[0]).shots]
    assert len(reasons) == 6
    assert all("the print is not held for it until it is back" in reason for reason in reasons[3:])


@pytest.mark.parametrize("thin", [True, False])
async def test_on_a_full_disk_old_frames_make_room_only_where_the_person_said_so(
    slow_host, part, tmp_path, monkeypatch, thin
):
    store, ended = tmp_path / "takes", []
    old = Journal.create(store, PrintInfo("old.gcode"), {"cameras": ["main"]}, clock.stamp())
    frame = old.folder / "frames" / "main" / "000001.jpg"
    frame.parent.mkdir()
    frame.write_bytes(b"a frame")
    (old.folder / "clips").mkdir()
    (old.folder / "clips" / "wide.mp4").write_bytes(b"a clip")
    await asyncio.wrap_future(old.close(Outcome.FINISHED, "", clock.stamp()))
    for place in (space, thinning):
        monkeypatch.setattr(place, "free_mb", lambda _: 10.0 if frame.exists() else 1000.0)
    whole = configured(store, slow_host.url)
    whole = whole.model_copy(update={"store": settings.Store(folder=store, min_free_mb=50, thin=thin)})
    daemon = app.Daemon(whole, None, kinds=STILL, ended=ended.append)
    running = asyncio.create_task(daemon.run())
    await filmed(daemon, slow_host, part, ended, takes=1)
    daemon.stop()
    await running
    take = reader.read_take(ended[0])
    assert frame.exists() is not thin
    assert ("landed" in {shot.outcome for shot in take.shots}) is thin
    assert [event.kind for event in take.events].count("thinned") == thin


async def test_a_disk_that_fills_up_in_mid_print_costs_shots_until_there_is_room_again(
    slow_host, part, tmp_path, monkeypatch
):
    store, ended, looks = tmp_path / "takes", [], []

    def free_mb(_):
        # Full once the first frame is there, until someone has removed something between two shots.
        looks.append(any(store.glob("*/frames/main/*.jpg")))
        return 10.0 if 1 <= sum(looks) <= 2 else 1000.0

    monkeypatch.setattr(space, "free_mb", free_mb)
    whole = configured(store, slow_host.url)
    whole = whole.model_copy(update={"store": settings.Store(folder=store, min_free_mb=50)})
    daemon = app.Daemon(whole, None, kinds=STILL, ended=ended.append)
    running = asyncio.create_task(daemon.run())
    await filmed(daemon, slow_host, part, ended, takes=1)
    daemon.stop()
    await running
    shots = reader.read_take(ended[0]).shots
    assert [shots[0].outcome, shots[-1].outcome] == ["landed", "landed"]
    assert "the disk has 10 MB left and min_free_mb is 50" in [shot.reason for shot in shots]


async def test_several_cameras_fire_together_and_their_spread_is_journaled(slow_host, part, tmp_path):
    ended = []
    whole = configured(tmp_path / "takes", slow_host.url, cameras=("main", "side"))
    daemon = app.Daemon(whole, None, kinds=STILL, ended=ended.append)
    running = asyncio.create_task(daemon.run())
    await filmed(daemon, slow_host, part, ended, takes=1)
    daemon.stop()
    await running
    take = reader.read_take(ended[0])
    assert sorted((shot.cue, shot.camera) for shot in take.shots if shot.outcome == "landed") == [
        (number, camera) for number in range(1, 7) for camera in ("main", "side")
    ]
    spreads = [event.data["spread_ms"] for event in take.events if event.kind == "spread"]
    assert len(spreads) == 6
    assert all(spread >= 0 for spread in spreads)


async def test_every_cue_is_accounted_for_where_the_pictures_stay_on_the_card(
    slow_host, part, tmp_path, caplog, capsys
):
    caplog.set_level("INFO", logger="lapsed")
    ended, config = [], tmp_path / "lapsed.toml"
    daemon = app.Daemon(configured(tmp_path / "takes", slow_host.url), config, kinds=CARD, ended=ended.append)
    running = asyncio.create_task(daemon.run())
    await filmed(daemon, slow_host, part, ended, takes=1)
    await until(lambda: "frames on the camera's card" in caplog.text)
    assert caplog.text.index("a take of beacon.gcode at bench is begun") < caplog.text.index("is over: finished")
    daemon.stop()
    await running
    take = reader.read_take(ended[0])
    assert [(shot.cue, shot.outcome, shot.reason) for shot in take.shots] == [
        (1, "on card", None),
        (2, "on card", None),
        (3, "missed", "the flash was not ready"),
        (4, "on card", None),
        (5, "on card", None),
        (6, "on card", None),
    ]
    assert "stitching" not in caplog.text
    assert __main__.main(["stitch", str(take.folder)]) == 2
    assert f"lapsed ingest {take.folder} FOLDER" in capsys.readouterr().err
    assert __main__.main(["takes", str(take.folder)]) == 0
    assert "5 frames are on the camera's card" in capsys.readouterr().out


async def test_sync_shots_at_both_ends_are_journaled_and_are_no_frames(host, part, tmp_path, monkeypatch):
    # A short print: the first sync shots are still being taken when it is over.
    monkeypatch.setattr("lapsed.sync_shots.GAPS_S", (0.0, 0.02, 0.06, 0.04))
    monkeypatch.setattr("lapsed.sync_shots.MOST_LATE_S", 20)
    ended, whole = [], configured(tmp_path / "takes", host.url).model_dump(mode="json")
    whole["printer"][0]["camera"] = [
        {"kind": "release", "port": "/dev/null", "sync_shots": True, "exposure_s": 0.01, "expose_within_s": 20}
    ]
    kinds = {"release": "tests.benchmarks.still_camera:open_camera"}
    daemon = app.Daemon(settings.Settings.model_validate(whole), None, kinds=kinds, ended=ended.append)
    running = asyncio.create_task(daemon.run())
    await filmed(daemon, host, part, ended, takes=1)
    daemon.stop()
    await running
    take = reader.read_take(ended[0])
    assert take.outcome == "finished"
    assert {shot.cue for shot in take.shots} == {cue.number for cue in take.cues} == set(range(1, 7))
    times = [event.data["released_s"] for event in take.events if event.kind == "sync"]
    assert len(times) == 2
    assert all(1 <= len(one) <= 4 and one == sorted(one) for one in times)


async def test_a_shot_is_told_to_have_landed_only_once_its_row_is_committed(host, part, tmp_path, monkeypatch):
    commit, ended, seen = Journal._commit, [], []
    safe = 0

    def watched(journal, entries):
        nonlocal safe
        take = daemon.desk.now().printers[0].take
        seen.append((take.landed if take is not None else 0) <= safe)
        faults = commit(journal, entries)
        safe += sum("'landed'" in row.sql or "landed" in row.values for entry in entries for row in entry.rows)
        return faults

    daemon = app.Daemon(configured(tmp_path / "takes", host.url), None, kinds=STILL, ended=ended.append)
    running = asyncio.create_task(daemon.run())
    monkeypatch.setattr(Journal, "_commit", watched)
    await filmed(daemon, host, part, ended, takes=1)
    daemon.stop()
    await running
    assert safe > 0
    assert all(seen)


async def test_a_daemon_with_nothing_to_do_sets_hardly_a_timer(host, tmp_path, monkeypatch):
    daemon = app.Daemon(configured(tmp_path / "takes", host.url), None, kinds=STILL)
    running = asyncio.create_task(daemon.run())
    await until(lambda: daemon.ready)
    loop, timers = asyncio.get_running_loop(), []
    at = loop.call_at

    def counted(when, callback, *args, **more):
        timers.append(when - loop.time())
        return at(when, callback, *args, **more)

    monkeypatch.setattr(loop, "call_at", counted)
    await asyncio.sleep(0.5)
    monkeypatch.undo()
    daemon.stop()
    await running
    assert timers[0] > 0  # our own rest is counted, so that counting works
    assert len(timers) < 10, timers  # a poll every 10 ms would set 50
