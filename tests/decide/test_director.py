"""Prints and takes, cadences, and whatever a host may tell out of turn."""

import itertools
from fractions import Fraction

import pytest

from lapsed.decide import state as s
from lapsed.decide.cadence import next_mark
from lapsed.model import (
    ConsoleSeen,
    Cue,
    Exposed,
    HeightSeen,
    Landed,
    LayerSeen,
    LinkDown,
    LinkUp,
    Missed,
    OnCard,
    Outcome,
    PrintEnded,
    PrintInfo,
    PrintPaused,
    PrintResumed,
    PrintStarted,
    PrintTold,
    ProgressSeen,
    Why,
)

P = s.Phase


def cued(bench) -> list[int | None]:
    """Layers of all cues so far."""
    return [action.cue.layer for action in bench.of(s.WriteCue)]


def run(bench, layers, height=0.2):
    for layer in layers:
        bench.tell(LayerSeen(layer, round(layer * height, 3)))
        if bench.state.shot is not None:
            bench.answer_until(None)


@pytest.mark.parametrize(
    ("every", "layers", "wanted"),
    [
        (1, [1, 2, 3, 4], [1, 2, 3, 4]),
        (3, [1, 2, 3, 4, 5, 6, 7], [1, 4, 7]),
        (3, [0, 1, 2, 3, 4, 5, 6], [0, 3, 6]),
        (2, [1, 1, 2, 2, 3, 3], [1, 3]),
        (1, [5, 4, 5, 6], [5, 6]),
    ],
)
def test_every_nth_layer(make_bench, every, layers, wanted):
    bench = make_bench(every_layers=every)
    bench.begin()
    run(bench, layers)
    assert cued(bench) == wanted


@pytest.mark.parametrize(
    ("length", "layers", "frames"), [(4, 200, 100), (4, 90, 90), (4, 101, 100), (0.5, 200, 13), (12, 192, 192)]
)
def test_a_wished_length_spreads_its_frames_over_the_layers(make_bench, length, layers, frames):
    # 0.5 s at 25 frames a second is 12.5 frames: the part frame counts whole.
    bench = make_bench(length_s=length)
    bench.begin(layers=layers)
    run(bench, range(1, layers + 1))
    shot = cued(bench)
    assert len(shot) == frames
    gaps = {later - earlier for earlier, later in itertools.pairwise(shot)}
    assert max(gaps) - min(gaps) <= 1


def test_a_wished_length_goes_by_time_where_layers_are_not_counted(make_bench):
    bench = make_bench(length_s=2)  # 50 frames
    bench.begin(expected_s=1000.0)
    for layer in range(1, 201):  # 200 layers of 5 s
        bench.tell(LayerSeen(layer), after=5.0)
        bench.answer_until(None) if bench.state.shot else None
    assert len(cued(bench)) == pytest.approx(50, abs=1)


def test_a_wished_length_goes_by_progress_where_nothing_else_is_told(make_bench):
    bench = make_bench(length_s=2)
    bench.begin()
    for layer in range(1, 201):
        bench.tell(ProgressSeen(layer / 200), LayerSeen(layer))
        bench.answer_until(None) if bench.state.shot else None
    assert len(cued(bench)) == pytest.approx(50, abs=1)


def test_a_host_without_layers_is_filmed_by_progress_where_a_length_is_wished(make_bench):
    bench = make_bench(length_s=2)
    bench.begin()
    for percent in range(101):
        bench.tell(ProgressSeen(percent / 100))
        bench.answer_until(None) if bench.state.shot else None
    assert len(cued(bench)) == pytest.approx(50, abs=3)


def test_a_host_without_layers_is_told_of_once_otherwise(bench):
    bench.begin()
    for _ in range(4):
        bench.tell(s.Tick(), after=400.0)
    assert [action.note.kind for action in bench.of(s.WriteNote)] == ["layerless"]


def test_heights_are_cued_at_multiples_once_each(make_bench):
    bench = make_bench(every_mm=1)
    bench.begin()
    for tenth in range(1, 51):
        bench.tell(HeightSeen(tenth / 10))
        bench.answer_until(None) if bench.state.shot else None
    assert [action.cue.height_mm for action in bench.of(s.WriteCue)] == [0.1, 1.0, 2.0, 3.0, 4.0, 5.0]


