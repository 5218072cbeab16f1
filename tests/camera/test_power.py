"""Switching a camera's power: when, how often, and what becomes of the shots meanwhile."""

import asyncio
import shlex

import pytest

from lapsed.camera import ordering, orders, power
from lapsed.camera.ordering import (
    Emit,
    Ended,
    Heard,
    Kill,
    Open,
    Ordered,
    Passed,
    Phase,
    Print,
    Start,
    Switch,
    Switched,
)
from lapsed.camera.wire import Order
from lapsed.errors import RetryError
from lapsed.model import CameraTold, Exposed, Landed, Missed, Released
from lapsed.settings import CameraPart, Power

RELAY = Power(argv=("relay",), within_s=10, after_failures=2, every_s=60, most=2)
PART = CameraPart(exposure_s=0.5, expose_within_s=4, fetch_within_s=10, ready_within_s=20, power=RELAY)
FILMING = Print(filming=True, shooting=False)
SHOOTING = Print(filming=True, shooting=True)
OVER = Print(filming=False, shooting=False)
READY = Heard(CameraTold("main", ready=True, text="found"))
AWAY = Heard(CameraTold("main", ready=False, text="asleep"))


def run(*steps, part=PART):
    """The last state, and the actions of each of the events, given with their times."""
    state, done = ordering.State(part), []
    for now, event in steps:
        state, actions = orders.step(state, event, now)
        done.append(actions)
    return state, done


def fails(at_s):
    """A worker that can't open its camera."""
    return (at_s, AWAY), (at_s, Ended("left"))


def hangs(shot, at_s):
    """A worker that opens its camera and hangs in the shot's exposure; the print then goes on."""
    order = Order(shot, "/take", f"{shot:06}", at_s + 4)
    return (
        (at_s, READY), (at_s, SHOOTING), (at_s, Ordered(order)), (at_s, Heard(Released(shot, "main", at_s))),
        (at_s + 4, Passed()), (at_s + 4, Ended("ended by signal 9")), (at_s + 4, FILMING),
    )  # fmt: skip


BEGUN = ((0, Open()), (0, FILMING))
HUNG = (*BEGUN, *hangs(1, 1), *hangs(2, 10)[:-1])
TWICE = (
    *BEGUN, *fails(1), *fails(2), (5, Switched(None)), *fails(6), *fails(70), (75, Switched("no")), *fails(76),
)  # fmt: skip
CASES = {
    "one that can't be opened twice is switched": ((*BEGUN, *fails(1), *fails(2)), 1),
    "not after one failure": ((*BEGUN, *fails(1)), 0),
    "not while nothing is filmed": (((0, Open()), *fails(1), *fails(2), *fails(3)), 0),
    "but once it is": (((0, Open()), *fails(1), *fails(2), (2.1, FILMING)), 1),
    "not while a shot is under way": ((*BEGUN, (0, SHOOTING), *fails(1), *fails(2)), 0),
    "but after it": ((*BEGUN, (0, SHOOTING), *fails(1), *fails(2), (2.1, FILMING)), 1),
    "not while an order waits": ((*BEGUN, *fails(1), (1, Ordered(Order(1, "/t", "1", 9))), *fails(2)), 0),
    "one that is found in between is not": ((*BEGUN, *fails(1), (2, READY), *fails(3)), 0),
    "one that hung in two shots in a row is": ((*HUNG, (14, FILMING)), 1),
    "not while the second is under way": (HUNG, 0),
    "nor while its worker opens it": ((*HUNG, (14.3, Passed()), (14.4, FILMING)), 0),
    "but once that one is ended": ((*HUNG, (14.3, Passed()), (15, READY), (16, FILMING), (16, Ended("9"))), 1),
    "not again before its time": (TWICE[:9], 1),
    "but then": (TWICE[:11], 2),
    "no more often than it may be": ((*TWICE, *fails(140), *fails(141)), 2),
    "but anew in the next print": ((*TWICE, (130, OVER), (131, FILMING), *fails(140), *fails(141)), 3),
}


@pytest.mark.parametrize(("steps", "times"), [pytest.param(*case, id=name) for name, case in CASES.items()])
def test_when_the_power_is_switched(steps, times):
    _, done = run(*steps)
    assert [action for actions in done for action in actions].count(Switch()) == times


