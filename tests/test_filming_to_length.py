"""One printer in one process, filmed to a wished length by what the printed file tells, which the host does not."""

import asyncio

import pytest

from lapsed import app, settings
from lapsed.model import Outcome
from lapsed.sim.host import SimHost
from lapsed.sim.pace import Pace
from lapsed.sim.part import write_part
from lapsed.take import reader
from tests.waiting import until

STILL = {"gphoto": "tests.benchmarks.still_camera:open_camera"}
LAYERS, FRAMES = 16, 7


def configured(tmp_path, url, **cadence):
    # This host tells the number of each layer, and neither how many there are nor how long the print takes.
    unknown = {fact: [] for fact in ("layers", "expected_s", "progress", "part_height_mm", "height_mm")}
    printer = {
        "name": "bench",
        "link": {"url": url, "facts": unknown},
        "machine": {"park_point_mm": [8, 212], "settle_s": 0},
        "camera": [{"kind": "gphoto", "name": "main", "exposure_s": 0.01}],
        "cadence": {"length_s": FRAMES / 25, "park": False, **cadence},
        "files": {"folder": tmp_path / "share"},
    }
    store = {"folder": tmp_path / "takes", "min_free_mb": 0}
    return settings.Settings.model_validate({"store": store, "printer": [printer]})


@pytest.fixture
async def host():
    async with SimHost(pace=Pace(150)) as made:
        yield made


@pytest.fixture
def part(tmp_path):
    (tmp_path / "share").mkdir()
    path = tmp_path / "share" / "beacon.gcode"
    path.write_text(write_part(LAYERS))
    return path


def take_in(tmp_path):
    takes = [take.folder for take in reader.list_takes(tmp_path / "takes") if take.problem is None]
    return reader.read_take(takes[0]) if takes else None


def notes(tmp_path):
    take = take_in(tmp_path)
    return [event for event in take.events if event.kind == "plan"] if take is not None else []


async def begun(daemon, host, part):
    """The daemon on its way, and the print paused at its beginning until the file was looked at."""
    running = asyncio.create_task(daemon.run())
    await until(lambda: daemon.ready)
    await host.bench.begin(part)
    await host.bench.pause()
    return running


def landed(take):
    return [shot.cue for shot in take.shots if shot.outcome == "landed"]


async def test_the_clip_comes_out_at_its_length_though_the_host_tells_no_count_and_no_time(host, part, tmp_path):
    ended = []
    daemon = app.Daemon(configured(tmp_path, host.url), None, kinds=STILL, ended=ended.append)
    running = await begun(daemon, host, part)
    await until(lambda: notes(tmp_path))
    host.bench.unpause()
    await until(lambda: ended)
    daemon.stop()
    await running
    take = reader.read_take(ended[0])
    assert abs(len(landed(take)) - FRAMES) <= 1
    (note,) = (event for event in take.events if event.kind == "plan")
    assert (note.data["by"], note.data["layers"], note.data["frames"], note.data["shots"]) == (
        "file",
        LAYERS,
        FRAMES,
        FRAMES,
    )
    assert note.data["print_s"] > 60
    cued = [cue.layer for cue in take.cues]
    assert cued[0] <= 2
    assert cued[-1] >= LAYERS - 1
    assert "url" not in take.meta["settings"]["files"]


async def test_a_daemon_started_again_keeps_the_plan_without_the_file(host, part, tmp_path):
    ended = []
    daemon = app.Daemon(configured(tmp_path, host.url), None, kinds=STILL)
    running = await begun(daemon, host, part)
    await until(lambda: notes(tmp_path))
    host.bench.unpause()
    await until(lambda: len(landed(take_in(tmp_path))) >= 3)
    await host.bench.pause()
    daemon.stop()
    await running
    part.unlink()
    daemon = app.Daemon(configured(tmp_path, host.url), None, kinds=STILL, ended=ended.append)
    running = asyncio.create_task(daemon.run())
    await until(lambda: daemon.ready)
    host.bench.unpause()
    await until(lambda: ended)
    daemon.stop()
    await running
    take = reader.read_take(ended[0])
    assert abs(len(landed(take)) - FRAMES) <= 1
    assert {event.data["by"] for event in take.events if event.kind == "plan"} == {"file"}


async def test_a_file_that_is_not_there_is_noted_and_the_print_filmed_all_the_same(host, part, tmp_path):
    whole = configured(tmp_path, host.url)
    (tmp_path / "elsewhere").mkdir()
    daemon = app.Daemon(whole, None, kinds=STILL)
    running = await begun(daemon, host, part.rename(tmp_path / "elsewhere" / part.name))
    await until(lambda: notes(tmp_path))
    host.bench.unpause()
    await until(lambda: len(landed(take_in(tmp_path))) >= 3)
    texts = [event.text for event in notes(tmp_path)]
    assert texts[0].startswith("the printed file could not be read beforehand: 'beacon.gcode' can't be read in")
    assert texts[1:] == ["7 frames for 0.28 s, a frame of each layer, as nothing tells how many there will be"]
    await host.bench.abandon()
    daemon.stop()
    await running


async def test_a_print_that_ends_while_its_file_is_read_leaves_no_child(host, part, tmp_path):
    ended = []
    daemon = app.Daemon(configured(tmp_path, host.url), None, kinds=STILL, ended=ended.append)
    running = await begun(daemon, host, part)
    await host.bench.abandon()
    await until(lambda: ended)
    daemon.stop()
    await running
    assert reader.read_take(ended[0]).outcome is Outcome.CANCELLED
