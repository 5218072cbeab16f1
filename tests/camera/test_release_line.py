"""The kind `release`: what its two lines do and when, on a virtual clock and in a real worker."""

import glob
import itertools
import json
import os
import signal

import pytest
import serial
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from lapsed.camera import contacts
from lapsed.camera.landing import Landing
from lapsed.camera.release_line import ReleaseLine, open_camera
from lapsed.errors import RetryError, ShotMissedError, UserError
from lapsed.model import CameraTold, Missed, OnCard, Released, Verdict
from lapsed.settings import ReleaseCamera
from tests.camera.kinds.remote import opener

QUICK = {"half_press_s": 0.02, "full_press_s": 0.03, "release_lag_s": 0.01, "exposure_s": 0.01, "margin_s": 0.01}

# What a wiring does, by the states of RTS and DTR in which it fires; written out, not taken from the code under test.
PLAIN = {(True, False), (True, True)}
ON_DTR = {(False, True), (True, True)}
SERIES = {(True, True)}
SERIES_TURNED = {(True, False)}
TURNED = {(False, False), (False, True)}


def nothing(_at_s: float) -> None:
    """Hears of a release and does not mind."""


@pytest.fixture
def pty():
    """A real pty's two ends; the name of the far one."""
    near, far = os.openpty()
    yield os.ttyname(far)
    os.close(near)
    os.close(far)


class Remote:
    """A release line with a line-state double on a virtual clock, and the camera on the far side of the wiring."""

    def __init__(self, port: str, **settings: object) -> None:
        self.now = 100.0
        self.states: list[tuple[float, bool, bool]] = []
        self.part = ReleaseCamera(kind="release", port=port, **settings)
        self.kind = ReleaseLine(self.part, opener(self.note), lambda: self.now, self.sleep)

    def note(self, *, rts: bool, dtr: bool) -> None:
        self.states.append((self.now, rts, dtr))

    def sleep(self, seconds: float) -> None:
        self.now += seconds

    def presses(self, wiring: set[tuple[bool, bool]], least_s: float = 0.02) -> list[tuple[float, float]]:
        """When the shutter contact closed, and for how long, as far as a camera heeds it."""
        ends = [(at, (rts, dtr) in wiring) for at, rts, dtr in self.states] + [(self.now, False)]
        found, since = [], None
        for at, closed in ends:
            if closed and since is None:
                since = at
            elif not closed and since is not None:
                if at - since >= least_s:
                    found.append((since, round(at - since, 6)))
                since = None
        return found


@pytest.fixture
def remote(pty):
    made = []

    def make(**settings: object) -> Remote:
        made.append(Remote(pty, **settings))
        made[-1].kind.ensure_ready()
        return made[-1]

    yield make
    for one in made:
        one.kind.ensure_stopped()


WIRINGS = {
    "shutter on rts": ({}, PLAIN),
    "shutter alone": ({"focus": "none"}, PLAIN),
    "shutter on dtr": ({"shutter": "dtr", "focus": "rts"}, ON_DTR),
    "shutter turned": ({"inverted": ("rts",)}, TURNED),
    "both in series": ({"require_both": True}, SERIES),
    "both in series, one turned": ({"require_both": True, "inverted": ("dtr",)}, SERIES_TURNED),
    "no half-press": ({"half_press_s": 0}, PLAIN),
}


@pytest.mark.parametrize(("settings", "wiring"), WIRINGS.values(), ids=WIRINGS.keys())
def test_a_shot_presses_once_for_as_long_as_is_set_and_ends_with_the_shutter_closed(remote, settings, wiring):
    line = remote(**settings)
    ready_s, told = line.now, []
    line.kind.release(ready_s + 6, told.append)
    (pressed,) = line.presses(wiring)
    assert pressed == (told[0], 0.2)
    half_s = 0 if line.part.focus == "none" else line.part.half_press_s
    assert told == [pytest.approx(ready_s + half_s)]
    # The figures of the settings: lag 0.15, exposure 0.25, margin 0.1.
    assert line.now == pytest.approx(told[0] + 0.5)


def test_the_focus_contact_closes_first_and_both_open_together(remote):
    line = remote()
    del line.states[:]
    line.kind.release(line.now + 6, nothing)
    begun = line.states[0][0]
    assert [(round(at - begun, 6), rts, dtr) for at, rts, dtr in line.states] == [
        (0.0, False, True),
        (0.3, True, True),
        (0.5, False, True),
        (0.5, False, False),
    ]


