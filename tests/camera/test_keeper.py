"""The keeper with real worker processes, whose camera fails by script."""

import asyncio
import contextlib
import os
import signal
import statistics
import subprocess
import sys
import time
from pathlib import Path

import psutil
import pytest

from lapsed.camera.keeper import FINISH_WITHIN_S, Keeper, Starts
from lapsed.clock import monotonic
from lapsed.model import CameraTold, Exposed, Landed, Missed, OnCard, Released
from lapsed.settings import CameraPart

LANDING = [Released, Exposed, Landed]
RETRIED = "landed on a fresh worker"

FAULTS = [
    # call, fault, what becomes of the shot that meets it: a part of the reason, or landed
    ("ready", "away", RETRIED),
    ("ready", "garbage", RETRIED),
    ("ready", "grandchild", RETRIED),
    ("open", "leave", RETRIED),
    ("release", "exit", RETRIED),
    ("release", "abort", RETRIED),
    ("release", "away", RETRIED),
    ("release", "garbage", RETRIED),
    ("release", "miss", "the lens cap is on"),
    ("release", "hang", "the camera did not fire in time; its worker was ended"),
    ("expose", "exit", "released, but then the worker ended with code 3"),
    ("expose", "away", "released, but then the camera is asleep"),
    ("expose", "hang", "the camera was released, but its shutter did not close in time"),
    ("expose", "garbage", RETRIED),
    ("fetch", "raise", "(ValueError: vendor code went wrong)"),
    ("fetch", "half", "exposed, but then the worker ended with code 3"),
    ("fetch", "hang", "exposed, but the file was not fetched within 0.5 s"),
    ("fetch", "cut", "000001.jpg stops before its end"),
    ("fetch", "none", "there is no file"),
    ("clear", "exit", RETRIED),
    ("clear", "hang", RETRIED),
]


@pytest.mark.parametrize(
    ("call", "fault", "becomes"), [pytest.param(*row, id=f"{row[1]} in {row[0]}") for row in FAULTS]
)
async def test_a_fault_costs_no_more_than_its_shot(scripted, call, fault, becomes):
    # Only what hangs has to wait for its limit; on a busy machine everything else needs more.
    limits = {} if fault == "hang" else {"expose_within_s": 10.0, "fetch_within_s": 10.0}
    async with scripted({call: [fault]}, **limits) as camera:
        camera.order(1)
        camera.order(2)
        first, second = await camera.end(1), await camera.end(2)
        if (call, fault) == ("clear", "hang"):
            assert isinstance(second, Missed)
            second = await camera.shoot(3)
    if becomes == RETRIED:
        assert camera.stations(1) == LANDING, first
    else:
        assert isinstance(first, Missed)
        assert becomes in first.reason
    assert isinstance(second, Landed), second
    for shot in (1, 2):
        assert len(camera.ends(shot)) == 1
        assert camera.of(shot)[-1] == camera.ends(shot)[0]
    landed = {event.files[0] for event in camera.told if isinstance(event, Landed)}
    assert landed == {path.name for path in camera.folder.iterdir()}


async def test_a_camera_that_comes_and_goes_is_told_once_each_time(scripted):
    async with scripted({"ready": ["away", "away", "away", "ok"]}) as camera:
        await camera.ready()
    assert camera.told == [
        CameraTold("main", ready=False, text="the camera is asleep"),
        CameraTold("main", ready=True, text="a scripted camera"),
    ]


async def test_an_order_waits_for_a_camera_only_as_long_as_it_may(scripted):
    async with scripted({"ready": ["away"] * 50}) as camera:
        await camera.until(bool)  # a busy machine takes its time to start a worker
        missed = await camera.shoot(1, within_s=2.0)
    assert isinstance(missed, Missed)
    assert missed.reason == "the camera was not ready in time: the camera is asleep"


async def test_a_camera_that_does_not_open_in_time_is_opened_anew(scripted):
    async with scripted({"ready": ["hang"]}, ready_within_s=2.5) as camera:
        assert isinstance(await camera.shoot(1), Landed)
    assert camera.told[0].text == "the camera could not be opened within 2.5 s"


