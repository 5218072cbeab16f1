"""A wished length: whatever the pace, the jumps and the misses, the clip comes out at it where that can be."""

import itertools
import math
import random
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from lapsed.decide import director
from lapsed.decide import state as s
from lapsed.decide.cadence import frames_to_come
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
    PrintInfo,
    PrintStarted,
    PrintTold,
    ProgressSeen,
    Why,
)

seeds = st.integers(0, 2**32)
FIXTURES = [HealthCheck.function_scoped_fixture, HealthCheck.too_slow]


def forecast(layer_s, heights=None, objects=1):
    begins = [0.0, *itertools.accumulate(layer_s)]
    heights = tuple(heights or (0.2 * (i + 1) for i in range(len(layer_s))))
    return Forecast(begins[-1] + 45, begins[-1], tuple(begins[:-1]), heights, heights, objects)


def answer(bench, lands=True):
    """What the camera makes of the shot under way; whether there was one."""
    shot = bench.state.shot
    if shot is None:
        return False
    number = shot.cue.number
    if lands:
        bench.tell(Exposed(number, "main", bench.now), Landed(number, "main", bench.now, ("a.jpg",), 9))
    else:
        bench.tell(Missed(number, "main", bench.now, "no light"))
    return True


def landed(bench):
    return bench.state.take.cues - len(bench.state.take.missed)


def cued(bench):
    return [action.cue.layer for action in bench.of(s.WriteCue)]


def plans(bench):
    return [action.note for action in bench.of(s.WriteNote) if action.note.kind == "plan"]


# ----------------------------------------------------------------------------------------------- layers are counted


@settings(max_examples=100, deadline=None, suppress_health_check=FIXTURES)
@given(script=st.tuples(st.integers(1, 90), st.integers(1, 60), st.integers(1, 30)), by_file=st.booleans(), seed=seeds)
def test_what_can_be_made_up_is_made_up_to_the_frame(make_bench, script, by_file, seed):
    (layers, frames, start), chance = script, random.Random(seed)
    bench = make_bench(length_s=frames / 25, park=False)
    bench.begin(**({} if by_file else {"layers": layers}))
    if by_file:
        bench.tell(s.FileRead("lantern.gcode", forecast([10.0] * layers)))
    jumps = [chance.choice([1, 1, 1, 1, 1, 2, 5, 12]) for _ in range(layers)]
    places = [place for place in itertools.accumulate(jumps, initial=min(start, layers)) if place <= layers]
    enough, last, due = False, None, frames
    for at, place in enumerate(places):
        bench.tell(LayerSeen(place, place * 0.2), after=5.0)
        lands = chance.random() < 0.8
        shot = answer(bench, lands)
        if at == 0 or (shot and not lands) or place - places[at - 1] > 1:
            # From here on nothing gets in the way as long as no disturbance follows.
            enough = frames - landed(bench) <= len(places) - at - 1
        if shot:
            if last is not None:
                even = (layers - last) / due  # how far apart the frames still due lay after the last shot
                assert place - last <= math.ceil(even) + max(jumps) - 1
            last, due = place, frames - landed(bench) or math.inf
    assert landed(bench) <= frames
    if enough and places[-1] == layers:
        assert landed(bench) == frames


@pytest.mark.parametrize(("layers", "frames"), [(200, 100), (101, 100), (192, 17), (50, 1), (7, 7), (3, 20)])
def test_without_trouble_the_gaps_between_frames_differ_by_one_layer_at_most(make_bench, layers, frames):
    bench = make_bench(length_s=frames / 25, park=False)
    bench.begin()
    bench.tell(s.FileRead("lantern.gcode", forecast([10.0] * layers)))
    for layer in range(1, layers + 1):
        bench.tell(LayerSeen(layer), after=10.0)
        answer(bench)
    gaps = {later - sooner for sooner, later in itertools.pairwise(cued(bench))}
    assert landed(bench) == min(layers, frames)
    assert not gaps or max(gaps) - min(gaps) <= 1
    assert cued(bench)[-1] == layers  # the finished part is in the clip