@pytest.mark.parametrize(
    ("step", "height", "mark"), [(1, 0.1, 1.0), (1, 1.0, 2.0), (0.1, 0.3, 0.4), (0.2, 0.6, 0.8), (2.5, 7.4, 7.5)]
)
def test_marks_are_exact_multiples(step, height, mark):
    assert next_mark(step, height) == mark


def test_a_dip_of_the_height_cues_nothing_and_the_next_object_begins_anew(make_bench):
    bench = make_bench(every_mm=1)
    bench.begin()
    for height in (0.2, 1.0, 2.0, 1.98, 2.02, 3.0, 0.2, 1.0):
        bench.tell(HeightSeen(height))
        bench.answer_until(None) if bench.state.shot else None
    assert [action.cue.height_mm for action in bench.of(s.WriteCue)] == [0.2, 1.0, 2.0, 3.0, 0.2, 1.0]
    assert bench.state.track.top_mm == 3.0


def test_time_is_cued_by_the_clock_and_not_in_pauses(make_bench):
    bench = make_bench(every_s=10)
    bench.begin()
    for _ in range(3):
        bench.tick()
        bench.answer_until(None)
    times = [action.cue.decided_s for action in bench.of(s.WriteCue)]
    assert [later - times[0] for later in times] == pytest.approx([0, 10, 20])
    bench.tell(PrintPaused())
    assert bench.tell(s.Tick(), after=100.0) == []
    bench.tell(PrintResumed())
    bench.tick()
    assert len(bench.of(s.WriteCue)) == 4


def test_layers_told_at_once_make_one_shot_and_the_rest_are_missed_with_the_reason(bench):
    bench.begin()
    run(bench, [1])
    bench.tell(LayerSeen(5, 1.0))
    assert cued(bench) == [1, 2, 3, 4, 5]
    assert [(action.shot, action.reason) for action in bench.of(s.WriteMissed)] == [
        (number, "the host told several layers at once, and this one had passed") for number in (2, 3, 4)
    ]
    assert bench.state.shot.cue.number == 5


def test_a_counter_that_stands_at_nought_before_the_first_layer_is_no_layer(bench):
    bench.begin()
    bench.tell(LayerSeen(0))
    run(bench, [1, 2])
    assert cued(bench) == [1, 2]


def test_an_absurd_jump_of_the_layer_is_one_cue(bench):
    bench.begin()
    run(bench, [1, 10**9])
    assert cued(bench) == [1, 10**9]


def test_a_layer_in_mid_shot_is_missed_with_the_reason(bench):
    bench.begin()
    bench.tell(LayerSeen(1), LayerSeen(2))
    assert [action.reason for action in bench.of(s.WriteMissed)] == ["the shot before it was still under way"]


def test_the_next_object_counts_anew_and_the_head_still_passes_above_the_last_one(bench):
    bench.begin()
    run(bench, range(1, 101))
    run(bench, [1, 2])
    assert cued(bench)[-3:] == [100, 1, 2]
    bench.tell(LayerSeen(3, 0.6))
    bench.answer_until(P.ASKING)
    bench.answer_until(P.PARKING)
    assert bench.of(s.Plan)[-1].top_mm == pytest.approx(20.0)


@pytest.mark.parametrize(
    ("gap", "layer", "height", "sure"),
    [(5.0, 11, 2.2, True), (5.0, 14, 2.8, True), (5.0, 40, 8.0, False), (500.0, 11, 2.2, False), (5.0, 2, 0.4, False)],
)
def test_what_a_gap_may_have_hidden_raises_the_head(bench, gap, layer, height, sure):
    bench.begin(height_mm=60.0)
    run(bench, range(1, 11))
    info = PrintInfo("lantern.gcode", height_mm=60.0)
    bench.tell(LinkDown("reset"), LinkUp(gap), PrintStarted(info, joined=True))
    bench.tell(LayerSeen(layer, height))
    bench.answer_until(P.PARKING)
    assert (bench.of(s.Plan)[-1].top_mm == 60.0) is not sure


def test_a_print_joined_late_is_passed_above_its_full_height(bench):
    bench.tell(LinkUp(), PrintStarted(PrintInfo("lantern.gcode"), joined=True), LayerSeen(30, 6.0))
    bench.answer_until(P.PARKING)
    assert bench.of(s.Plan)[-1].top_mm == bench.rules.tallest_mm
    assert bench.of(s.WriteNote)[0].note.kind == "joined"