BLIPS = {
    "plain": ({}, PLAIN, True),
    "in series": ({"require_both": True}, SERIES, True),
    "in series, one turned": ({"require_both": True, "inverted": ("dtr",)}, SERIES_TURNED, False),
    "turned": ({"inverted": ("rts",)}, TURNED, False),
}


@pytest.mark.parametrize(("settings", "wiring", "fires"), BLIPS.values(), ids=BLIPS.keys())
def test_a_blip_at_the_opening_is_told_and_over_before_the_first_shot(remote, settings, wiring, fires):
    line = remote(**settings)
    raised_s = line.states[0][0]
    assert (line.states[0][1:] in wiring) is fires
    assert ("may have fired it once, and that picture is no shot" in line.kind.ensure_ready()) is fires
    assert line.presses(wiring) == []  # an instant on this clock; on some adapters 20 ms
    told = []
    line.kind.release(line.now + 6, told.append)
    assert len(line.presses(wiring)) == len(told) == 1
    assert told[0] >= raised_s + 0.5  # lag, exposure and margin of a picture that the blip took


def test_the_port_is_opened_once_and_held(remote):
    line = remote()
    for _ in range(3):
        line.kind.ensure_ready()
        line.kind.release(line.now + 6, nothing)
        line.kind.clear()
        line.kind.idle()
    assert sum(rts and dtr for _, rts, dtr in line.states) == 1 + 3  # the opening, and a press for each shot
    line.kind.ensure_stopped()
    assert line.states[-1][1:] == (False, False)


def test_a_shot_without_time_for_its_presses_is_missed_without_a_press(remote):
    line = remote()
    with pytest.raises(ShotMissedError, match="no time left"):
        line.kind.release(line.now + 0.5, nothing)
    assert line.presses(PLAIN) == []


def test_a_sleepy_camera_is_half_pressed_at_its_interval_and_not_after_a_shot(remote):
    line = remote(keep_awake_s=20)
    del line.states[:]
    for _ in range(12):
        line.now += 5
        line.kind.idle()
    half = [at for at, rts, dtr in line.states if dtr and not rts][::2]  # the shutter's line is let go of as well
    assert len(half) == 3
    assert all(later - at >= 20 for at, later in itertools.pairwise(half))
    assert line.presses(PLAIN) == []
    line.kind.release(line.now + 6, nothing)
    del line.states[:]
    line.now += 5
    line.kind.idle()
    assert line.states == []


def test_its_pictures_stay_on_the_card(remote, tmp_path):
    landing = Landing(tmp_path, "000001")
    remote().kind.fetch(landing)
    assert landing.on_card
    assert list(tmp_path.iterdir()) == []


@given(
    inverted=st.sets(st.sampled_from(["rts", "dtr"])),
    both=st.booleans(),
    shutter=st.sampled_from(["rts", "dtr"]),
)
def test_at_rest_no_wiring_fires(inverted, both, shutter):
    focus = "dtr" if shutter == "rts" else "rts"
    part = ReleaseCamera(
        kind="release", port="/x", inverted=tuple(inverted), require_both=both, shutter=shutter, focus=focus
    )
    assert not contacts.fires(part, rts="rts" in inverted, dtr="dtr" in inverted)
    states = list(itertools.product([False, True], repeat=2))
    assert sum(contacts.fires(part, rts=rts, dtr=dtr) for rts, dtr in states) == (1 if both else 2)


CHECKS = {
    "plain": ({}, {"opening the port": Verdict.WARN}),
    "safe": ({"require_both": True, "inverted": ("dtr",)}, {"opening the port": Verdict.PASS}),
    "turned": ({"inverted": ("rts",)}, {"opening the port": Verdict.PASS, "port closed": Verdict.FAIL}),
    "short": ({"full_press_s": 0.05}, {"full press": Verdict.WARN}),
    "flicker": ({"exposure_s": 0.013}, {"lamp flicker": Verdict.WARN}),
}


@pytest.mark.parametrize(("settings", "verdicts"), CHECKS.values(), ids=CHECKS.keys())
def test_wiring_and_times_are_judged_before_a_print(remote, settings, verdicts):
    checks = {check.what: check for check in remote(**settings).kind.inspect()}
    assert {what: checks[what].verdict for what in verdicts} == verdicts
    assert all(check.advice for check in checks.values() if check.verdict is not Verdict.PASS)
    assert ("port closed" in checks) == (settings.get("inverted") == ("rts",))


REFUSED = {
    "one line for both": ({"focus": "rts"}, "each contact has a line of its own"),
    "both without a second": ({"focus": "none", "require_both": True}, "name it as focus"),
    "awake without focus": ({"focus": "none", "keep_awake_s": 5}, "needs the focus line"),
    "longer than allowed": ({"exposure_s": 8}, "raise it"),
}


