"""One daemon with several printers at once."""

import asyncio
import json

import pytest

from lapsed import app, settings
from lapsed.now import plain
from lapsed.sim.part import write_part
from lapsed.take import reader
from tests.benchmarks.many_hosts import begin_all, hosts

STILL = {"gphoto": "tests.benchmarks.still_camera:open_camera"}
PRINTERS, LAYERS, LAYER_S = 6, 4, 2.0


def configured(store, urls):
    return settings.Settings.model_validate(
        {
            "store": {"folder": store, "min_free_mb": 0},
            "printer": [
                {
                    "name": f"p{number}",
                    "link": {"url": url},
                    "machine": {"park_point_mm": [8, 212], "settle_s": 0},
                    "cadence": {"every_layers": 1, "park": number % 2 == 0, "last_frame": False},
                    "camera": [{"kind": "gphoto", "exposure_s": 0.01}],
                }
                for number, url in enumerate(urls)
            ],
        }
    )


@pytest.mark.slow
async def test_no_cue_of_any_printer_is_missed_and_each_has_its_own_take(tmp_path):
    part, ended = tmp_path / "beacon.gcode", []
    part.write_text(write_part(LAYERS))
    async with hosts(PRINTERS, part, LAYER_S) as made:
        whole = configured(tmp_path / "takes", [host.url for host in made])
        daemon = app.Daemon(whole, None, kinds=STILL, ended=ended.append)
        running = asyncio.create_task(daemon.run())
        async with asyncio.timeout(90):
            while not daemon.ready:  # noqa: ASYNC110 - other processes are waited for
                await asyncio.sleep(0.02)
            await begin_all(made, part, LAYER_S)
            while len(ended) < PRINTERS:  # noqa: ASYNC110 - likewise
                await asyncio.sleep(0.02)
        told = json.dumps(plain(daemon.desk.now()))
        daemon.stop()
        await running
    assert len(told) < 2000 * PRINTERS  # what an open page is sent at each change
    takes = [reader.read_take(folder) for folder in ended]
    assert {take.meta["printer"] for take in takes} == {f"p{number}" for number in range(PRINTERS)}
    for take in takes:
        assert [(shot.cue, shot.outcome) for shot in take.shots] == [(cue, "landed") for cue in range(1, LAYERS + 1)]
        assert str(take.outcome) == "finished"
