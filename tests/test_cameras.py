"""Cameras of every kind in prints of the simulated host: what becomes of their shots, and of the print."""

import asyncio
import os
from pathlib import Path

import pytest

from lapsed import app, settings
from lapsed.sim.host import SimHost
from lapsed.sim.part import write_part
from lapsed.take import reader
from tests.camera.streams import streaming
from tests.camera.webcam import serving
from tests.stepping import StepByStep

# The two kinds that need hardware have a double for it, in the same worker process.
KINDS = {
    **app.CAMERA_KINDS,
    "release": "tests.camera.kinds.remote:open_camera",
    "capture": "tests.camera.kinds.device:open_camera",
}
JPEG = r"\377\330\377\332\000\002s\377\331"  # SOI, a scan's header, EOI (ITU-T T.81, table B.1), for printf
PRESSES = {"half_press_s": 0.02, "full_press_s": 0.03, "release_lag_s": 0.01, "margin_s": 0.01}
PATIENT = {"exposure_s": 0.01, "ready_within_s": 60}


class Filming:
    """A print on the simulated host, filmed by the cameras given."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch, layers: int) -> None:
        self.folder = folder
        self.part = folder / "beacon.gcode"
        self.part.write_text(write_part(layers))
        self.device = folder / "device"
        self.device.mkdir()
        self.lines = folder / "lines.jsonl"
        monkeypatch.setenv("DEVICE_HOME", str(self.device))
        monkeypatch.setenv("REMOTE_TOLD", str(self.lines))

    def program(self, name: str, lines: str) -> dict[str, object]:
        """The part of a camera that is a program; `$n` in its lines is how many times it was run."""
        path = self.folder / name
        count = f"echo x >> {path}.runs; n=$(wc -l < {path}.runs)"
        path.write_text(f"#!/bin/sh\n{count}\n{lines}\n")
        path.chmod(0o755)
        return {"kind": "command", "name": name, "argv": [str(path), "{out}"], **PATIENT}

    async def film(self, cameras, *meanwhile, rests: bool = False):
        """Print once; the take. `meanwhile` are called with the number of each cue as it comes.

        If it `rests`, it goes on after each hold once all cameras are ready again.
        """
        pace = StepByStep(rests=rests)
        async with SimHost(pace=pace) as host:
            self.host, pace.bench, ended = host, host.bench, []
            printer = {
                "name": "bench",
                "link": {"url": host.url},
                "machine": {"park_point_mm": [8, 212], "settle_s": 0},
                "cadence": {"every_layers": 1, "last_frame": False, "hold_limit_s": 60},
                "camera": cameras,
            }
            whole = {"store": {"folder": self.folder / "takes", "min_free_mb": 0}, "printer": [printer]}
            daemon = app.Daemon(settings.Settings.model_validate(whole), None, kinds=KINDS, ended=ended.append)
            pace.rested = lambda: daemon.ready
            running = asyncio.create_task(daemon.run())
            try:
                async with asyncio.timeout(300):
                    while not daemon.ready:  # noqa: ASYNC110 - other processes are waited for
                        await asyncio.sleep(0.02)
                    await host.bench.begin(self.part)
                    while not ended:
                        for each in meanwhile:
                            each(self._cues())
                        await asyncio.sleep(0.02)
            finally:
                daemon.stop()
                await running
            return reader.read_take(ended[0])

    def _cues(self) -> int:
        return sum(record.get("event") == "held" for record in self.host.log.records)

    def assert_print_untouched(self) -> None:
        """The machine carried out the file, line for line, and of ours only the park."""
        lines = [record for record in self.host.log.records if "line" in record]
        printed = [record["line"] for record in lines if record["from"] == "print"]
        assert printed == self.part.read_text().splitlines()
        ours = {str(record["line"]).split()[0] for record in lines if record["from"] == "run"}
        assert ours <= {"G90", "G91", "M82", "M83", "G1", "M400", "M118"}


@pytest.fixture
def filming(tmp_path, monkeypatch):
    return lambda layers: Filming(tmp_path, monkeypatch, layers)


@pytest.fixture
def port():
    """A real pty for the release line."""
    near, far = os.openpty()
    yield os.ttyname(far)
    os.close(near)
    os.close(far)


def fates(take) -> dict[str, list[str]]:
    """What became of each camera's shots, in order."""
    found: dict[str, list[str]] = {}
    for shot in take.shots:
        found.setdefault(shot.camera, []).append(shot.outcome)
        assert shot.outcome != "missed" or shot.reason
        for file in shot.files:
            assert (take.folder / file).stat().st_size == shot.size_bytes
    assert {len(each) for each in found.values()} == {len(take.cues)}
    return found


def holds(take) -> list[float]:
    return [cue.resumed_s - cue.held_s for cue in take.cues]


@pytest.mark.slow
async def test_cameras_of_every_kind_film_one_print_together(filming, port):
    shop = filming(5)
    with serving() as webcam, streaming() as streamer:
        take = await shop.film(
            [
                {"kind": "capture", "name": "eye", "lag_s": 0.05, "warm_up_s": 0.05, **PATIENT},
                {"kind": "url", "name": "still", "url": webcam.url, "required": False, **PATIENT},
                {"kind": "stream", "name": "live", "url": streamer.url, "lag_s": 0.1, "required": False, **PATIENT},
                {"kind": "release", "name": "far", "port": port, "required": False, **PRESSES, **PATIENT},
                {**shop.program("made", f"printf '{JPEG}' > $1"), "required": False},
            ]
        )
    found = fates(take)
    assert found == {"far": ["on card"] * 5, **dict.fromkeys(("eye", "still", "live", "made"), ["landed"] * 5)}
    assert take.cameras[0] == "eye"
    # Nothing that may hold a password goes with the take.
    told = str(take.meta["settings"])
    assert "localhost" not in told
    assert "made" in told
    assert "argv" not in told
    shop.assert_print_untouched()


