"""A print filmed through the bridge: real daemon, bridge and libgphoto2, each a process of its own."""

import json
import os
import subprocess
import sys
import time

import pytest

from lapsed.model import Outcome, Why
from lapsed.sim.part import write_part
from lapsed.take import reader
from tests.bridge.workshop import SerialWorkshop

CONFIG = """
[store]
folder = "{folder}/takes"
min_free_mb = 10
[stitch]
when = "never"
[[printer]]
name = "ottermole"
[printer.link]
kind = "bridge"
port = "{folder}/printer"
folder = "{folder}"
retry_most_s = 0.2
answer_within_s = 1.0
[printer.machine]
park_point_mm = [8, 212]
settle_s = 0.01
[printer.cadence]
every_layers = 1
hold_limit_s = 30
[[printer.camera]]
kind = "gphoto"
exposure_s = 0.01
expose_within_s = 60
"""


class FilmedWorkshop(SerialWorkshop):
    def __init__(self, folder, layers, **ways):
        super().__init__(folder, write_part(layers).splitlines(), **ways)
        card = folder / "card" / "DCIM" / "100OTTER"
        card.mkdir(parents=True)
        import cv2  # noqa: PLC0415 - only for one picture
        import numpy as np  # noqa: PLC0415 - likewise

        cv2.imwrite(str(card / "OTTR0001.JPG"), np.full((240, 320, 3), 128, np.uint8))
        self.config = folder / "lapsed.toml"
        self.config.write_text(CONFIG.format(folder=folder))
        self.daemon = self.film()

    def film(self):
        environment = {**os.environ, "VCAMERADIR": str(self.folder / "card")}
        with (self.folder / "daemon.log").open("a") as log:
            command = [sys.executable, "-m", "lapsed", "run", "--config", str(self.config)]
            self.daemon = subprocess.Popen(command, env=environment, stderr=log)
        self.processes.append(self.daemon)
        return self.daemon

    def ready(self):
        text = (self.folder / "daemon.log").read_text()
        return text.count("the bridge of ottermole is heard") and "camera main of ottermole: " in text

    def take(self):
        takes = [one.folder for one in reader.list_takes(self.folder / "takes") if one.problem is None]
        assert len(takes) <= 1
        return reader.read_take(takes[0]) if takes else None


@pytest.fixture
def workshop(tmp_path):
    made = []

    def make(layers, **ways):
        made.append(FilmedWorkshop(tmp_path, layers, **ways))
        return made[0]

    yield make
    for one in made:
        one.close()


def landed(take):
    return [shot for shot in take.shots if shot.outcome == "landed"]


def ended(shop):
    take = shop.take()
    return take is not None and take.outcome is not None


@pytest.mark.slow
def test_a_streamed_print_is_filmed_layer_by_layer_and_never_altered(workshop):
    shop = workshop(12, speed=100.0)
    shop.wait(shop.ready)
    host = shop.send("--window", 2, "--polls", 40)
    shop.wait(lambda: ended(shop), 90)
    assert host.wait(30) == 0
    take = shop.take()
    assert take.outcome is Outcome.FINISHED
    assert len(take.cues) == 13
    # Every cue is landed, or missed with a reason: a machine that others keep busy may be late for a layer.
    missed = [shot for shot in take.shots if shot.outcome == "missed" and shot.reason]
    assert sorted(shot.cue for shot in landed(take) + missed) == list(range(1, 14)), take.shots
    assert len(landed(take)) > len(missed), missed
    assert take.cues[-1].why is Why.END
    assert shop.host_lines() == shop.sent(polls=40)
    parked = [entry for entry in shop.executed() if entry["number"] is None and entry["at"][:2] == [8.0, 212.0]]
    assert len(parked) >= len(landed(take)) - 1  # the last frame is shot without a hold


@pytest.mark.slow
def test_a_daemon_killed_in_mid_print_is_not_noticed_by_the_host(workshop):
    shop = workshop(20, speed=60.0)
    shop.wait(shop.ready)
    host = shop.send("--window", 1)
    for after in (3, 8):
        shop.wait(lambda after=after: (take := shop.take()) is not None and len(take.cues) >= after, 90)
        shop.daemon.kill()
        shop.daemon.wait()
        time.sleep(0.3)
        shop.film()
    shop.wait(lambda: ended(shop), 120)
    assert host.wait(30) == 0
    assert shop.host_lines() == shop.sent()
    take = shop.take()
    assert take.outcome is Outcome.FINISHED
    assert landed(take)[-1].cue >= 15
    assert [cue.number for cue in take.cues] == list(range(1, len(take.cues) + 1))


@pytest.mark.slow
def test_a_cable_pulled_in_mid_print_ends_the_take_with_the_reason(workshop):
    shop = workshop(12, faults=[{"at": 1500, "kind": "unplug", "for_s": 1.0}])
    shop.wait(shop.ready)
    host = shop.send()
    shop.wait(lambda: ended(shop), 90)
    assert host.wait(30) == 1
    take = shop.take()
    assert take.outcome is Outcome.FAILED
    assert "the printer's port went away" in json.dumps(take.reason)
    shop.wait(shop.port.is_symlink)