def test_the_take_goes_on_after_a_gap_without_a_doubled_shot(bench):
    bench.begin()
    run(bench, [1, 2])
    bench.tell(LinkDown("reset"), LinkUp(1.0), PrintStarted(PrintInfo("lantern.gcode"), joined=True), LayerSeen(2, 0.4))
    run(bench, [3])
    assert cued(bench) == [1, 2, 3]
    assert len(bench.of(s.OpenTake)) == 1
    assert [action.note.kind for action in bench.of(s.WriteNote)] == ["link", "link"]


@pytest.mark.parametrize(
    "other", [PrintInfo("pier.gcode"), PrintInfo("lantern.gcode", identity="b")], ids=["name", "identity"]
)
def test_a_host_that_comes_back_with_another_print_ends_the_take(bench, other):
    bench.begin(identity="a")
    bench.tell(LinkDown("reset"), LinkUp(1.0), PrintStarted(other, joined=True))
    assert bench.of(s.CloseTake)[0].outcome is Outcome.LOST
    assert [action.print for action in bench.of(s.OpenTake)][-1] == other


def test_the_same_file_begun_again_during_a_gap_is_another_take(bench):
    bench.begin()
    bench.tell(ProgressSeen(0.7), LinkDown("reset"), LinkUp(60.0))
    bench.tell(PrintStarted(PrintInfo("lantern.gcode"), joined=True), ProgressSeen(0.1))
    assert len(bench.of(s.OpenTake)) == 2
    assert "begun again" in bench.of(s.CloseTake)[0].reason


def test_a_take_closes_when_the_last_frame_has_landed(make_bench):
    bench = make_bench(every_layers=1, last_frame=False)
    bench.begin()
    bench.tell(LayerSeen(1))
    bench.answer_until(P.EXPOSING)
    bench.tell(Exposed(1, "main", bench.now))
    bench.answer_until(None)
    assert bench.tell(PrintEnded(Outcome.FINISHED)) == []
    assert bench.tell(Landed(1, "main", bench.now, ("a.jpg",), 9)) == [s.CloseTake(Outcome.FINISHED, "")]


def test_a_picture_left_on_the_card_keeps_no_take_open(make_bench):
    bench = make_bench(every_layers=1, last_frame=False)
    bench.begin()
    bench.tell(LayerSeen(1))
    bench.answer_until(P.EXPOSING)
    bench.tell(Exposed(1, "main", bench.now))
    bench.answer_until(None)
    bench.tell(PrintEnded(Outcome.FINISHED))
    assert bench.tell(OnCard(1, "main", bench.now)) == [s.CloseTake(Outcome.FINISHED, "")]
    assert bench.of(s.WriteMissed) == []


def test_a_second_print_that_starts_at_once_gets_a_take_of_its_own(make_bench):
    bench = make_bench(every_layers=1, last_frame=False)
    bench.begin()
    bench.tell(LayerSeen(1))
    bench.answer_until(P.EXPOSING)
    bench.tell(PrintEnded(Outcome.FINISHED), PrintStarted(PrintInfo("pier.gcode")), LayerSeen(1))
    assert len(bench.of(s.OpenTake)) == 1
    actions = bench.tell(Missed(1, "main", bench.now, "no light"))
    assert actions == [s.CloseTake(Outcome.FINISHED, ""), s.OpenTake(PrintInfo("pier.gcode"))]
    run(bench, [2])
    assert bench.of(s.WriteCue)[-1].cue.number == 1


def test_a_new_print_without_an_end_of_the_last_closes_it(bench):
    bench.begin()
    bench.tell(PrintStarted(PrintInfo("pier.gcode")))
    assert [action.outcome for action in bench.of(s.CloseTake)] == [Outcome.LOST]
    assert len(bench.of(s.OpenTake)) == 2


def test_a_finished_print_gets_a_frame_of_the_whole_part_without_a_hold(bench):
    bench.begin()
    bench.shoot(1, 0.2)
    cue, release = bench.tell(PrintEnded(Outcome.FINISHED))
    assert (cue.cue.number, cue.cue.why, cue.cue.layer) == (2, Why.END, 1)
    assert (type(release), release.shot) == (s.Release, 2)
    assert bench.tell(Exposed(2, "main", bench.now)) == []
    assert bench.tell(Landed(2, "main", bench.now, ("b.jpg",), 9)) == [s.CloseTake(Outcome.FINISHED, "")]
    assert len(bench.of(s.Hold)) == 1


