"""The duties of a service, each with what would break it: the watchdog, SIGHUP, the end in the middle of a shot."""

import asyncio
import gc
import json
import re
import socket
import sys
import time
from pathlib import Path

import pytest

from lapsed import app, service, settings, stitcher
from lapsed.camera import keeper
from lapsed.clock import stamp
from lapsed.model import Cue, Landed, Outcome, PrintInfo, Why
from lapsed.service import _Service
from lapsed.sim.host import SimHost
from lapsed.sim.pace import Pace
from lapsed.sim.part import write_part
from lapsed.take import reader
from lapsed.take.journal import Journal
from lapsed.take.records import CameraNoted, CueNoted
from lapsed.web.bell import Bell
from tests.waiting import until

STUCK = {"gphoto": "tests.camera.kinds.stuck:open_camera"}
FETCHING = {"gphoto": "tests.camera.kinds.stuck:open_fetching"}
UNIT = (Path(__file__).parents[1] / "systemd" / "lapsed.service").read_text()


class Counting:
    """A service manager that counts how often it is fed."""

    feed_every_s = 0.005

    def __init__(self):
        self.fed = 0
        self.told = []

    def alive(self):
        self.fed += 1

    def status(self, text):
        self.told.append(text)


def made(config=Path("/nowhere")):
    """A service that has not begun, with a manager that counts."""
    whole = settings.Settings.model_construct(web=settings.Web(serve=False))
    one = _Service(whole, config)
    one._manager = Counting()
    return one


async def test_the_watchdog_is_fed_by_the_loop_and_starves_while_it_stands_still():
    one = made()
    feeding = asyncio.create_task(one._feed())
    await until(lambda: one._manager.fed >= 3)
    before = one._manager.fed
    time.sleep(0.1)  # noqa: ASYNC251 - the fault: nothing on the loop gets its turn
    assert one._manager.fed == before
    await until(lambda: one._manager.fed > before)
    feeding.cancel()
    await asyncio.gather(feeding, return_exceptions=True)


async def test_what_was_imported_is_not_looked_through_for_garbage_between_shots(monkeypatch):
    frozen = []

    async def noting(_):
        frozen.append(gc.get_freeze_count())

    monkeypatch.setattr(_Service, "run", noting)
    try:
        await service.serve(settings.Settings.model_construct(), Path("/nowhere"))
    finally:
        gc.unfreeze()
    assert frozen[0] > 10_000


class Filming:
    """A daemon that films until it is told otherwise."""

    def __init__(self):
        self.bell = Bell()
        self.desk = self
        self.idle = False
        self.stopped = False

    def now(self):
        return service.Now(version="", began_utc="", printers=(), stitch=None, disk=None)

    def stop(self):
        self.stopped = True


async def test_a_configuration_read_anew_waits_for_the_end_of_the_print(monkeypatch):
    monkeypatch.setattr(service, "LEAST_BETWEEN_S", 0.0)
    monkeypatch.setattr(service.configuration, "load", lambda _: "the new one")
    one, daemon = made(), Filming()
    one._daemon = daemon
    watching = asyncio.create_task(one._watch(daemon))
    one.read_anew()
    await until(lambda: len(one._manager.told) >= 1)
    daemon.bell.ring()
    await until(lambda: len(one._manager.told) >= 2)
    assert (daemon.stopped, one._next) == (False, "the new one")
    daemon.idle = True
    daemon.bell.ring()
    await until(lambda: daemon.stopped)
    watching.cancel()
    await asyncio.gather(watching, return_exceptions=True)


def filming(url, store, **camera):
    printer = {
        "name": "bench",
        "link": {"url": url},
        "machine": {"park_point_mm": [8, 212], "settle_s": 0},
        "camera": [{"kind": "gphoto", "exposure_s": 0.01, **camera}],
        "cadence": {"every_layers": 1, "hold_limit_s": 120},
    }
    whole = {"store": {"folder": store, "min_free_mb": 0}, "printer": [printer]}
    return settings.Settings.model_validate(whole)


async def test_an_end_in_the_middle_of_a_shot_lets_the_print_go_on(tmp_path, monkeypatch):
    monkeypatch.setattr(app, "LEAVE_WITHIN_S", 0.5)
    monkeypatch.setattr(app, "FETCH_WITHIN_S", 0.5)
    part = tmp_path / "beacon.gcode"
    part.write_text(write_part(3))
    async with SimHost(pace=Pace(60)) as host:
        daemon = app.Daemon(filming(host.url, tmp_path / "takes", expose_within_s=100), None, kinds=STUCK)
        running = asyncio.create_task(daemon.run())
        await until(lambda: daemon.ready)
        await host.bench.begin(part)
        await until(lambda: (shot := daemon.desk.now().printers[0].shot) is not None and shot.phase == "exposing")
        daemon.stop()
        await asyncio.wait_for(running, 60)
        await asyncio.wait_for(host.bench.ended.wait(), 60)
    (take,) = reader.list_takes(tmp_path / "takes")
    assert take.outcome is None  # the next daemon goes on with it
    first = reader.read_take(take.folder).cues[0]
    assert (first.number, first.resumed_s is not None) == (1, True)


