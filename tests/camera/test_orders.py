"""The decisions about orders and the worker, with neither process nor clock."""

import itertools
import math
from collections import Counter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lapsed.camera import orders
from lapsed.camera.ordering import (
    Asked,
    Close,
    Crowded,
    Emit,
    Ended,
    Heard,
    Kill,
    Open,
    Ordered,
    Passed,
    Phase,
    Plugged,
    Print,
    Send,
    Start,
    State,
    Switch,
    Switched,
)
from lapsed.camera.wire import Inspect, Inspected, Opening, Order
from lapsed.model import CameraTold, Exposed, Landed, Missed, OnCard, Released
from lapsed.settings import CameraPart, Power

PART = CameraPart(exposure_s=0.5, expose_within_s=4, fetch_within_s=10, ready_within_s=20)
READY = Heard(CameraTold("main", ready=True, text="found", charge_percent=61, card_mb=900.0))
AWAY = Heard(CameraTold("main", ready=False, text="asleep"))


def order(shot, by_s=100.0):
    return Order(shot, "/take", f"{shot:06}", by_s)


def said(what, shot=1):
    fields = {Landed: (("a.jpg",), 7), Missed: ("the lens cap is on",)}.get(what, ())
    return Heard(what(shot, "main", 0.0, *fields))


def run(*steps):
    """The state and all actions after the events, each given with its time."""
    state, done = State(PART), []
    for now, event in steps:
        state, actions = orders.step(state, event, now)
        done.append(actions)
    return state, done


IDLE = ((0, Open()), (1, READY))
EXPOSING = (*IDLE, (2, Ordered(order(1))))
FETCHING = (*EXPOSING, (2.1, said(Released)), (2.6, said(Exposed)))


def missed(actions):
    return [action.event.reason for action in actions if isinstance(action, Emit) and isinstance(action.event, Missed)]


CASES = {
    "an idle worker has an order at once, with the earlier of both limits": (EXPOSING, (Send(order(1, by_s=6)),)),
    "the order's own limit where that is the earlier": (
        (*IDLE, (2, Ordered(order(1, by_s=3)))),
        (Send(order(1, by_s=3)),),
    ),
    "an order waits while the camera is opened": (((0, Open()), (1, Ordered(order(1)))), ()),
    "an order waits while another is fetched": ((*FETCHING, (3, Ordered(order(2)))), ()),
    "a waiting order is given out once the other has landed": (
        (*FETCHING, (3, Ordered(order(2))), (4, said(Landed))),
        (Send(order(2, by_s=8)), Emit(Landed(1, "main", 0.0, ("a.jpg",), 7))),
    ),
    "one whose picture stays on the card is done with as well": (
        (*FETCHING, (3, Ordered(order(2))), (4, said(OnCard))),
        (Send(order(2, by_s=8)), Emit(OnCard(1, "main", 0.0))),
    ),
    "an order without a worker starts one at once": (
        (*IDLE, (2, Ended("x")), (2, Ended("x")), (2, Ended("x")), (2.1, Ordered(order(1)))),
        (Start(),),
    ),
    "a frozen shot is ended at its limit": (
        (*EXPOSING, (6, Passed())),
        (
            Kill(),
            Emit(Missed(1, "main", 6, "the camera did not fire in time; its worker was ended")),
            Emit(CameraTold("main", ready=False, text="the camera hung in a shot and is being opened again")),
        ),
    ),
    "the killed worker's last words count for nothing": ((*EXPOSING, (6, Passed()), (6, said(Exposed))), ()),
    "words about another shot count for nothing": ((*EXPOSING, (3, said(Exposed, shot=9))), ()),
    "an order in place of news counts for nothing": ((*EXPOSING, (3, Heard(Opening("k", "c", {})))), ()),
    "landed without exposed counts for nothing": ((*EXPOSING, (3, said(Landed))), ()),
    "a second release counts for nothing": ((*EXPOSING, (3, said(Released)), (3, said(Released))), ()),
    "the same news again is no news": ((*IDLE, (6, READY)), ()),
    "a silent worker is ended": (
        (*IDLE, (31, Passed())),
        (Kill(), Emit(CameraTold("main", ready=False, text="the camera's worker has fallen silent"))),
    ),
    "a process that cannot be killed is left behind": ((*EXPOSING, (6, Passed()), (8, Passed())), (Start(),)),
    "a worker that leaves by itself is not told of twice": ((*IDLE, (2, AWAY), (2.1, Ended("left"))), (Start(),)),
    "a start among too many others is put off": (((0, Open()), (0, Crowded()), (0.1, Passed())), ()),
    "and comes a moment later": (((0, Open()), (0, Crowded()), (0.2, Passed())), (Start(),)),
    "at once where a frame is wanted": (((0, Open()), (0, Crowded()), (0.1, Ordered(order(1)))), (Start(),)),
    "or was before it was put off": (((0, Open()), (0, Ordered(order(1))), (0, Crowded())), (Start(),)),
    "nothing is started after closing": ((*IDLE, (2, Close()), (3, Ended("left")), (99, Passed())), ()),
}