def test_a_shot_under_way_as_the_print_finishes_makes_room_for_the_last_frame(bench):
    bench.begin()
    bench.tell(LayerSeen(1))
    bench.answer_until(P.PARKING)
    actions = bench.tell(PrintEnded(Outcome.FINISHED))
    assert [type(action) for action in actions] == [s.WriteMissed, s.HoldOver, s.WriteCue, s.Release]
    assert bench.tell(Missed(2, "main", bench.now, "no light")) == [s.CloseTake(Outcome.FINISHED, "")]


def test_a_picture_still_being_fetched_as_the_print_finishes_is_waited_for_as_well(bench):
    bench.begin()
    bench.tell(LayerSeen(1))
    bench.answer_until(P.EXPOSING)
    bench.tell(PrintEnded(Outcome.FINISHED))
    assert bench.tell(Landed(2, "main", bench.now, ("b.jpg",), 9)) == []
    assert bench.tell(Landed(1, "main", bench.now, ("a.jpg",), 9)) == [s.CloseTake(Outcome.FINISHED, "")]


@pytest.mark.parametrize(
    ("cadence", "before", "outcome"),
    [
        ({"every_layers": 1, "last_frame": False}, [], Outcome.FINISHED),
        ({"every_layers": 1}, [], Outcome.CANCELLED),
        ({"every_layers": 1}, [], Outcome.FAILED),
        ({"cue_lines_only": True}, [], Outcome.FINISHED),
        ({"every_layers": 1}, [ConsoleSeen("lapsed cue 1"), Missed(1, "main", 0.0, "no light")], Outcome.FINISHED),
    ],
    ids=["not wanted", "cancelled", "failed", "marked files only", "a marked file"],
)
def test_no_last_frame(make_bench, cadence, before, outcome):
    bench = make_bench(**cadence)
    bench.begin()
    bench.tell(*before)
    assert bench.tell(PrintEnded(outcome)) == [s.CloseTake(outcome, "")]


def test_while_shots_are_skipped_or_impossible_the_last_frame_is_missed_with_the_reason(bench):
    bench.begin()
    bench.tell(s.Stopped("the disk is full"))
    _, missed, closed = bench.tell(PrintEnded(Outcome.FINISHED))
    assert (missed.shot, missed.reason, type(closed)) == (1, "the disk is full", s.CloseTake)


def test_the_last_frame_is_taken_once(bench):
    bench.begin()
    bench.tell(PrintEnded(Outcome.FINISHED))
    assert bench.tell(PrintEnded(Outcome.FINISHED)) == []
    assert bench.tell(PrintStarted(PrintInfo("pier.gcode"))) == []
    assert [type(action) for action in bench.tell(OnCard(1, "main", bench.now))] == [s.CloseTake, s.OpenTake]


def test_a_daemon_killed_after_the_last_cue_is_followed_by_one_that_cues_no_other(bench):
    info = PrintInfo("lantern.gcode")
    bench.tell(s.Recovered(info, 13, 0.0, 12, 1, 2.4, None, 3.0, ended=True))
    assert bench.tell(LinkUp(), PrintEnded(Outcome.FINISHED)) == [s.CloseTake(Outcome.FINISHED, "")]


def test_a_daemon_killed_before_the_last_cue_is_followed_by_one_that_cues_it(bench):
    bench.tell(s.Recovered(PrintInfo("lantern.gcode"), 12, 0.0, 12, 1, 2.4, None, 3.0))
    cue, release = bench.tell(LinkUp(), PrintEnded(Outcome.FINISHED))
    assert (cue.cue.number, cue.cue.why, type(release)) == (13, Why.END, s.Release)


def test_a_print_under_way_after_the_last_cue_is_another_run_of_the_file(bench):
    info = PrintInfo("lantern.gcode")
    bench.tell(s.Recovered(info, 13, 0.0, 12, 1, 2.4, None, 3.0, ended=True))
    actions = bench.tell(LinkUp(), PrintStarted(info, joined=True))
    assert actions[:2] == [s.CloseTake(Outcome.FINISHED, ""), s.OpenTake(info)]
    assert bench.tell(PrintEnded(Outcome.FINISHED))[0].cue.why is Why.END