@pytest.mark.parametrize(("spread", "low"), [("height", 10), ("time", 16)])
def test_a_known_file_is_spread_evenly_by_height_or_by_time(make_bench, spread, low):
    # 40 layers of 0.1 mm and 10 s each, then 40 of 0.3 mm and 2.5 s: a quarter of the height, four fifths of the time.
    bench = make_bench(length_s=20 / 25, spread=spread, park=False)
    bench.begin()
    heights = [*(0.1 * (i + 1) for i in range(40)), *(4 + 0.3 * (i + 1) for i in range(40))]
    bench.tell(s.FileRead("lantern.gcode", forecast([10.0] * 40 + [2.5] * 40, heights)))
    for layer in range(1, 81):
        bench.tell(LayerSeen(layer), after=5.0)
        answer(bench)
    assert landed(bench) == 20
    assert sum(layer <= 40 for layer in cued(bench)) == pytest.approx(low if spread == "time" else 5, abs=1)


def test_a_count_of_the_hosts_that_is_not_the_files_does_not_shorten_the_clip(make_bench):
    # A slicer may write a layer count that is not the file's (measured on sliced files).
    for told, tells_height in ((250, True), (250, False), (160, True)):
        bench = make_bench(length_s=2, park=False)
        bench.begin(layers=told)
        bench.tell(s.FileRead("lantern.gcode", forecast([10.0] * 200)))
        last = 200 if tells_height else told
        for layer in range(1, last + 1):
            bench.tell(LayerSeen(layer, 0.2 * layer if tells_height else None), after=5.0)
            answer(bench)
        assert landed(bench) == 50
        assert cued(bench)[-1] >= last - 1


def test_objects_printed_one_after_another_share_the_frames(make_bench):
    bench = make_bench(length_s=2, park=False)
    bench.begin()
    heights = [0.2 * (i % 50 + 1) for i in range(150)]
    climbed = tuple(0.2 * (i + 1) for i in range(150))
    bench.tell(s.FileRead("lantern.gcode", replace(forecast([10.0] * 150, heights, 3), climbed_mm=climbed)))
    for _ in range(3):
        for layer in range(1, 51):
            bench.tell(LayerSeen(layer, 0.2 * layer), after=5.0)
            answer(bench)
    assert landed(bench) == 50
    begun = [at for at, (sooner, later) in enumerate(itertools.pairwise(cued(bench)), 1) if later < sooner]
    assert begun == [pytest.approx(50 / 3, abs=1), pytest.approx(100 / 3, abs=1)]


def test_a_host_that_tells_heights_alone_is_followed_through_the_file(make_bench):
    bench = make_bench(length_s=1, park=False)
    bench.begin()
    bench.tell(s.FileRead("lantern.gcode", forecast([10.0] * 100)))
    for step in range(1, 401):  # a spiral: the height creeps up
        bench.tell(HeightSeen(step * 0.05), after=2.0)
        answer(bench)
    assert landed(bench) == 25
    assert {action.cue.why for action in bench.of(s.WriteCue)} == {Why.HEIGHT}


def test_while_the_file_is_being_read_the_first_layer_alone_is_shot(make_bench):
    bench = make_bench(length_s=2, park=False)
    bench = type(bench)(replace(bench.rules, reads_file=True))
    bench.begin()
    for layer in range(1, 6):
        bench.tell(LayerSeen(layer), after=20.0)
        answer(bench)
    assert cued(bench) == [1]
    bench.tell(s.FileRead("lantern.gcode", forecast([20.0] * 100)))
    for layer in range(6, 101):
        bench.tell(LayerSeen(layer), after=20.0)
        answer(bench)
    assert landed(bench) == 50


def test_a_file_that_cannot_be_read_is_noted_and_the_host_is_gone_by(make_bench):
    bench = make_bench(length_s=2, park=False)
    bench = type(bench)(replace(bench.rules, reads_file=True))
    bench.begin(layers=100)
    bench.tell(s.FileRead("lantern.gcode", None, "'lantern.gcode' can't be read: no such file"))
    for layer in range(1, 101):
        bench.tell(LayerSeen(layer), after=20.0)
        answer(bench)
    assert landed(bench) == 50
    assert [note.data.get("by") for note in plans(bench)] == [None, "layers"]


def test_a_file_read_for_another_print_is_passed_over(make_bench):
    bench = make_bench(length_s=2, park=False)
    assert bench.tell(s.FileRead("lantern.gcode", forecast([1.0]))) == []
    bench.begin()
    assert bench.tell(s.FileRead("pier.gcode", forecast([1.0] * 9))) == []
    assert bench.state.take.forecast is None


