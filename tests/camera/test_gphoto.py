"""The kind `gphoto` with the real library and its virtual camera, in a real worker."""

import json
import os
from types import SimpleNamespace

import gphoto2 as gp
import pytest

from lapsed.camera.gphoto import Gphoto, capture_target
from lapsed.camera.inspection import not_manual
from lapsed.camera.kind import GPHOTO
from lapsed.clock import monotonic
from lapsed.errors import ShotMissedError
from lapsed.model import Exposed, Landed, Missed, Released
from lapsed.settings import GphotoCamera

PART = GphotoCamera(exposure_s=0.05, expose_within_s=1.5, fetch_within_s=2.0)


@pytest.fixture
def shooting(tend, card):
    return lambda part=PART, kind=GPHOTO: tend(part, kind)


async def test_no_shot_of_many_is_lost_though_the_camera_takes_26_a_session(shooting, card, grey):
    async with shooting() as camera:
        for shot in range(1, 61):
            card.show(shot * 4)
            landed = await camera.shoot(shot)
            assert isinstance(landed, Landed), landed
            assert abs(grey(camera.folder / landed.files[0]) - shot * 4) <= 1
            assert camera.stations(shot) == [Released, Exposed, Landed]
    assert len(list(camera.folder.iterdir())) == 60


async def test_tells_what_it_found(shooting):
    async with shooting(PART.model_copy(update={"serial": "0.1"})) as camera:
        await camera.ready()
        assert "serial number 0.1, battery 50%" in camera.told[0].text
        assert camera.told[0].charge_percent == 50


async def test_tells_the_room_on_a_card_that_keeps_the_pictures(shooting):
    async with shooting(PART.model_copy(update={"keep_on_card": True})) as camera:
        await camera.ready()
        assert f"{camera.told[0].card_mb / 1000:.1f} GB free on the card" in camera.told[0].text


async def test_tells_the_figures_that_the_configuration_names(shooting):
    # 5001 is the code of the battery's level in PTP (ISO 15740, table of device properties), which has none of heat.
    reading = ({"entry": "5001", "name": "temperature", "unit": "°C"}, {"entry": "f-number", "name": "aperture"})
    async with shooting(GphotoCamera.model_validate({**PART.model_dump(), "reading": reading})) as camera:
        await camera.ready()
        checks = {check.what: check.found for check in await camera.keeper.inspect()}
    assert camera.told[0].text.endswith("battery 50%, temperature 50 °C, aperture f/2.8")
    assert (checks["temperature"], checks["aperture"]) == ("50 °C", "f/2.8")


async def test_a_figure_that_the_camera_does_not_have_is_told_at_once(shooting):
    reading = ({"entry": "warmth", "name": "temperature"},)
    async with shooting(GphotoCamera.model_validate({**PART.model_dump(), "reading": reading})) as camera:
        await camera.until(bool)
    assert "no setting 'warmth'" in camera.told[0].text


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


async def test_a_broken_picture_is_missed_with_a_reason_and_the_next_lands(shooting, card):
    async with shooting() as camera:
        for shot, data in ((1, b"\xff\xd8\xff"), (3, b""), (5, None)):
            card.path.unlink()
            if data is not None:
                card.put(data)
            missed = await camera.shoot(shot)
            assert isinstance(missed, Missed)
            assert "camera" in missed.reason
            card.show(9)
            landed = await camera.shoot(shot + 1)
            assert isinstance(landed, Landed), (data, missed.reason, landed)
    assert sorted(path.name for path in camera.folder.iterdir()) == ["000002.jpg", "000004.jpg", "000006.jpg"]


async def test_a_picture_that_was_waiting_is_not_taken_for_the_shot(shooting, card, tmp_path, monkeypatch):
    monkeypatch.setenv("LEFTOVER_TOLD", str(tmp_path / "told"))
    async with shooting(kind="leftover:open_camera") as camera:
        for shot in (1, 2):
            assert isinstance(await camera.shoot(shot), Landed)
    strays: set[str] = set()
    for line in (tmp_path / "told").read_text().splitlines():
        told = json.loads(line)
        (taken,) = told["taken"]
        strays |= set(told["there"]) - {taken, card.path.name}
        assert strays | {card.path.name} == set(told["left"])
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