async def test_an_order_while_another_is_fetched_waits_or_is_missed_with_the_reason(scripted):
    async with scripted({"fetch": ["ok", "slow"]}) as camera:
        await camera.shoot(1)
        camera.order(2)
        await camera.heard(Exposed, 2)
        camera.order(3, within_s=0.05)
        camera.order(4)
        assert await camera.end(3) == Missed(3, "main", camera.ends(3)[0].at_s, "the camera was still fetching shot 2")
        assert isinstance(await camera.end(4), Landed)
        assert camera.stations(2) == LANDING


async def test_the_shutter_must_close_by_the_given_instant(scripted):
    async with scripted({"expose": ["slow"]}) as camera:
        await camera.ready()
        began = monotonic()
        missed = await camera.shoot(1, within_s=0.1)
        assert isinstance(missed, Missed)
        assert 0.1 <= missed.at_s - began < 0.2
        assert isinstance(await camera.shoot(2), Landed)


async def test_raw_and_jpeg_of_a_shot_share_its_name(scripted):
    async with scripted({"fetch": ["pair"]}) as camera:
        landed = await camera.shoot(1)
    assert isinstance(landed, Landed)
    assert landed.files == ("000001.jpg", "000001.raw")
    assert landed.size_bytes == sum((camera.folder / name).stat().st_size for name in landed.files)


async def test_a_picture_that_stays_on_the_card_ends_its_shot_without_a_file(scripted):
    async with scripted({"fetch": ["card", "ok"]}) as camera:
        kept = await camera.shoot(1)
        assert isinstance(kept, OnCard)
        assert camera.stations(1) == [Released, Exposed, OnCard]
        assert isinstance(await camera.shoot(2), Landed)
    assert [path.name for path in camera.folder.iterdir()] == ["000002.jpg"]


async def test_names_are_relative_to_the_folder_of_the_order(scripted):
    async with scripted() as camera:
        camera.keeper.order(1, camera.folder.parent, "frames/000001", monotonic() + 5)
        landed = await camera.end(1)
    assert isinstance(landed, Landed)
    assert landed.files == ("frames/000001.jpg",)


async def test_a_frame_that_is_there_is_never_replaced(scripted):
    async with scripted() as camera:
        frame = camera.folder / "000001.jpg"
        frame.write_bytes(b"an earlier frame")
        missed = await camera.shoot(1)
        assert isinstance(missed, Missed)
        assert "is there already" in missed.reason
    assert frame.read_bytes() == b"an earlier frame"
    assert list(camera.folder.iterdir()) == [frame]


async def test_a_folder_that_is_gone_is_a_miss_with_the_reason(scripted):
    async with scripted() as camera:
        camera.keeper.order(1, camera.folder / "gone", "000001", monotonic() + 5)
        missed = await camera.end(1)
        assert isinstance(missed, Missed)
        assert "No such file" in missed.reason
        assert isinstance(await camera.shoot(2), Landed)


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGSTOP, signal.SIGTERM])
async def test_a_signal_to_an_idle_worker_costs_one_shot_at_most(scripted, number):
    async with scripted() as camera:
        await camera.ready()
        os.kill(camera.keeper.worker_pid, number)
        await asyncio.sleep(0.02)
        first = await camera.shoot(1)
        # A frozen worker is found out by the shot that it does not answer; the daemon's own signals don't reach it.
        assert isinstance(first, Missed if number is signal.SIGSTOP else Landed)
        assert isinstance(await camera.shoot(2), Landed)