def test_cue_lines_win_over_a_known_file(make_bench):
    bench = make_bench(length_s=2, park=False)
    bench.begin()
    bench.tell(ConsoleSeen("lapsed cue 1"))
    answer(bench)
    bench.tell(s.FileRead("lantern.gcode", forecast([10.0] * 100)))
    for layer in range(1, 101):
        bench.tell(LayerSeen(layer), after=10.0)
        assert not answer(bench)
    assert plans(bench) == []


def test_what_is_planned_is_journaled_with_its_figures(make_bench):
    bench = make_bench(length_s=4, park=False)
    bench.begin()
    bench.tell(s.FileRead("lantern.gcode", forecast([10.0] * 60)))
    (note,) = plans(bench)
    assert note.text == "100 frames for 4 s, over the 60 layers of the file: a frame of each layer, which make 2.4 s"
    assert note.data == {
        "by": "file", "frames": 100, "shots": 60, "layers": 60, "print_s": pytest.approx(645.0), "clip_s": 2.4,
    }  # fmt: skip
    assert frames_to_come(bench.state) == 60


def test_a_daemon_started_again_goes_on_with_the_plan(make_bench):
    bench = make_bench(length_s=2, park=False)
    info = PrintInfo("lantern.gcode")
    # 20 cues, of which 5 were missed, up to layer 40 of 100; the layers that passed meanwhile are made up for.
    told = s.Recovered(info, 20, 0.0, 40, 1, 8.0, None, 3.0, missed=frozenset(range(1, 6)), held_s=0.0,
                       forecast=forecast([10.0] * 100), cued_s=90.0)  # fmt: skip
    bench.tell(told, LinkUp(), PrintStarted(info, joined=True))
    for layer in range(52, 101):
        bench.tell(LayerSeen(layer), after=10.0)
        answer(bench)
    assert landed(bench) == 50


# ----------------------------------------------------------------------------------------- by time, by the share done


@settings(max_examples=80, deadline=None, suppress_health_check=FIXTURES)
@given(
    script=st.tuples(st.integers(60, 200), st.floats(0.05, 0.4), st.floats(0.1, 0.5), st.integers(0, 20)),
    wrong=st.floats(0.6, 1.6),
    told=st.sampled_from(["expected", "expected and share", "share"]),
    seed=seeds,
)
def test_without_a_count_of_layers_the_clip_comes_out_within_a_frame(make_bench, script, wrong, told, seed):
    (layers, share, gap, lost), chance = script, random.Random(seed)
    layer_s = [60 * chance.uniform(0.5, 2.0) for _ in range(layers)]
    frames = max(2, int(layers * share))
    bench = make_bench(length_s=frames / 25, park=False)
    whole, done = sum(layer_s), 0.0
    # Only the share done can tell that the host's expectation is wrong, such as after a change of the feed factor.
    bench.begin(**({"expected_s": whole * (wrong if "share" in told else 1.0)} if "expected" in told else {}))
    silent = range(int(layers * gap), int(layers * gap) + lost)
    for at, takes in enumerate(layer_s):
        if at not in silent:
            news = [ProgressSeen(done / whole)] if "share" in told else []
            bench.tell(*news, LayerSeen(at + 1))
            answer(bench, chance.random() < 0.75 or at > 0.8 * layers)
        bench.now += takes
        done += takes
    assert abs(landed(bench) - frames) <= 1


@settings(max_examples=50, deadline=None, suppress_health_check=FIXTURES)
@given(frames=st.integers(5, 40), told=st.sampled_from(["expected", "share"]), seed=seeds)
def test_frames_by_time_or_share_lie_evenly(make_bench, frames, told, seed):
    chance = random.Random(seed)
    layer_s = [chance.uniform(30, 120) for _ in range(120)]
    whole, begins = sum(layer_s), [0.0, *itertools.accumulate(layer_s)]
    bench = make_bench(length_s=frames / 25, park=False)
    bench.begin(**({"expected_s": whole} if told == "expected" else {}))
    start, times = bench.now, []
    for number, begin in enumerate(begins[:-1], 1):
        bench.now = start + begin
        bench.tell(*([ProgressSeen(begin / whole)] if told == "share" else []), LayerSeen(number))
        if answer(bench):
            times.append(begin)
    assert max(later - sooner for sooner, later in itertools.pairwise(times)) <= whole / (frames - 1) + max(layer_s)
    assert whole - times[-1] <= 5 * max(layer_s)  # near its end the length of the last layers can only be guessed


