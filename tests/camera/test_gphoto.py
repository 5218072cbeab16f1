"""The kind `gphoto` with the real library and its virtual camera, in a real worker."""

import asyncio
import json
import os
import signal

import pytest

from lapsed.camera.kind import GPHOTO
from lapsed.model import Exposed, Landed, Missed, Released
from lapsed.settings import GphotoCamera

PART = GphotoCamera(exposure_s=0.05, expose_within_s=1.5, fetch_within_s=2.0)


@pytest.fixture
def shooting(tend, card):
    return lambda part=PART, kind=GPHOTO: tend(part, kind)


async def test_no_shot_of_many_is_lost_though_the_camera_takes_26_a_session(shooting, card, grey):
    async with shooting() as camera:
        for shot in range(1, 81):
            card.show(shot * 3)
            landed = await camera.shoot(shot)
            assert isinstance(landed, Landed), landed
            assert abs(grey(camera.folder / landed.files[0]) - shot * 3) <= 1
            assert camera.stations(shot) == [Released, Exposed, Landed]
    assert len(list(camera.folder.iterdir())) == 80


async def test_tells_what_it_found(shooting):
    async with shooting(PART.model_copy(update={"serial": "0.1"})) as camera:
        await camera.ready()
        assert "serial number 0.1, battery 50%" in camera.told[0].text


async def test_a_camera_that_hangs_in_a_shot_costs_that_shot_only(shooting, card):
    async with shooting() as camera:
        assert isinstance(await camera.shoot(1), Landed)
        card.path.unlink()
        os.mkfifo(card.path)
        missed = await camera.shoot(2)
        assert isinstance(missed, Missed)
        card.path.unlink()
        card.show(9)
        assert isinstance(await camera.shoot(3), Landed)


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        pytest.param(b"\xff\xd8\xff", "camera", id="three bytes"),
        pytest.param(b"", "camera", id="empty"),
        pytest.param(None, "camera", id="gone"),
    ],
)
async def test_a_broken_picture_is_missed_with_a_reason_and_the_next_lands(shooting, card, data, reason):
    async with shooting() as camera:
        assert isinstance(await camera.shoot(1), Landed)
        if data is None:
            card.path.unlink()
        else:
            card.put(data)
        missed = await camera.shoot(2)
        assert isinstance(missed, Missed)
        assert reason in missed.reason
        card.show(9)
        assert isinstance(await camera.shoot(3), Landed)
    assert sorted(path.name for path in camera.folder.iterdir()) == ["000001.jpg", "000003.jpg"]


async def test_a_picture_that_was_waiting_is_not_taken_for_the_shot(shooting, tmp_path, monkeypatch):
    monkeypatch.setenv("LEFTOVER_TOLD", str(tmp_path / "told"))
    async with shooting(kind="leftover:open_camera") as camera:
        for shot in (1, 2):
            assert isinstance(await camera.shoot(shot), Landed)
    strays: set[str] = set()
    for line in (tmp_path / "told").read_text().splitlines():
        told = json.loads(line)
        (taken,) = told["taken"]
        strays |= set(told["there"]) - {taken}
        assert strays == set(told["left"])
    assert len(strays) == 2


async def test_settings_are_set_and_what_cannot_be_is_told(shooting):
    wrong = {
        "shutterspeed": ("soon", "cannot be 'soon'; it offers"),
        "shuterspeed": ("0.0200s", "no setting 'shuterspeed'"),
        "serialnumber": ("7", "refuses serialnumber"),
    }
    async with shooting(PART.model_copy(update={"settings": {"shutterspeed": "0.0200s", "f-number": "f/8"}})) as camera:
        await camera.ready()
    for name, (value, told) in wrong.items():
        async with shooting(PART.model_copy(update={"settings": {name: value}})) as camera:
            await camera.until(bool)
            assert not camera.told[0].ready
            assert told in camera.told[0].text


async def test_another_serial_number_is_not_the_camera(shooting):
    async with shooting(PART.model_copy(update={"serial": "4711"})) as camera:
        missed = await camera.shoot(1, within_s=1.5)
    assert isinstance(missed, Missed)
    assert "no camera with serial number 4711 is found: one has serial number 0.1" in missed.reason


async def test_kept_on_the_card_where_wished(shooting):
    async with shooting(PART.model_copy(update={"keep_on_card": True})) as camera:
        for shot in (1, 2, 3):
            assert isinstance(await camera.shoot(shot), Landed)


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGSTOP])
async def test_a_worker_gone_or_frozen_between_shots_loses_no_later_shot(shooting, number):
    async with shooting() as camera:
        assert isinstance(await camera.shoot(1), Landed)
        os.kill(camera.keeper.worker_pid, number)
        await asyncio.sleep(0.05)
        second = await camera.shoot(2)
        third = await camera.shoot(3)
    # A killed worker is seen at once; a frozen one only by the shot that it doesn't answer.
    assert isinstance(second, Landed if number is signal.SIGKILL else Missed)
    assert isinstance(third, Landed)