async def test_looks_itself_over(shooting):
    async with shooting(PART.model_copy(update={"exposure_s": 0.02})) as camera:
        checks = {check.what: check for check in await camera.keeper.inspect()}
        assert isinstance(await camera.shoot(1), Landed)
    # The virtual camera tells a battery of 50 % and hardly anything else.
    assert (checks["battery"].verdict, checks["battery"].found) == ("warn", "50 %")
    assert (checks["focus"].verdict, checks["focus"].found) == ("warn", "the camera does not tell")


async def test_another_serial_number_is_not_the_camera(shooting):
    async with shooting(PART.model_copy(update={"serial": "4711"})) as camera:
        await camera.until(bool)
        assert not camera.told[0].ready
        missed = await camera.shoot(1, within_s=1.5)
    assert isinstance(missed, Missed)
    assert "no camera with serial number 4711 is found: one has serial number 0.1" in missed.reason


@pytest.mark.parametrize(
    ("modes", "wrong"),
    [
        pytest.param((), None, id="the camera tells none"),
        pytest.param(("M",), None, id="a letter"),
        pytest.param(("Manual",), None, id="a word"),
        pytest.param(("manual exposure", "M"), None, id="two names for it"),
        pytest.param(("P",), "P", id="program"),
        pytest.param(("M", "AV"), "AV", id="the dial says otherwise"),
        pytest.param(("Macro",), "Macro", id="a word that begins alike"),
    ],
)
def test_finds_the_exposure_mode_that_is_not_manual(modes, wrong):
    assert not_manual(modes) == wrong


@pytest.mark.parametrize(
    ("choices", "memory", "card"),
    [
        # Choices as they are found in libgphoto2's translations; which a camera has differs by its maker.
        pytest.param(["Internal RAM", "Memory card"], "Internal RAM", "Memory card", id="two words"),
        pytest.param(["sdram", "card", "card+sdram"], "sdram", "card+sdram", id="both at once"),
        pytest.param(["card"], None, "card", id="card only"),
        pytest.param([], None, None, id="none"),
    ],
)
def test_chooses_where_the_camera_keeps_pictures(choices, memory, card):
    assert capture_target(choices, keep_on_card=False) == memory
    assert capture_target(choices, keep_on_card=True) == card


class _Port:
    """The part of a session that a release uses; tells these events in order, then none."""

    def __init__(self, *events):
        self._events = list(events)

    def trigger_capture(self):
        pass

    def wait_for_event(self, _wait_ms):
        return self._events.pop(0) if self._events else QUIET


QUIET = (gp.GP_EVENT_TIMEOUT, None)
COMPLETE = (gp.GP_EVENT_CAPTURE_COMPLETE, None)
ADDED = (gp.GP_EVENT_FILE_ADDED, SimpleNamespace(folder="/", name="a.jpg"))


def test_the_word_that_the_last_shot_is_complete_is_not_taken_for_this_shots():
    camera = Gphoto(PART.model_copy(update={"exposure_s": 0.0}))
    # Nothing is queued when the queue is read away before each order; the first shot's word comes in the second.
    camera._session = _Port(QUIET, ADDED, QUIET, COMPLETE)
    camera.release(monotonic() + 1, lambda _: None)
    camera._finished = True
    with pytest.raises(ShotMissedError, match="told of no picture"):
        camera.release(monotonic() + 0.2, lambda _: None)


def test_the_word_that_a_capture_is_complete_means_that_the_shutter_has_closed():
    camera = Gphoto(PART.model_copy(update={"exposure_s": 0.0}))
    camera._session = _Port(QUIET, COMPLETE)
    camera.release(monotonic() + 1, lambda _: None)