def test_an_end_without_a_print_is_nothing(bench):
    assert bench.tell(LinkUp(), PrintEnded(Outcome.FINISHED), LayerSeen(3), ProgressSeen(1.0)) == []


def test_cue_lines_fire_without_a_hold_and_silence_the_cadence(bench):
    bench.begin()
    actions = bench.tell(ConsoleSeen("echo: lapsed cue 1"))
    assert [type(action) for action in actions] == [s.WriteNote, s.WriteCue, s.Release]
    bench.tell(Exposed(1, "main", bench.now), LayerSeen(2), ConsoleSeen("lapsed cue 1"))
    assert len(bench.of(s.WriteCue)) == 1
    bench.tell(ConsoleSeen("lapsed cue 2"))
    assert bench.of(s.WriteCue)[-1].cue == Cue(2, Why.LINE, bench.now, 2, None)
    assert not bench.of(s.Hold)


def test_cue_lines_that_were_not_heard_are_accounted_for(bench):
    bench.begin()
    bench.tell(ConsoleSeen("lapsed cue 1"), Exposed(1, "main", bench.now), ConsoleSeen("lapsed cue 4"))
    assert [action.cue.number for action in bench.of(s.WriteCue)] == [1, 2, 3, 4]
    assert {action.reason for action in bench.of(s.WriteMissed)} == {"its cue line was not heard"}


@pytest.mark.parametrize("line", ["", "lapsed cue", "lapsed cue x", "elapsed cue 4", "lapsed cue 99999999999", "\x00"])
def test_other_console_lines_are_nothing(bench, line):
    bench.begin()
    assert bench.tell(ConsoleSeen(line)) == []


def test_pauses_are_journaled_and_time_in_them_is_no_print_time(bench):
    bench.begin()
    bench.tell(PrintPaused())
    bench.tell(PrintResumed(), after=60.0)
    assert bench.state.take.paused_s == pytest.approx(60.0)
    assert [action.note.kind for action in bench.of(s.WriteNote)] == ["paused", "resumed"]


def test_a_take_that_cannot_be_written_lets_the_print_go_by(bench):
    bench.begin()
    bench.tell(LayerSeen(1))
    bench.answer_until(P.SETTLING)
    actions = bench.tell(s.TakeFailed("the disk is full"))
    assert s.SendBack(1) in actions
    bench.answer_until(None)
    assert bench.tell(LayerSeen(2)) == []
    bench.tell(PrintEnded(Outcome.FINISHED), PrintStarted(PrintInfo("pier.gcode")))
    assert bench.of(s.OpenTake)[-1].print.name == "pier.gcode"


def test_what_is_left_of_a_print_is_filmed_in_another_take_once_the_disk_is_well(bench):
    bench.begin()
    bench.tell(LayerSeen(1))
    bench.answer_until(P.EXPOSING)
    bench.tell(s.TakeFailed("the disk is full"))
    bench.tell(s.DiskWell())
    assert len(bench.of(s.OpenTake)) == 1  # the head is on its way back, and a frame is still to come
    bench.answer_until(None)
    bench.tell(Landed(1, "main", bench.now, ("a.jpg",), 9))
    assert bench.tell(LayerSeen(2)) == []
    bench.tell(s.DiskWell())
    assert [action.print.name for action in bench.of(s.OpenTake)] == ["lantern.gcode", "lantern.gcode"]
    assert not bench.state.track.top_sure  # other objects may have been finished meanwhile
    assert bench.shoot(3, 0.6) == 1
    assert bench.tell(s.DiskWell()) == []


@pytest.mark.parametrize(
    "event",
    [PrintEnded(Outcome.FINISHED), s.EndTake(), PrintStarted(PrintInfo("pier.gcode"))],
    ids=lambda e: type(e).__name__,
)
def test_a_print_that_is_over_or_was_ended_by_hand_is_not_filmed_when_the_disk_is_well(bench, event):
    bench.begin()
    bench.tell(s.TakeFailed("the disk is full"), event)
    before = len(bench.of(s.OpenTake))
    bench.tell(s.DiskWell())
    assert len(bench.of(s.OpenTake)) == before


