import asyncio
import json
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from websockets.asyncio.server import ServerConnection, serve

from lapsed.camera.landing import Landing
from lapsed.clock import monotonic
from lapsed.errors import RetryError, ShotMissedError
from lapsed.settings import SceneCamera
from lapsed.sim.host import SimHost
from lapsed.sim.pace import Pace
from lapsed.sim.scene import View
from lapsed.sim.scene_camera import DrawnCamera, open_camera
from lapsed.sim.sight import Glimpse, Sight, Studio

Tower = Callable[[int], Path]
SIZE = (128, 96)
BED = ((0.0, 220.0), (0.0, 220.0))


def camera_at(url: str) -> DrawnCamera:
    part = SceneCamera(kind="scene", url=url, width_px=SIZE[0], height_px=SIZE[1], exposure_s=0.002)
    return open_camera(part.model_dump())


async def apart(work: Callable[..., Any], *given: object) -> Any:
    """What `work` gives, done in a thread that ends with it."""
    with ThreadPoolExecutor(1) as pool:
        return await asyncio.get_running_loop().run_in_executor(pool, work, *given)


def shoot(camera: DrawnCamera, folder: Path, stem: str) -> tuple[bytes, float]:
    """The picture of one shot, and when its release was told."""
    at_s: list[float] = []
    camera.release(monotonic() + 5, at_s.append)
    landing = Landing(folder, stem)
    camera.fetch(landing)
    files, size = landing.land()
    camera.clear()
    picture = (folder / files[0]).read_bytes()
    assert size == len(picture)
    assert len(at_s) == 1
    return picture, at_s[0]


def seen(jpeg: bytes) -> np.ndarray:
    return cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_COLOR).astype(int)


async def test_shoots_the_print_as_it_stands(fast: Pace, tower: Tower, tmp_path: Path) -> None:
    def film(url: str, stems: tuple[str, ...]) -> list[bytes]:
        camera = camera_at(url)
        try:
            assert camera.ensure_ready() == "a drawn camera of 128x96 pixels"
            before = monotonic()
            pictures = []
            for stem in stems:
                picture, at_s = shoot(camera, tmp_path, stem)
                assert before <= at_s <= monotonic()
                pictures.append(picture)
            assert camera.idle() == camera.ensure_ready()
            return pictures
        finally:
            camera.ensure_stopped()
            camera.ensure_stopped()

    async with SimHost(pace=fast) as host:
        idle = await apart(film, host.url, ("one", "two"))
        await host.bench.begin(tower(40))
        await host.bench.ended.wait()
        printed = await apart(film, host.url, ("three", "four"))
    assert [seen(picture).shape for picture in idle + printed] == 4 * [(SIZE[1], SIZE[0], 3)]
    assert np.abs(seen(idle[0]) - seen(idle[1])).max() < 20
    assert np.abs(seen(idle[0]) - seen(printed[0])).max() > 80
    assert all(picture[:4] == b"\xff\xd8\xff\xe1" for picture in printed)


async def test_the_scene_is_the_one_of_the_release_and_not_of_the_fetch(tower: Tower, tmp_path: Path) -> None:
    def release(camera: DrawnCamera) -> None:
        camera.ensure_ready()
        camera.release(monotonic() + 5, lambda _at_s: None)

    def fetch(camera: DrawnCamera, stem: str) -> bytes:
        landing = Landing(tmp_path, stem)
        camera.fetch(landing)
        files, _ = landing.land()
        camera.ensure_stopped()
        return (tmp_path / files[0]).read_bytes()

    async with SimHost(pace=Pace(2000.0)) as host:
        early, late = camera_at(host.url), camera_at(host.url)
        await apart(release, early)
        await host.bench.begin(tower(40))
        await host.bench.ended.wait()
        await apart(release, late)
        pictures = [seen(await apart(fetch, *of)) for of in ((early, "early"), (late, "late"))]
    assert np.abs(pictures[0] - pictures[1]).max() > 80