@pytest.mark.slow
async def test_what_goes_wrong_with_the_others_is_theirs_alone_and_passes(filming, port):
    shop = filming(8)
    sides = {"required": False, "expose_within_s": 4.0}

    def unplug(cue: int) -> None:
        for path in (shop.device / "gone", shop.lines.with_suffix(".unplugged")):
            if cue in (3, 4):
                path.touch()
            else:
                path.unlink(missing_ok=True)

    with serving() as webcam:
        webcam.faults = {3: "hang", 5: "page"}
        take = await shop.film(
            [
                shop.program("main", f"printf '{JPEG}' > $1"),
                {"kind": "url", "name": "still", "url": webcam.url, **PATIENT, **sides},
                {"kind": "capture", "name": "eye", "lag_s": 0.05, "warm_up_s": 0.05, **PATIENT, **sides},
                {"kind": "release", "name": "far", "port": port, **PRESSES, **PATIENT, **sides},
                {**shop.program("made", f"[ $n = 3 ] && sleep 60; printf '{JPEG}' > $1"), **sides},
            ],
            unplug,
        )
    found = fates(take)
    assert found["main"] == ["landed"] * 8
    for name in ("still", "eye", "made"):
        assert "missed" in found[name]
        assert found[name][0] == "landed"
    # An adapter that is plugged in again in time costs nothing: the presses had not begun.
    assert set(found["far"]) <= {"on card", "missed"}
    assert found["far"][0] == "on card"
    # A hang lasts until its deadline, and the print goes on before.
    hung = [shot for shot in take.shots if shot.cue == 3 and shot.camera in ("still", "made")]
    assert [shot.outcome for shot in hung] == ["missed", "missed"]
    assert take.cues[2].resumed_s < min(shot.ended_s for shot in hung)
    shop.assert_print_untouched()


@pytest.mark.slow
async def test_the_main_camera_is_waited_for_and_its_faults_cost_its_own_shots(filming):
    shop = filming(4)
    faults = f"case $n in 2) sleep 60;; 3) echo 'no film' >&2; exit 3;; esac\nprintf '{JPEG}' > $1"
    take = await shop.film(
        [
            {**shop.program("main", faults), "expose_within_s": 4.0},
            {**shop.program("side", f"printf '{JPEG}' > $1"), "required": False},
        ]
    )
    assert fates(take) == {"main": ["landed", "missed", "missed", "landed"], "side": ["landed"] * 4}
    reasons = [shot.reason for shot in take.shots if shot.camera == "main" and shot.outcome == "missed"]
    assert "was ended after" in reasons[0]
    assert "ended with code 3: no film" in reasons[1]
    assert holds(take)[1] >= 3.5
    shop.assert_print_untouched()


@pytest.mark.slow
async def test_cameras_that_are_gone_or_hang_come_back_by_their_power(filming, tmp_path, monkeypatch):
    shop = filming(10)
    card = tmp_path / "card" / "DCIM" / "100OTTER"
    card.mkdir(parents=True)
    picture, aside = card / "OTTR0001.JPG", tmp_path / "aside"
    picture.write_bytes(b"\xff\xd8\xff\xda\x00\x02s\xff\xd9".ljust(20_000, b"\0"))
    monkeypatch.setenv("VCAMERADIR", str(tmp_path / "card"))
    gone = shop.device / "gone"
    done = []

    def trouble(cue: int) -> None:
        if cue == 3 and not done:
            done.append(cue)
            # A capture from a pipe that nobody fills hangs inside the library, as a camera's firmware does.
            picture.rename(aside)
            os.mkfifo(picture)
            gone.touch()

    take = await shop.film(
        [
            {
                "kind": "gphoto", "name": "main", **PATIENT, "expose_within_s": 2.0, "ready_within_s": 20,
                "power": {"argv": ["mv", str(aside), str(picture)], "after_failures": 1, "every_s": 1},
            },
            {
                "kind": "capture", "name": "eye", "required": False, "lag_s": 0.05, "warm_up_s": 0.05, **PATIENT,
                "power": {"argv": ["rm", str(gone)], "after_failures": 1, "every_s": 1},
            },
        ],
        trouble,
        rests=True,
    )  # fmt: skip
    told = [event.text for event in take.events if event.kind == "camera"]
    found = fates(take)
    for name in ("main", "eye"):
        assert found[name][0] == found[name][-1] == "landed"
        assert "missed" in found[name]
    assert sum("being switched off and on (try 1 of 3)" in text for text in told) == 2
    assert sum(text == "its power was switched off and on" for text in told) == 2
    assert "aside" not in str(take.meta["settings"])
    # No switching begins within a hold, from the journal's own times.
    for event in take.events:
        if "being switched" in event.text:
            assert not any(cue.held_s < event.mono_s < cue.resumed_s for cue in take.cues if cue.held_s)
    shop.assert_print_untouched()