def test_our_own_holds_are_no_print_time(make_bench):
    bench = make_bench(length_s=2)
    bench.begin(expected_s=1000.0)
    for layer in range(1, 201):
        bench.tell(LayerSeen(layer, 0.2 * layer), after=5.0)
        if bench.state.shot is not None:
            bench.now += 4.0
            bench.answer_until(None)
    assert landed(bench) == 50
    assert cued(bench)[-1] >= 198


# ------------------------------------------------------------------------------------------------------ by the clock


def clocked(bench, ends_s, layers=(), lands=lambda _share: True):
    """Let a print run to its end with nothing but the clock and the begins of `layers` told; when shots were."""
    start, news = bench.now, [(begin, number) for number, begin in enumerate(layers, 1)]
    times = []
    while True:
        layer_at = start + news[0][0] if news else math.inf
        bench.now = max(bench.now, min(s_wake(bench), layer_at))
        if bench.now >= start + ends_s:
            return times
        if news and bench.now >= layer_at:
            bench.tell(LayerSeen(news.pop(0)[1]))
        else:
            bench.tell(s.Tick())
        if answer(bench, lands((bench.now - start) / ends_s)):
            times.append(bench.now - start)


def s_wake(bench):
    wake = director.wake_at(bench.state)
    return math.inf if wake is None else wake


def test_a_host_without_layers_is_filmed_by_the_clock_where_the_time_is_known(make_bench):
    bench = make_bench(length_s=8, park=False)  # 200 frames
    bench.begin(expected_s=7200.0)
    times = clocked(bench, 7200.0)
    # The first 600 s go by while the host may still come to tell a layer.
    assert landed(bench) == pytest.approx(200, abs=1)
    gaps = [later - sooner for sooner, later in itertools.pairwise(times)]
    assert max(gaps) == pytest.approx(min(gaps))
    assert [note.data["by"] for note in plans(bench)] == ["time"]


@settings(max_examples=40, deadline=None, suppress_health_check=FIXTURES)
@given(layers=st.integers(2, 40), more=st.floats(1.1, 6), factor=st.sampled_from([0.5, 1.0, 1.5]), seed=seeds)
def test_layers_that_are_too_few_are_made_up_for_by_the_clock_if_so_set(make_bench, layers, more, factor, seed):
    chance = random.Random(seed)
    layer_s = [120 * chance.uniform(0.5, 2.0) for _ in range(layers)]
    frames = math.ceil(layers * more)
    bench = make_bench(length_s=frames / 25, fill="between", park=False)
    bench.begin()
    bench.tell(s.FileRead("lantern.gcode", forecast(layer_s)))
    # The feed factor makes the whole print slower or faster than its file says.
    begins = [0.0, *(factor * at for at in itertools.accumulate(layer_s))]
    times = clocked(bench, begins[-1], begins[:-1], lambda share: share > 0.7 or chance.random() < 0.75)
    assert abs(landed(bench) - frames) <= 1
    assert all(later - sooner >= 0.9 for sooner, later in itertools.pairwise(times))


def test_layers_that_are_too_few_are_left_so_by_default(make_bench):
    bench = make_bench(length_s=4, park=False)
    bench.begin(expected_s=600.0)
    bench.tell(s.FileRead("lantern.gcode", forecast([10.0] * 60)))
    clocked(bench, 600.0, [10.0 * i for i in range(60)])
    assert landed(bench) == 60


def test_the_clock_stands_still_in_pauses_gaps_and_shots(make_bench):
    bench = make_bench(length_s=8, fill="between", park=False)
    bench.begin()
    bench.tell(s.FileRead("lantern.gcode", forecast([100.0] * 20)), LayerSeen(1))
    assert s_wake(bench) == bench.state.shot.until  # the first layer's shot is under way
    answer(bench)
    assert s_wake(bench) == pytest.approx(bench.now + 2000 / 200, rel=0.01)
    bench.tell(LinkDown("reset"))
    assert s_wake(bench) == math.inf
    bench.tell(LinkUp(1.0), PrintTold(PrintInfo("lantern.gcode", layers=20)))
    assert s_wake(bench) < math.inf
