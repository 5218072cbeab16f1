"""Whatever happens in whatever order: the head comes back, numbers only grow, every cue is accounted for."""

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from lapsed.decide import state as s
from lapsed.model import (
    ConsoleSeen,
    Exposed,
    Forecast,
    HeightSeen,
    Landed,
    LayerSeen,
    LinkDown,
    LinkUp,
    Missed,
    MotionSeen,
    OnCard,
    Outcome,
    PrintEnded,
    PrintInfo,
    PrintPaused,
    PrintResumed,
    PrintStarted,
    ProgressSeen,
)

small = st.integers(1, 6)
heights = st.floats(0, 5, allow_nan=False)
names = st.sampled_from(["lantern.gcode", "pier.gcode"])
phases = st.sampled_from(list(s.Phase))

host_events = st.one_of(
    st.builds(LinkUp, st.one_of(st.none(), st.floats(0, 300))),
    st.builds(LinkDown, st.just("reset")),
    st.builds(PrintStarted, st.builds(PrintInfo, names), st.booleans()),
    st.builds(PrintPaused, st.booleans()),
    st.just(PrintResumed()),
    st.builds(PrintEnded, st.sampled_from(list(Outcome))),
    st.builds(LayerSeen, small, st.one_of(st.none(), heights)),
    st.builds(HeightSeen, heights),
    st.builds(ProgressSeen, st.floats(0, 1)),
    st.builds(ConsoleSeen, st.builds("lapsed {} {}".format, st.sampled_from(["cue", "parked", "returned"]), small)),
)
FORECAST = Forecast(60.0, 55.0, (0.0, 20.0, 40.0), (0.2, 0.4, 0.6), (0.2, 0.4, 0.6))
rules = st.sampled_from(
    [{"every_layers": 1}, {"length_s": 0.2}, {"length_s": 0.2, "spread": "time"}, {"length_s": 1, "fill": "between"}]
)
shell_events = st.one_of(
    st.builds(s.Done, small, phases),
    st.builds(s.Failed, small, phases, st.just("no"), st.booleans()),
    st.builds(s.Planned, small, st.floats(0, 9), st.floats(0, 9)),
    st.builds(s.Stopped, st.one_of(st.none(), st.just("full"))),
    st.just(s.TakeFailed("full")),
    st.just(s.DiskWell()),
    st.builds(s.FileRead, names, st.sampled_from([None, FORECAST])),
    st.builds(s.Skip, st.booleans()),
    st.just(s.ShootNow()),
)
camera_events = st.one_of(
    st.builds(Exposed, small, st.just("main"), st.just(0.0)),
    st.builds(Landed, small, st.just("main"), st.just(0.0), st.just(("a.jpg",)), st.just(9)),
    st.builds(OnCard, small, st.just("main"), st.just(0.0)),
    st.builds(Missed, small, st.just("main"), st.just(0.0), st.just("no light")),
)
by_hand = st.just(s.EndTake())
moves = st.one_of(host_events, shell_events, camera_events, by_hand, st.sampled_from(["answer", "answer", "tick"]))


def play(bench, script):
    for move in script:
        if move == "tick":
            bench.tell(s.Tick(), after=5.0)
        elif move == "answer":
            shot = bench.state.shot
            if shot is not None and shot.phase is s.Phase.ASKING:
                bench.tell(MotionSeen(bench.motion))
            if shot is not None and shot.phase is s.Phase.PLANNING:
                bench.tell(s.Planned(shot.cue.number, 0.5, 0.5))
            elif shot is not None:
                bench.tell(s.Done(shot.cue.number, shot.phase), after=0.1)
        else:
            bench.tell(move, after=0.1)


@settings(max_examples=400, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(script=st.lists(moves, max_size=60), rule=rules)
def test_no_order_of_events_leaves_the_head_parked(make_bench, motion, script, rule):
    bench = make_bench(**rule)
    bench.motion = motion
    bench.begin()
    play(bench, script)
    for _ in range(40):  # from here on the host answers all it is asked
        shot = bench.state.shot
        if shot is None:
            break
        if not bench.state.link:
            bench.tell(LinkUp(1.0))
        if shot.phase in (s.Phase.SETTLING, s.Phase.RECOVERING):
            bench.tell(s.Tick(), after=2.0)
        elif shot.phase is s.Phase.EXPOSING:
            bench.tell(Missed(shot.cue.number, "main", bench.now, "no light"), s.Tick(), after=0.1)
        else:
            bench.tell(s.Done(shot.cue.number, shot.phase), s.Tick(), after=0.1)
            if shot.phase is s.Phase.PLANNING:
                bench.tell(s.Planned(shot.cue.number, 0.5, 0.5))
    assert bench.state.shot is None
    holding = None
    for action in bench.asked:
        match action:
            case s.Hold(number):
                assert holding is None
                holding = number
            case s.SendLeave(number) | s.SendBack(number):
                assert holding == number
            case s.HoldOver(number):
                assert holding in (number, None)
                holding = None
            case _:
                pass
    assert holding is None


@settings(max_examples=400, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(script=st.lists(moves, max_size=60), rule=rules)
def test_every_way_out_is_followed_by_a_way_back_unless_the_print_was_gone(make_bench, motion, script, rule):
    bench = make_bench(**rule)
    bench.motion = motion
    bench.begin()
    play(bench, [move for move in script if not isinstance(move, PrintEnded | PrintStarted | s.TakeFailed)])
    for _ in range(40):
        if bench.state.shot is None:
            break
        bench.tell(s.Tick(), after=30.0)
        shot = bench.state.shot
        if shot is not None:
            bench.tell(s.Done(shot.cue.number, shot.phase))
    left = [action.shot for action in bench.of(s.SendLeave)]
    back = {action.shot for action in bench.of(s.SendBack)}
    assert set(left) <= back


@settings(max_examples=400, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(script=st.lists(moves, max_size=60), rule=rules)
def test_cue_numbers_grow_by_one_and_none_is_ordered_twice(make_bench, motion, script, rule):
    bench = make_bench(**rule)
    bench.motion = motion
    bench.begin()
    play(bench, script)
    number = 0
    fates: dict[int, int] = {}
    for action in bench.asked:
        match action:
            case s.OpenTake():
                number, fates = 0, {}
            case s.WriteCue(cue):
                assert cue.number == number + 1
                number = cue.number
                fates[number] = 0
            case s.Release(shot) | s.WriteMissed(shot):
                fates[shot] += 1
                assert fates[shot] == 1
            case _:
                pass
    under_way = bench.state.shot.cue.number if bench.state.shot is not None else None
    if bench.state.take is not None:
        assert [cue for cue, count in fates.items() if count == 0 and cue != under_way] == []


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(script=st.lists(moves, max_size=40), rule=rules)
def test_the_same_events_make_the_same_decisions(make_bench, motion, script, rule):
    first, second = make_bench(**rule), make_bench(**rule)
    for bench in (first, second):
        bench.motion = motion
        bench.begin()
        play(bench, script)
    assert first.asked == second.asked
    assert first.state == second.state