async def test_a_print_is_told_to_the_hook_from_its_begin_to_its_clips(tmp_path):
    heard, part = tmp_path / "heard", tmp_path / "beacon.gcode"
    part.write_text(write_part(2))
    keep = f"import sys; open({str(heard)!r}, 'a').write(sys.stdin.read() + chr(10))"
    config = tmp_path / "lapsed.toml"
    config.write_text("printer = [{ name = 'bench', link.kind = 'signal', camera = [{ kind = 'gphoto' }] }]")
    async with SimHost(pace=Pace(60)) as host:
        whole = filming(host.url, tmp_path / "takes")
        whole = whole.model_copy(update={"notice": settings.Notice(command=(sys.executable, "-c", keep))})
        daemon = app.Daemon(whole, config, kinds={"gphoto": "tests.benchmarks.still_camera:open_camera"})
        running = asyncio.create_task(daemon.run())
        await until(lambda: daemon.ready)
        await host.bench.begin(part)
        # The camera's pictures are none, so that the stitching has something to say.
        await until(lambda: heard.exists() and heard.read_text().count("\n") == 3, 60)
        daemon.stop()
        await asyncio.wait_for(running, 60)
    told = [json.loads(line) for line in heard.read_text().splitlines()]
    assert [(one["kind"], one["printer"]) for one in told] == [
        ("take started", "bench"),
        ("take ended", "bench"),
        ("trouble", ""),
    ]
    (take,) = reader.list_takes(tmp_path / "takes")
    assert [one["take"] for one in told] == [take.name] * 3
    assert told[0]["text"] == "beacon.gcode is being filmed"


async def test_an_end_waits_for_the_head_longer_than_for_a_frame(tmp_path, monkeypatch):
    monkeypatch.setattr(app, "LEAVE_WITHIN_S", 600.0)
    monkeypatch.setattr(app, "FETCH_WITHIN_S", 0.1)
    part = tmp_path / "beacon.gcode"
    part.write_text(write_part(3))
    async with SimHost(pace=Pace(60)) as host:
        daemon = app.Daemon(filming(host.url, tmp_path / "takes", fetch_within_s=100), None, kinds=FETCHING)
        running = asyncio.create_task(daemon.run())
        await until(lambda: daemon.ready)
        await host.bench.begin(part)
        await until(lambda: daemon._runners[0]._state.pending and daemon.desk.now().printers[0].shot is None)
        daemon.stop()
        await asyncio.wait_for(running, 60)
        await asyncio.wait_for(host.bench.ended.wait(), 60)


def test_all_that_a_stop_waits_for_is_over_within_5_s():
    # The head at worst, then a worker that still fetches, and one that was killed.
    assert app.FETCH_WITHIN_S < app.LEAVE_WITHIN_S
    assert app.LEAVE_WITHIN_S + keeper.FINISH_WITHIN_S <= 5


@pytest.mark.parametrize(
    ("inside", "due"),
    [
        (("frames/main/000001.jpg",), True),
        (("frames/main/000001.jpg", "clips/wide.mp4", "clips/judged.csv"), True),  # the next clip was being made
        (("frames/main/000001.jpg", "clips/wide.mp4", "clips/sheet.jpg"), False),
        (("clips/wide.mp4",), False),  # thinned: its frames made room
    ],
)
def test_a_take_whose_stitching_was_cut_off_is_stitched_at_the_next_start(tmp_path, inside, due):
    journal = Journal.create(tmp_path, PrintInfo("beacon"), {"cameras": ["main"]}, stamp())
    now = stamp()
    landed = Landed(1, "main", now.mono_s, ("frames/main/000001.jpg",), 1)
    journal.submit(CueNoted(Cue(1, Why.LAYER, now.mono_s), now), CameraNoted(landed, now)).result(10)
    for name in inside:
        path = journal.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"it")
    assert app._unstitched(tmp_path) == []  # it is being filmed
    journal.close(Outcome.FINISHED, "", stamp()).result(10)
    assert app._unstitched(tmp_path) == ([journal.folder] if due else [])


def seconds(key):
    return float(re.search(rf"^{key}=(\d+)$", UNIT, re.MULTILINE)[1])


def test_the_unit_waits_longer_than_the_daemon_takes_to_end():
    # All run one after the other at worst: a stitch is told to end, then killed; the page lets go within a second.
    assert seconds("TimeoutStopSec") > app.LEAVE_WITHIN_S + 2 * stitcher.END_WITHIN_S + 1


@pytest.mark.parametrize("key", ["WatchdogSec", "RestartSec"])
def test_a_loop_that_stands_still_is_followed_by_another_daemon(key):
    assert 0 < seconds(key) <= 20
    assert "Restart=always" in UNIT


async def test_a_page_whose_port_is_taken_is_told_with_the_printers_that_go_unheard(tmp_path, caplog):
    with socket.create_server(("127.0.0.1", 0)) as other:
        web = settings.Web(port=other.getsockname()[1])
        camera = settings.GphotoCamera(kind="gphoto")
        cadence, link = settings.Cadence(every_layers=1, park=False), settings.SignalLink(kind="signal")
        printer = settings.Printer(name="pier", link=link, cadence=cadence, camera=(camera,))
        whole = settings.Settings(printer=(printer,), store=settings.Store(folder=tmp_path), web=web)
        assert service._page(whole, app.Daemon(whole, None)) is None
    assert "Address already in use; choose another in [web]; until then no signal of pier is heard" in caplog.text