@pytest.mark.parametrize(("steps", "last"), [pytest.param(*case, id=name) for name, case in CASES.items()])
def test_what_the_last_event_brings(steps, last):
    assert run(*steps)[1][-1] == last


REASONS = {
    "not ready": (((0, Open()), (1, Ordered(order(1, by_s=3))), (2.5, Passed())), "the camera was not ready in time"),
    "asleep": (
        ((0, Open()), (1, AWAY), (1, Ordered(order(1, by_s=3))), (2.5, Passed())),
        "the camera was not ready in time: asleep",
    ),
    "busy": (
        (*FETCHING, (3, Ordered(order(2, by_s=5))), (4.5, Passed())),
        "the camera was still fetching shot 1",
    ),
    "too late to begin": ((*IDLE, (2, Ordered(order(1, by_s=2.4)))), "the camera was not ready in time"),
    "not exposed": (
        (*EXPOSING, (3, said(Released)), (6, Passed())),
        "the camera was released, but its shutter did not close in time; its worker was ended",
    ),
    "not fetched": (
        (*FETCHING, (12.6, Passed())),
        "exposed, but the file was not fetched within 10 s; the worker was ended",
    ),
    "the camera says why": ((*EXPOSING, (3, said(Missed))), "the lens cap is on"),
    "lost twice": (
        (*EXPOSING, (3, Ended("left")), (4, READY), (5, Ended("left"))),
        "ordered, but then the worker left",
    ),
    "lost with the shutter open": ((*EXPOSING, (3, said(Released)), (4, AWAY)), "released, but then asleep"),
    "lost in the fetch": ((*FETCHING, (3, Ended("left"))), "exposed, but then the worker left"),
    "closing, in the queue": ((*FETCHING, (3, Ordered(order(2))), (3, Close())), "lapsed is stopping"),
    "closing, in hand": (
        (*EXPOSING, (3, Close()), (4, Ended("was stopped"))),
        "ordered, but then the worker was stopped",
    ),
    "closed": (((0, Ordered(order(1))),), "the camera is not looked after: lapsed is starting or stopping"),
}


@pytest.mark.parametrize(("steps", "reason"), [pytest.param(*case, id=name) for name, case in REASONS.items()])
def test_why_a_shot_is_missed(steps, reason):
    assert missed(run(*steps)[1][-1]) == [reason]


def test_a_shot_lost_before_its_release_is_given_to_the_next_worker_in_its_turn():
    _, done = run(*EXPOSING, (2.1, Ordered(order(2))), (3, Ended("left")), (4, READY))
    assert done[-2] == (Start(), Emit(CameraTold("main", ready=False, text="the worker left")))
    assert done[-1][0] == Send(order(1, by_s=8))