@pytest.mark.parametrize(("settings", "sentence"), REFUSED.values(), ids=REFUSED.keys())
def test_settings_that_cannot_work_are_refused(settings, sentence):
    with pytest.raises(ValidationError, match=sentence):
        ReleaseCamera(kind="release", port="/dev/x", **settings)


# ------------------------------------------------------------------------------------------------ real ports


def test_a_port_without_control_lines_is_refused_in_a_sentence(pty):
    kind = open_camera({"kind": "release", "port": pty})
    with pytest.raises(UserError, match=f"{pty} has no RTS and DTR lines: name the device of a USB-serial adapter"):
        kind.ensure_ready()


def test_an_adapter_that_is_away_is_waited_for():
    with pytest.raises(RetryError, match="there is no /dev/serial/by-id/none: plug the adapter in"):
        open_camera({"kind": "release", "port": "/dev/serial/by-id/none"}).ensure_ready()


def test_a_port_that_another_program_holds_is_told(pty):
    other = serial.Serial(pty, exclusive=True)
    try:
        with pytest.raises(RetryError, match=f"another program holds {pty}"):
            open_camera({"kind": "release", "port": pty}).ensure_ready()
    finally:
        other.close()


def test_the_lines_cross_a_real_null_modem():
    pairs = sorted(glob.glob("/dev/tnt*"))  # noqa: PTH207 - device nodes
    if len(pairs) < 2:
        pytest.skip("this kernel has no null-modem pair (/dev/tnt0 and /dev/tnt1)")
    far = serial.Serial(pairs[1])
    kind = open_camera({"kind": "release", "port": pairs[0], **QUICK})
    try:
        kind.ensure_ready()
        assert (far.cts, far.dsr) == (False, False)
        seen = []
        kind.release(kind._now() + 6, lambda _: seen.append((far.cts, far.dsr)))
        assert seen == [(True, True)]
        assert (far.cts, far.dsr) == (False, False)
    finally:
        kind.ensure_stopped()
        far.close()


# ---------------------------------------------------------------------------------------------- a real worker


@pytest.fixture
def wired(tend, pty, tmp_path, monkeypatch):
    """Makes a context with a release line in a worker; the file tells the states of its lines."""
    told = tmp_path / "lines.jsonl"
    monkeypatch.setenv("REMOTE_TOLD", str(told))
    limits = {"expose_within_s": 1.0, "ready_within_s": 30.0}
    part = ReleaseCamera(kind="release", port=pty, **QUICK, **limits)
    return lambda: tend(part, "remote:open_camera"), told


def presses(told) -> int:
    states = [json.loads(line) for line in told.read_text().splitlines()]
    return sum(rts and dtr and before[1:] == [False, True] for before, (_, rts, dtr) in itertools.pairwise(states))


async def test_shots_in_a_worker_press_once_each_and_end_on_the_card(wired):
    make, told = wired
    async with make() as camera:
        await camera.ready()
        ends = [await camera.shoot(shot) for shot in (1, 2, 3)]
        assert [type(end) for end in ends] == [OnCard] * 3
        released = next(event for event in camera.of(2) if isinstance(event, Released))
        assert ends[1].at_s - released.at_s >= 0.03  # lag, exposure, margin
    assert presses(told) == 3
    assert list(camera.folder.iterdir()) == []


async def test_an_adapter_unplugged_and_plugged_in_again_costs_only_the_shot_between(wired):
    make, told = wired
    async with make() as camera:
        await camera.ready()
        assert isinstance(await camera.shoot(1), OnCard)
        told.with_suffix(".unplugged").touch()
        missed = await camera.shoot(2, within_s=1.0)
        assert isinstance(missed, Missed)
        assert "Input/output error; plug " in missed.reason
        told.with_suffix(".unplugged").unlink()
        assert isinstance(await camera.shoot(3, within_s=15.0), OnCard)
    assert presses(told) == 2


async def test_a_worker_that_hangs_is_ended_the_port_let_go_of_and_the_next_shot_works(wired, pty):
    make, _ = wired
    async with make() as camera:
        await camera.ready()
        os.kill(camera.keeper.worker_pid, signal.SIGSTOP)
        missed = await camera.shoot(1, within_s=0.6)
        assert isinstance(missed, Missed)
        assert isinstance(await camera.shoot(2, within_s=15.0), OnCard)
        news = [event for event in camera.told if isinstance(event, CameraTold)]
        assert sum("may have fired it once" in event.text for event in news) == 2
    port = serial.Serial(pty, exclusive=True)  # free again
    port.close()
