"""What the page may ask of a real daemon, and what becomes of it."""

import asyncio
import re
from contextlib import asynccontextmanager

import pytest

from lapsed import app, settings
from lapsed.errors import UserError
from lapsed.reception import Reception
from lapsed.sim.host import SimHost
from lapsed.sim.pace import Pace
from lapsed.sim.part import write_part
from lapsed.stitcher import Stitcher
from lapsed.take import reader, space
from lapsed.web.bell import Bell
from lapsed.web.takes import NotHereError
from lapsed.web.words import StitchWish
from tests.waiting import until

STILL = {"gphoto": "tests.benchmarks.still_camera:open_camera"}


@pytest.fixture
def workshop(tmp_path):
    """A daemon at work beside a simulated host, and its desk."""

    @asynccontextmanager
    async def work(speed=60.0, layers=40):
        async with SimHost(pace=Pace(speed)) as host:
            part = tmp_path / "beacon.gcode"
            part.write_text(write_part(layers))
            printer = {
                "name": "pier",
                "link": {"url": host.url},
                "machine": {"park_point_mm": [8, 212], "settle_s": 0},
                "camera": [{"kind": "gphoto", "exposure_s": 0.01}],
                "cadence": {"every_layers": 1, "last_frame": False},
            }
            whole = {"store": {"folder": tmp_path / "takes", "min_free_mb": 0}, "printer": [printer]}
            daemon = app.Daemon(settings.Settings.model_validate(whole), None, kinds=STILL)
            running = asyncio.create_task(daemon.run())
            await until(lambda: daemon.ready)
            try:
                yield daemon, host, part
            finally:
                daemon.stop()
                await running

    return work


def filming(desk):
    return desk.now().printers[0].take


async def test_before_a_print_a_test_frame_and_a_look_over(workshop, tmp_path):
    async with workshop() as (daemon, _, _):
        done = await daemon.desk.shoot("pier", None)
        assert daemon.desk.test_frame(done.frame).read_bytes()[:2] == b"\xff\xd8"
        with pytest.raises(UserError, match="no camera side"):
            await daemon.desk.shoot("pier", "side")
        for name in ("../takes/none", "none.jpg", "."):
            with pytest.raises(NotHereError):
                daemon.desk.test_frame(name)
        for _ in range(11):
            done = await daemon.desk.shoot("pier", "main")
        assert len(list((tmp_path / "takes" / "test-frames").iterdir())) <= 10
        assert daemon.desk.test_frame(done.frame).is_file()
        lines = (await daemon.desk.check("pier")).checks
        assert {"host", "park point", "folder", "disk space"} <= {line.what for line in lines}
        assert any(line.what.startswith("camera main") for line in lines)
        assert all(line.verdict in ("pass", "warn", "fail") for line in lines)
        with pytest.raises(NotHereError, match="there is no printer 'mole'"):
            daemon.desk.skip("mole", on=True)
        with pytest.raises(UserError, match="no take"):
            daemon.desk.end_take("pier")


async def test_a_disk_too_small_for_the_print_is_told_once_and_holds_nothing(workshop, tmp_path, monkeypatch):
    monkeypatch.setattr(space, "free_mb", lambda _: 30e-6)  # the still camera's pictures have 8 bytes
    async with workshop(layers=6) as (daemon, host, part):
        await host.bench.begin(part)
        await until(lambda: daemon.desk.now().printers[0].trouble is not None)
        folder = tmp_path / "takes" / filming(daemon.desk).name
        told = daemon.desk.now().printers[0].trouble.text
        assert told.startswith("the disk has room for 3 more shots of ")
        await asyncio.wait_for(host.bench.ended.wait(), 60)
        await until(lambda: filming(daemon.desk) is None)
    view = reader.read_take(folder)
    assert [event.text for event in view.events if event.kind == "supplies"] == [told]
    assert {shot.outcome for shot in view.shots} == {"landed"}
    assert [event.data["camera"] for event in view.events if event.kind == "camera"] == ["main"]  # as it was found


async def test_during_a_print_shots_are_skipped_asked_for_and_the_take_ended(workshop, tmp_path):
    async with workshop() as (daemon, host, part):
        desk = daemon.desk
        await host.bench.begin(part)
        await until(lambda: filming(desk) is not None and filming(desk).landed >= 2)
        name = filming(desk).name
        folder = tmp_path / "takes" / name
        assert filming(desk).last_frame.file.startswith("frames/main/")
        with pytest.raises(UserError, match="still being filmed"):
            await desk.delete(folder)
        with pytest.raises(UserError, match="still being filmed"):
            desk.stitch(folder, StitchWish())
        lines = {line.what: line.found for line in (await desk.check("pier")).checks}
        assert lines["camera main"].startswith("filming")
        assert re.search("room for [0-9]+ shots of .* wants [0-9]+$", lines["disk space"])  # by this take's own frames
        desk.skip("pier", on=True)
        missed = filming(desk).missed
        await until(lambda: filming(desk).missed >= missed + 2)
        landed = filming(desk).landed
        await until(lambda: desk.now().printers[0].shot is None)
        await desk.shoot("pier", None)
        await until(lambda: filming(desk).landed > landed)
        desk.end_take("pier")
        await until(lambda: filming(desk) is None)
        await asyncio.wait_for(host.bench.ended.wait(), 60)
        view = reader.read_take(folder)
        assert (view.outcome, view.reason) == ("cancelled", "the take was ended by hand")
        assert any(cue.why == "by hand" for cue in view.cues)
        assert {cue.number for cue in view.cues} == {shot.cue for shot in view.shots}
        assert any(shot.reason == "shots were being skipped by hand" for shot in view.shots)
        done = desk.stitch(folder, StitchWish(clips=("wide",), size="160x120", rate="25", length_s=1, codec="h264"))
        assert done.text
        with pytest.raises(UserError, match="stitched"):
            await desk.delete(folder)


async def test_a_take_is_deleted_whole(workshop, tmp_path):
    async with workshop(speed=150.0, layers=4) as (daemon, host, part):
        desk, heard = daemon.desk, daemon.desk.bell.count
        await host.bench.begin(part)
        await asyncio.wait_for(host.bench.ended.wait(), 60)
        await until(lambda: filming(desk) is None)
        (take,) = reader.list_takes(tmp_path / "takes")
        done = await desk.delete(take.folder)
        assert done.text == f"{take.name} and its 4 shots are deleted"
        assert reader.list_takes(tmp_path / "takes") == []
        assert desk.bell.count > heard


class Noting(Stitcher):
    """Notes what is to be stitched."""

    def __init__(self):
        super().__init__(None)
        self.asked = []

    def enqueue(self, *takes, options=()):
        self.asked.append((takes, options))


async def test_wishes_for_a_clip_become_the_options_of_the_command(tmp_path):
    stitcher = Noting()
    store = settings.Store(folder=tmp_path)
    desk = Reception(settings.Settings.model_construct(store=store), {}, stitcher, Bell())
    desk.stitch(tmp_path / "take", StitchWish(clips=("wide",), rate="25", length_s=1.5, keep=(4,), drop=(7, 12)))
    options = ["--clip", "wide", "--rate", "25", "--length", "1.5", "--keep", "4", "--drop", "7,12"]
    assert stitcher.asked == [((tmp_path / "take",), tuple(options))]
    with pytest.raises(UserError, match="shot 7 can't be both"):
        desk.stitch(tmp_path / "take", StitchWish(keep=(7, 9), drop=(7,)))