def test_a_camera_without_the_setting_is_never_switched():
    _, done = run(*BEGUN, *(step for at_s in range(1, 30) for step in fails(at_s)), part=CameraPart())
    assert all(Switch() not in actions for actions in done)


def test_what_is_told_and_what_becomes_of_cues_meanwhile():
    order = Order(1, "/take", "000001", 30)
    state, done = run(*BEGUN, *fails(1), *fails(2), (3, SHOOTING), (3, Ordered(order)), (9, Switched(None)))
    why = "its power is being switched off and on (try 1 of 2), as it could not be opened 2 times, one after another"
    assert Emit(CameraTold("main", ready=False, text=why)) in done[-4]
    # The print is not kept waiting for a camera that starts up.
    reason = "the camera's power was being switched off and on"
    assert done[-2] == (Emit(Missed(1, "main", 3, reason)),)
    assert done[-1] == (Start(), Emit(CameraTold("main", ready=False, text="its power was switched off and on")))
    assert state.phase is Phase.OPENING


def test_a_camera_that_answers_but_hangs_in_every_shot_is_ended_before_its_power_goes():
    _, done = run(*HUNG, (14.3, Passed()), (15, READY), (16, FILMING))
    assert Kill() in done[-1]


def test_a_frame_that_lands_forgives_the_shots_that_hung_before():
    order = Order(2, "/take", "000002", 20)
    landed = (
        (6, READY), (6, Ordered(order)), (6, Heard(Released(2, "main", 6))), (7, Heard(Exposed(2, "main", 7))),
        (8, Heard(Landed(2, "main", 8, ("2.jpg",), 1))),
    )  # fmt: skip
    state, done = run(*BEGUN, *hangs(1, 1), *landed, *hangs(3, 30), (40, READY))
    assert state.phase is Phase.IDLE
    assert Switch() not in done[-1]


@pytest.mark.parametrize(
    ("lines", "within_s", "trouble"),
    [
        ("exit 0", 30, None),
        ("echo the relay is away >&2; exit 4", 30, "ended with code 4: the relay is away"),
        ("sleep 600", 0.3, "was ended after 0.3 s"),
        ("exec 2>&1; sleep 600 & exit 0", 30, None),
    ],
    ids=["well", "with a word", "hangs", "leaves something behind"],
)
async def test_the_program_runs_within_its_time_and_leaves_nothing(tmp_path, lines, within_s, trouble):
    program = tmp_path / "relay"
    program.write_text(f"#!/bin/sh\n{lines}\n")
    program.chmod(0o755)
    part = Power(argv=(str(program), "cycle"), within_s=within_s)
    if trouble is None:
        await power.switch(part)
    else:
        with pytest.raises(RetryError, match=trouble):
            await power.switch(part)


async def test_a_program_that_is_not_there_is_told():
    with pytest.raises(RetryError, match="/nowhere/relay could not be started: No such file"):
        await power.switch(Power(argv=("/nowhere/relay",)))


async def test_a_camera_comes_back_by_its_power(scripted, tmp_path):
    # It is away for good until the program has run: the fault is taken from what the script says.
    home = tmp_path / "home-main"
    relay = ["/bin/sh", "-c", f"head -c 1000 /dev/zero >> {shlex.quote(str(home / 'ready'))}"]
    part = {"argv": relay, "after_failures": 2, "most": 1}
    async with scripted({"ready": ["away"] * 999}, power=part) as camera:
        camera.keeper.meanwhile(filming=True, shooting=False)
        await camera.ready()
        assert isinstance(await camera.shoot(1), Landed)
    told = [event.text for event in camera.told if isinstance(event, CameraTold)]
    assert told[0] == "the camera is asleep"
    assert told[1].startswith("its power is being switched off and on (try 1 of 1)")
    assert told[2:] == ["its power was switched off and on", "a scripted camera"]


async def test_a_stop_while_the_power_is_switched_ends_the_program(scripted, monkeypatch):
    monkeypatch.setattr("lapsed.camera.keeper.FINISH_WITHIN_S", 0.1)
    part = {"argv": ["sleep", "600"], "after_failures": 1}
    async with scripted({"ready": ["away"] * 999}, power=part) as camera:
        camera.keeper.meanwhile(filming=True, shooting=False)
        await camera.until(lambda told: any("switched" in event.text for event in told))
        await asyncio.sleep(0)