def test_a_fetch_without_a_release_is_a_missed_shot(tmp_path: Path) -> None:
    with pytest.raises(ShotMissedError, match="nothing was exposed"):
        camera_at("ws://127.0.0.1:9/").fetch(Landing(tmp_path, "none"))


def test_a_host_that_is_away_is_tried_again_later() -> None:
    told: list[float] = []
    camera = camera_at("ws://127.0.0.1:9/")
    with pytest.raises(RetryError, match=r"the simulated host at ws://127\.0\.0\.1:9/ tells no scene"):
        camera.ensure_ready()
    with pytest.raises(RetryError):
        camera.release(monotonic() + 1, told.append)
    assert told == []


ODD = [
    '{"id": 1, "error": {"code": -32601, "message": "no such method"}}',
    '{"id": 1, "result": {}}',
    '{"id": 1, "result": {"file": 3, "lines_done": 0, "head": null, "bed": []}}',
    "not JSON",
]


@pytest.mark.parametrize("answer", ODD)
async def test_another_host_s_answers_are_told_in_a_sentence(answer: str) -> None:
    async def reply(connection: ServerConnection) -> None:
        await connection.recv()
        await connection.send(answer)
        await connection.wait_closed()

    def look(url: str) -> None:
        with pytest.raises(RetryError, match="tells no scene"):
            Sight(url).look()

    async with serve(reply, "127.0.0.1", 0) as server:
        await apart(look, f"ws://127.0.0.1:{server.sockets[0].getsockname()[1]}/")


async def test_news_on_the_way_is_passed_over_and_a_lost_host_is_reached_again() -> None:
    async def chatter(connection: ServerConnection) -> None:
        await connection.recv()
        for text in ('{"method": "bench.news", "params": {}}', "[]", '{"id": 7, "result": {}}'):
            await connection.send(text)
        scene = {
            "file": None,
            "lines_done": 4,
            "head": {"x": 1, "y": 2, "z": 3},
            "bed": {"x_mm": [0, 9], "y_mm": [0, 8]},
        }
        await connection.send(json.dumps({"id": next(ids), "result": scene}))

    ids = iter((1, 3))

    def look(sight: Sight) -> list[Glimpse]:
        glimpses = [sight.look()]
        with pytest.raises(RetryError):
            sight.look()  # the host hung up after its first answer
        glimpses.append(sight.look())
        sight.close()
        return glimpses

    async with serve(chatter, "127.0.0.1", 0) as server:
        sight = Sight(f"ws://127.0.0.1:{server.sockets[0].getsockname()[1]}/")
        glimpses = await apart(look, sight)
    assert glimpses == 2 * [Glimpse(None, ((0.0, 9.0), (0.0, 8.0)), View(4, (1.0, 2.0, 3.0)))]


def test_a_scene_is_built_once_for_a_file_and_anew_when_it_changes(tower: Tower) -> None:
    studio, file = Studio(SIZE), tower(3)
    glimpse = Glimpse(file, BED, View(10**6, (8.0, 212.0, 30.0)))
    first = studio.ready(glimpse)
    assert studio.ready(glimpse) is first
    tower(5)
    assert studio.ready(glimpse) is not first


def test_a_printed_file_that_is_gone_is_a_missed_shot(tmp_path: Path) -> None:
    glimpse = Glimpse(tmp_path / "gone.gcode", BED, View(0, (0.0, 0.0, 0.0)))
    with pytest.raises(ShotMissedError, match=r"gone\.gcode can't be read: No such file"):
        Studio(SIZE).draw(glimpse, 1)


def test_a_file_that_is_no_text_is_drawn_as_far_as_it_is_read(tmp_path: Path) -> None:
    file = tmp_path / "odd.gcode"
    file.write_bytes(b"M83\n\xff\xfe\x00 junk\nG1 Z0.3\nG1 X20 E1\n")
    picture = Studio(SIZE).draw(Glimpse(file, BED, View(9, (8.0, 212.0, 30.0))), 1)
    assert seen(picture).shape == (SIZE[1], SIZE[0], 3)