def test_pauses_between_failing_workers_grow_to_half_a_minute_and_end_when_one_lasts():
    assert [orders.rest_s(failures) for failures in (0, 1, 2, 3, 4, 9, 10, 99)] == [0, 0, 0.25, 0.5, 1, 30, 30, 30]
    state, now = State(PART), 0.0
    state, _ = orders.step(state, Open(), now)
    pauses = []
    for _ in range(12):
        # Each opens its camera and dies at once, which must not make the next one start at once.
        state, _ = orders.step(state, READY, now)
        state, _ = orders.step(state, Ended("left"), now)
        pauses.append(max(orders.wake_s(state) - now, 0) if state.phase is Phase.AWAY else 0)
        now = max(now, orders.wake_s(state)) if state.phase is Phase.AWAY else now
        state, _ = orders.step(state, Passed(), now)
    assert pauses == [0, 0.25, 0.5, 1, 2, 4, 8, 16, 30, 30, 30, 30]
    state, _ = orders.step(state, READY, now)
    state, _ = orders.step(state, READY, now + 5)
    state, actions = orders.step(state, Ended("left"), now + 6)
    assert Start() in actions


def dies(*, hears, filming=False):
    """After a dozen workers that found no camera, the pause before the next, s."""
    steps = [(0.0, Open(hears)), (0.0, Print(filming, shooting=False))]
    for _ in range(15):
        steps += [(steps[-1][0] + 1000, AWAY), (steps[-1][0] + 1000, Ended("was ended"))]
    state, _ = run(*steps)
    return state, steps[-1][0]


@pytest.mark.parametrize(
    ("hears", "filming", "pause_s"), [(True, False, 300), (False, False, 30), (True, True, 30), (False, True, 30)]
)
def test_a_camera_that_is_off_is_looked_for_seldom_where_it_would_be_heard_of_and_nothing_is_filmed(
    hears, filming, pause_s
):
    state, now = dies(hears=hears, filming=filming)
    assert (state.phase, orders.wake_s(state) - now) == (Phase.AWAY, pause_s)


@pytest.mark.parametrize(
    "event", [Plugged(), Print(filming=True, shooting=False), Asked(), Ordered(order(1, by_s=1e6))], ids=repr
)
def test_a_camera_that_is_off_is_looked_for_at_once_when_it_may_be_there_or_is_wanted(event):
    state, now = dies(hears=True)
    state, actions = orders.step(state, event, now + 1)
    assert actions == (Start(),)
    # It may take a moment until it answers: the pauses begin anew.
    state, _ = orders.step(state, AWAY, now + 2)
    state, actions = orders.step(state, Ended("was ended"), now + 2)
    assert actions == (Start(),)


INSPECTING = (*IDLE, (2, Asked()))
ANSWERS = {
    "an idle worker is asked at once": (INSPECTING, (Send(Inspect()),)),
    "orders that wait go first": ((*FETCHING, (3, Asked()), (4, Ordered(order(2))), (5, said(Landed))), None),
    "an order waits while the camera is looked over": ((*INSPECTING, (3, Ordered(order(1)))), ()),
    "and is given out then": (
        (*INSPECTING, (3, Ordered(order(1))), (4, Heard(Inspected(())))),
        (Send(order(1, by_s=8)), Emit(Inspected(()))),
    ),
}


@pytest.mark.parametrize(("steps", "expected"), ANSWERS.values(), ids=ANSWERS)
def test_looking_over(steps, expected):
    done = run(*steps)[1][-1]
    if expected is None:
        assert [action.message.shot for action in done if isinstance(action, Send)] == [2]
    else:
        assert expected == done


NO_ANSWERS = {
    "it hangs": (*INSPECTING, (22, Passed())),
    "its worker dies": (*INSPECTING, (3, Ended("left"))),
    "it goes away": (*INSPECTING, (3, AWAY)),
    "lapsed stops": (*INSPECTING, (3, Close())),
    "it is not looked after": ((0, Asked()),),
}