def test_frames_still_coming_for_a_take_that_failed_keep_the_next_one_waiting(bench):
    bench.begin()
    bench.tell(LayerSeen(1))
    bench.answer_until(P.EXPOSING)
    bench.tell(s.TakeFailed("the disk is full"), PrintEnded(Outcome.FINISHED), PrintStarted(PrintInfo("pier.gcode")))
    assert len(bench.of(s.OpenTake)) == 1
    bench.tell(Landed(1, "main", bench.now, ("a.jpg",), 9))
    assert bench.of(s.OpenTake)[-1].print.name == "pier.gcode"


def test_shots_are_refused_with_the_reason_while_stopped(bench):
    bench.begin()
    bench.tell(s.Stopped("the disk has 40 MB left"))
    run(bench, [1])
    bench.tell(s.Stopped(None))
    run(bench, [2])
    assert [action.reason for action in bench.of(s.WriteMissed)][:1] == ["the disk has 40 MB left"]
    assert len(bench.of(s.Hold)) == 1


def test_no_shot_is_begun_while_the_daemon_is_leaving(bench):
    bench.begin()
    bench.tell(s.Leave(), LayerSeen(1))
    assert [action.reason for action in bench.of(s.WriteMissed)] == ["the daemon was being stopped"]
    assert not bench.of(s.Hold)


def test_what_the_host_tells_later_completes_the_print(make_bench):
    bench = make_bench(length_s=2)
    bench.begin()
    bench.tell(PrintTold(PrintInfo("lantern.gcode", layers=100)))
    run(bench, range(1, 101))
    assert len(cued(bench)) == 50


def test_a_take_found_open_goes_on_where_it_was(bench):
    info = PrintInfo("lantern.gcode", identity="a")
    bench.tell(s.Recovered(info, 12, 0.0, 12, 1, 2.4, None, 3.0))
    bench.tell(LinkUp(), PrintStarted(info, joined=True), LayerSeen(12, 2.4), LayerSeen(13, 2.6))
    assert [action.cue.number for action in bench.of(s.WriteCue)] == [13]
    assert not bench.of(s.OpenTake)


def test_a_take_found_open_whose_print_is_over_is_closed(bench):
    bench.tell(s.Recovered(PrintInfo("lantern.gcode"), 12, 0.0, 12, 1, 2.4, None, 3.0, holding=12, left=True))
    actions = bench.tell(LinkUp(), PrintEnded(Outcome.LOST, "nothing is printed any more"))
    assert [type(action) for action in actions] == [s.HoldOver, s.CloseTake]


def test_the_rate_of_a_wished_length_is_exact(make_bench):
    # 1001 frames at 24000/1001 are 41.75 s and a little: 41.7 s ask for 1000 (SMPTE ST 428-11 gives the rate).
    bench = make_bench(length_s=41.7, rate="23.976")
    assert bench.rules.cadence.rate == Fraction(24000, 1001)
    bench.begin(layers=2000)
    run(bench, range(1, 2001))
    assert len(cued(bench)) == 1000


def test_a_layer_that_comes_before_the_answer_to_our_resuming_is_shot(bench):
    bench.begin()
    bench.tell(LayerSeen(1, 0.2))
    bench.answer_until(P.EXPOSING)
    bench.tell(Exposed(1, "main", bench.now))
    bench.answer_until(P.RESUMING)
    bench.tell(LayerSeen(2, 0.4))
    assert [action.shot for action in bench.of(s.Hold)] == [1, 2]
    bench.tell(s.Done(1, P.RESUMING))  # the late answer is of no shot any more
    assert (bench.state.shot.cue.number, bench.state.shot.phase) == (2, P.HOLDING)
    assert bench.of(s.WriteMissed) == []


def test_a_thousand_reconnects_double_no_shot_and_leave_nothing_behind(bench):
    bench.begin()
    for layer in range(1, 1001):
        bench.tell(LinkDown("reset"), LinkUp(0.2), PrintStarted(PrintInfo("lantern.gcode"), joined=True), after=0.2)
        if layer > 1:
            bench.tell(LayerSeen(layer - 1))  # told again, as a host tells all it knows on connecting
        bench.shoot(layer)
    assert cued(bench) == list(range(1, 1001))
    assert len(bench.of(s.OpenTake)) == 1
    assert (bench.state.shot, bench.state.pending) == (None, frozenset())
    assert len(repr(bench.state)) < 4000