@pytest.mark.parametrize(
    ("call", "lands"),
    [
        pytest.param("release", True, id="before the release"),
        pytest.param("expose", False, id="while the shutter is open"),
        pytest.param("fetch", False, id="during the fetch"),
    ],
)
async def test_a_worker_killed_in_a_shot(scripted, tmp_path, call, lands):
    async with scripted({call: ["hang"]}, expose_within_s=5, fetch_within_s=5) as camera:
        await camera.ready()
        camera.order(1)
        while not (tmp_path / "home-main" / call).exists():  # noqa: ASYNC110 - another process makes it
            await asyncio.sleep(0.01)
        os.kill(camera.keeper.worker_pid, signal.SIGKILL)
        first = await camera.end(1)
        assert isinstance(first, Landed if lands else Missed)
        assert lands or "the worker ended by signal 9" in first.reason
        assert isinstance(await camera.shoot(2), Landed)


@pytest.mark.parametrize(
    ("fault", "how", "finish_s"),
    [
        pytest.param("ready", "stop", 0.1, id="opening"),
        pytest.param("release", "cancel", 0.1, id="releasing"),
        pytest.param("fetch", "stop", FINISH_WITHIN_S, id="fetching, with all the time it may take"),
        pytest.param("stop", "cancel", 0.1, id="closing"),
    ],
)
async def test_ends_within_3_s_whatever_hangs_and_accounts_for_every_order(scripted, monkeypatch, fault, how, finish_s):
    monkeypatch.setattr("lapsed.camera.keeper.FINISH_WITHIN_S", finish_s)
    limits = {"expose_within_s": 60, "fetch_within_s": 60, "ready_within_s": 60}
    async with scripted({fault: ["hang"]}, **limits) as camera:
        camera.order(1, within_s=60)
        camera.order(2, within_s=60)
        await asyncio.sleep(0.6)
        pid = camera.keeper.worker_pid
        began = monotonic()
        if how == "stop":
            await camera.keeper.stop()
        else:
            camera.run.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await camera.run
        assert monotonic() - began < 3
        camera.order(3)
        assert [len(camera.ends(shot)) for shot in (1, 2, 3)] == [1, 1, 1]
        assert not psutil.pid_exists(pid)


async def test_a_shot_in_hand_lands_although_we_stop(scripted):
    async with scripted({"fetch": ["slow"]}) as camera:
        camera.order(1)
        await camera.heard(Exposed, 1)
        await camera.keeper.stop()
        assert isinstance(camera.ends(1)[0], Landed)


async def test_an_order_before_the_keeper_runs_or_after_is_missed(scripted):
    async with scripted() as camera:
        await camera.keeper.stop()
        missed = await camera.shoot(1)
    assert isinstance(missed, Missed)
    assert missed.reason == "the camera is not looked after: lapsed is starting or stopping"


async def test_ordering_takes_no_time_and_cameras_fire_together(scripted):
    async with contextlib.AsyncExitStack() as stack:
        patient = {"expose_within_s": 10.0, "fetch_within_s": 10.0}
        names = ("wide", "near", "top")
        cameras = [await stack.enter_async_context(scripted(name=name, **patient)) for name in names]
        for number, camera in enumerate(cameras):
            camera.folder = camera.folder / str(number)
            camera.folder.mkdir()
            await camera.ready()
        took, spread = [], []
        for shot in range(1, 31):
            for camera in cameras:
                began = time.perf_counter()
                camera.order(shot)
                took.append(time.perf_counter() - began)
            for camera in cameras:
                assert isinstance(await camera.end(shot), Landed)
            released = [camera.of(shot)[0].at_s for camera in cameras]
            spread.append(max(released) - min(released))
    # Budgets: an order in the pipe in well under 1 ms, and a twentieth of the usual shutter time between releases.
    assert statistics.median(took) < 0.001
    assert statistics.median(spread) < 0.0125


DAEMON = """
import asyncio, sys
from pathlib import Path
from lapsed.camera.keeper import Keeper
from lapsed.settings import CameraPart

class Part(CameraPart):
    script: dict[str, list[str]]
    home: str

async def main():
    keeper = Keeper(Part(script={sys.argv[1]: ["hang"]}, home=sys.argv[2]), "scripted:open_camera", print)
    run = asyncio.create_task(keeper.run())
    while not Path(sys.argv[2], sys.argv[1]).exists():
        await asyncio.sleep(0.01)
    print(keeper.worker_pid, flush=True)
    await run

asyncio.run(main())
"""