@pytest.mark.parametrize("steps", NO_ANSWERS.values(), ids=NO_ANSWERS)
def test_a_camera_that_cannot_be_looked_over_fails_that_check_once(steps):
    state, done = run(*steps, (60, Close()), (61, Ended("left")))
    answers = [a.event for actions in done for a in actions if isinstance(a, Emit) and isinstance(a.event, Inspected)]
    assert [[check.verdict for check in answer.checks] for answer in answers] == [["fail"]]
    assert not state.asked


def test_nothing_wakes_a_closed_keeper():
    assert orders.wake_s(run(*IDLE, (2, Close()), (3, Ended("left")))[0]) == math.inf


SHOTS = st.integers(1, 4)
EVENTS = st.one_of(
    st.builds(Heard, st.builds(CameraTold, st.just("x"), st.booleans(), st.sampled_from(["a", "b"]))),
    st.builds(said, st.sampled_from([Released, Exposed, Landed, Missed]), SHOTS),
    st.builds(said, st.sampled_from([Released, Exposed, Landed, OnCard]), SHOTS),
    st.builds(Ended, st.just("left")),
    st.sampled_from([Passed(), Crowded(), Plugged(), Open(hears=True), Close(), READY, Asked(), Heard(Inspected(()))]),
    st.builds(Ordered, st.builds(order, SHOTS, st.floats(0, 60))),
    st.builds(Print, st.booleans(), st.booleans()),
    st.builds(Switched, st.sampled_from([None, "there is no relay"])),
)
SWITCHED = PART.model_copy(update={"power": Power(argv=("relay",), after_failures=1, every_s=5, within_s=3)})


@settings(max_examples=300, deadline=None)
@given(st.lists(st.tuples(st.floats(0, 8), EVENTS), max_size=40), st.sampled_from([PART, SWITCHED]))
def test_every_order_ends_exactly_once_however_events_fall(script, part):
    state, now, shots, told, asked = State(part), 0.0, 0, [], False

    def step(event):
        nonlocal state, asked
        asked = asked or event == Asked()
        worker = state.phase not in (Phase.AWAY, Phase.ENDING, Phase.SWITCHING)
        state, actions = orders.step(state, event, now)
        sent = [action for action in actions if isinstance(action, Send)]
        assert len(sent) <= 1
        for action in sent:
            assert action.message == Inspect() or action.message.by_s >= now + PART.exposure_s
        assert Kill() not in actions or worker
        assert Switch() not in actions or not (state.supply.shooting or state.waiting)
        assert [isinstance(action, Emit) for action in actions] == sorted(
            isinstance(action, Emit) for action in actions
        )
        emitted = [action.event for action in actions if isinstance(action, Emit)]
        answers = [event for event in emitted if isinstance(event, Inspected)]
        assert len(answers) <= asked
        asked = asked and not answers
        told.extend(event for event in emitted if event not in answers)

    step(Open())
    for pause_s, event in script:
        until_s = now + pause_s
        while orders.wake_s(state) < until_s:
            now = max(now, orders.wake_s(state))
            step(Passed())
        now = until_s
        if isinstance(event, Ordered):
            shots += 1
            step(Ordered(order(shots, now + event.order.by_s - 5)))
        else:
            step(event)
    step(Close())
    step(Ended("was stopped"))
    assert not asked

    of_shots = [event for event in told if not isinstance(event, CameraTold)]
    ends = Counter(event.shot for event in of_shots if isinstance(event, Landed | OnCard | Missed))
    assert ends == dict.fromkeys(range(1, shots + 1), 1)
    for shot in range(1, shots + 1):
        stations = [type(event) for event in of_shots if event.shot == shot]
        # Either what precedes the end stands in order, each once at most, or the shot was lost before its release.
        assert stations[:-1] in ([], [Released], [Exposed], [Released, Exposed])
        assert stations[-1] is Missed or Exposed in stations
    news = [event for event in told if isinstance(event, CameraTold)]
    assert all(before != after for before, after in itertools.pairwise(news))