@pytest.mark.parametrize("call", ["open", "ready"])
def test_no_worker_outlives_a_daemon_that_is_killed(tmp_path, call):
    kinds = Path(__file__).parent / "kinds"
    env = {**os.environ, "PYTHONPATH": f"{Path.cwd()}:{kinds}", "TMPDIR": str(tmp_path)}
    with subprocess.Popen(
        [sys.executable, "-c", DAEMON, call, str(tmp_path)], env=env, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    ) as daemon:
        worker = psutil.Process(int(daemon.stdout.readline()))
        daemon.kill()
    with contextlib.suppress(psutil.NoSuchProcess):
        worker.wait(timeout=2)
    assert not worker.is_running()


async def test_a_worker_imports_nothing_from_the_folder_it_is_started_in(scripted, tmp_path, monkeypatch):
    (tmp_path / "select.py").write_text("raise SystemExit('a file that happens to lie here')")
    (tmp_path / "ctypes.py").write_text("raise SystemExit('a file that happens to lie here')")
    monkeypatch.syspath_prepend(Path.cwd())
    monkeypatch.chdir(tmp_path)
    async with scripted() as camera:
        assert isinstance(await camera.shoot(1), Landed)


def test_the_daemon_loads_no_library_of_the_cameras_or_of_pictures():
    code = "import sys, lapsed.camera.keeper, lapsed.camera.kind; print(*sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert not {"gphoto2", "cv2", "av", "numpy", "lapsed.camera.gphoto"} & set(loaded)


async def test_a_worker_that_cannot_be_started_is_told_and_tried_again(scripted, monkeypatch):
    real, tries = subprocess.Popen, []

    def popen(*args, **kwargs):
        tries.append(args)
        if len(tries) == 1:
            raise OSError(11, "Resource temporarily unavailable")
        return real(*args, **kwargs)

    monkeypatch.setattr(subprocess, "Popen", popen)
    async with scripted() as camera:
        assert isinstance(await camera.shoot(1), Landed)
    assert camera.told[0].text == "the worker could not be started: Resource temporarily unavailable"


async def test_workers_start_no_more_at_a_time_than_they_may_but_a_wanted_frame_waits_for_none(tmp_path):
    starts, told, most = Starts(1), [], 0
    still = "tests.benchmarks.still_camera:open_camera"
    keepers = [Keeper(CameraPart(name=f"c{number}"), still, told.append, starts) for number in range(4)]
    running = [asyncio.create_task(keeper.run()) for keeper in keepers]
    async with asyncio.timeout(60):
        while sum(isinstance(event, CameraTold) for event in told) < 3:
            pids = sum(keeper.worker_pid is not None for keeper in keepers)
            most = max(most, pids - sum(isinstance(event, CameraTold) for event in told))
            await asyncio.sleep(0.005)
    assert most == 1
    held = [starts.begin(), starts.begin()]
    for number, keeper in enumerate(keepers):
        (tmp_path / f"{number}").mkdir()
        keeper.order(number, tmp_path / f"{number}", "frame", monotonic() + 60)
    async with asyncio.timeout(60):
        ends = (Landed, Missed)
        while sum(isinstance(event, ends) for event in told) < 4:  # noqa: ASYNC110 - workers are waited for
            await asyncio.sleep(0.01)
    for keeper in keepers:
        await keeper.stop()
    await asyncio.gather(*running)
    assert held[1] is False
    assert {type(event) for event in told if not isinstance(event, CameraTold)} == set(LANDING), told


async def test_no_home_of_a_worker_stays_behind(scripted, tmp_path, monkeypatch):
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    async with scripted() as camera:
        await camera.ready()
        assert len(list(tmp_path.glob("lapsed-camera-*"))) == 1
    assert list(tmp_path.glob("lapsed-camera-*")) == []
