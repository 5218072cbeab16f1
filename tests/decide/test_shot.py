"""One shot: hold, ask, plan, park, settle, expose, return, resume; and every way it can go wrong."""

import pytest

from lapsed.decide import state as s
from lapsed.model import (
    CameraTold,
    ConsoleSeen,
    Exposed,
    Landed,
    LayerSeen,
    LinkDown,
    LinkUp,
    Missed,
    MotionSeen,
    Outcome,
    PrintEnded,
    PrintInfo,
    PrintPaused,
    PrintResumed,
    PrintStarted,
    Step,
)

P = s.Phase


def kinds(actions):
    return [type(action).__name__ for action in actions]


def test_a_shot_passes_all_its_stations_in_order(bench):
    bench.begin()
    bench.shoot(1, 0.3)
    assert kinds(bench.asked) == [
        "OpenTake", "WriteCue", "Hold", "WriteStep", "Ask", "Plan", "SendLeave", "WriteStep", "Release",
        "SendBack", "WriteStep", "Resume", "WriteStep", "HoldOver",
    ]  # fmt: skip
    steps = [action.step for action in bench.of(s.WriteStep)]
    assert steps == [Step.HELD, Step.PARKED, Step.RETURNED, Step.RESUMED]
    assert bench.state.shot is None
    assert not bench.state.pending


def test_the_head_settles_before_the_shutter_opens(bench):
    bench.begin()
    bench.tell(LayerSeen(1))
    bench.answer_until(P.SETTLING)
    assert bench.tell(s.Tick(), after=0.1) == []
    assert kinds(bench.tell(s.Tick(), after=0.2)) == ["Release"]


def test_the_console_line_at_the_end_of_a_block_counts_as_its_answer(bench):
    bench.begin()
    bench.tell(LayerSeen(1))
    bench.answer_until(P.PARKING)
    bench.tell(ConsoleSeen("echo: lapsed parked 7"))
    assert bench.state.shot.phase is P.PARKING
    bench.tell(ConsoleSeen("echo: lapsed parked 1"))
    assert bench.state.shot.phase is P.SETTLING
    bench.answer_until(P.RETURNING)
    bench.tell(ConsoleSeen("lapsed returned 1"))
    assert bench.state.shot.phase is P.RESUMING


def test_the_print_goes_on_at_exposed_and_landing_comes_later(bench):
    bench.begin()
    bench.tell(LayerSeen(1))
    bench.answer_until(P.EXPOSING)
    bench.tell(Exposed(1, "main", bench.now))
    bench.answer_until(None)
    assert bench.state.pending == {(1, "main")}
    bench.tell(Landed(1, "main", bench.now, ("a.jpg",), 9))
    assert not bench.state.pending


@pytest.mark.parametrize("phase", [P.HOLDING, P.ASKING, P.PLANNING])
def test_before_the_head_moved_silence_ends_in_resume_without_a_move(bench, phase):
    bench.begin()
    bench.tell(LayerSeen(1))
    bench.answer_until(phase)
    actions = bench.tick()
    assert kinds(actions) == ["WriteMissed", "Resume"]
    assert "did not answer in time" in actions[0].reason


@pytest.mark.parametrize("phase", [P.PARKING, P.EXPOSING])
def test_after_the_head_moved_lateness_ends_in_return_and_resume(bench, phase):
    bench.begin()
    bench.tell(LayerSeen(1))
    bench.answer_until(phase)
    assert kinds(bench.tick())[-1] == "SendBack"
    bench.answer_until(None)
    assert kinds(bench.asked)[-1] == "HoldOver"
    assert len(bench.of(s.Resume)) == 1


@pytest.mark.parametrize("phase", [P.HOLDING, P.ASKING, P.PLANNING, P.PARKING, P.SETTLING, P.EXPOSING, P.RETURNING])
def test_the_print_goes_on_within_the_hold_limit_wherever_a_shot_stalls(bench, phase):
    bench.begin()
    start = bench.now
    bench.tell(LayerSeen(1))
    bench.answer_until(phase)
    while not bench.of(s.Resume):
        bench.tick()
    assert bench.now - start <= bench.rules.cadence.hold_limit_s


def test_a_host_that_refuses_to_hold_is_not_told_to_go_on(bench):
    bench.begin()
    bench.tell(LayerSeen(1))
    actions = bench.tell(s.Failed(1, P.HOLDING, "the host said no"))
    assert kinds(actions) == ["WriteMissed", "HoldOver"]
    assert bench.state.shot is None


def test_a_hold_that_comes_about_after_it_was_given_up_is_ended(bench):
    bench.begin()
    bench.tell(LayerSeen(1))
    bench.tick()
    bench.tell(s.Failed(1, P.RESUMING, "not held"))
    assert bench.state.shot is None
    assert kinds(bench.tell(PrintPaused(held=True))) == ["Resume"]


def test_a_return_that_is_refused_is_asked_again_and_the_print_waits_for_it(bench):
    bench.begin()
    bench.tell(LayerSeen(1))
    bench.answer_until(P.EXPOSING)
    bench.tell(PrintPaused(held=True), Exposed(1, "main", bench.now))
    for _ in range(5):
        bench.tell(s.Failed(1, P.RETURNING, "the host said no"))
        assert kinds(bench.tick()) == ["SendBack"]
    assert not bench.of(s.Resume)
    bench.answer_until(None)
    assert len(bench.of(s.Resume)) == 1


def test_a_return_without_an_answer_is_sent_again_ahead_of_the_resume(bench):
    bench.begin()
    bench.tell(LayerSeen(1))
    bench.answer_until(P.RETURNING)
    assert kinds(bench.tell(s.Failed(1, P.RETURNING, "no reply", silent=True))) == ["SendBack", "Resume"]


def test_a_refused_resume_is_asked_again_while_the_host_waits(bench):
    bench.begin()
    bench.tell(LayerSeen(1))
    bench.tell(PrintPaused(held=True))
    bench.answer_until(P.RESUMING)
    bench.tell(s.Failed(1, P.RESUMING, "busy"))
    assert kinds(bench.tick()) == ["Resume"]
    bench.tell(PrintResumed())
    assert bench.state.shot is None


def test_a_park_too_slow_for_the_hold_limit_is_not_begun(bench):
    bench.begin()
    bench.tell(LayerSeen(1))
    bench.answer_until(P.PLANNING)
    actions = bench.tell(s.Planned(1, 20.0, 20.0))
    assert kinds(actions) == ["WriteMissed", "Resume"]
    assert "parking here would take 41.0 s of the 12 s" in actions[0].reason


def test_an_unsafe_park_is_missed_with_its_reason(bench):
    bench.begin()
    bench.tell(LayerSeen(1))
    bench.answer_until(P.PLANNING)
    actions = bench.tell(s.Failed(1, P.PLANNING, "no room above the part"))
    assert (actions[0].reason, kinds(actions)) == ("no room above the part", ["WriteMissed", "Resume"])


def test_a_host_that_tells_no_position_moves_no_head(bench):
    bench.begin()
    bench.tell(LayerSeen(1))
    bench.answer_until(P.ASKING)
    assert kinds(bench.tell(s.Done(1, P.ASKING))) == ["WriteMissed", "Resume"]


def test_all_cameras_fire_together_and_the_hold_waits_for_every_required_one(make_bench):
    bench = make_bench(cameras=("main", "side", "top"), required=("main", "side"), every_layers=1)
    bench.begin()
    bench.tell(LayerSeen(1))
    bench.answer_until(P.EXPOSING)
    bench.tell(Exposed(1, "main", bench.now), Missed(1, "side", bench.now, "asleep"))
    assert bench.state.shot.phase is P.EXPOSING
    before = bench.now
    bench.tick()
    assert bench.now - before == pytest.approx(0.5)
    assert bench.state.shot.phase is P.RETURNING


def test_without_parking_a_shot_is_only_a_release(make_bench):
    bench = make_bench(every_layers=1, park=False)
    bench.begin()
    assert kinds(bench.tell(LayerSeen(1))) == ["WriteCue", "Release"]
    bench.tell(Exposed(1, "main", bench.now))
    assert bench.state.shot is None
    assert not bench.of(s.HoldOver)


def test_a_user_who_pauses_in_mid_shot_is_left_with_a_paused_print(bench):
    bench.begin()
    bench.tell(LayerSeen(1))
    bench.answer_until(P.EXPOSING)
    bench.tell(PrintPaused(held=False), Exposed(1, "main", bench.now))
    bench.answer_until(None)
    assert len(bench.of(s.SendBack)) == 1
    assert not bench.of(s.Resume)
    assert bench.state.take.paused


def test_a_hold_that_comes_to_light_again_after_a_pause_is_ended(bench):
    bench.begin()
    bench.tell(LayerSeen(1))
    bench.answer_until(P.EXPOSING)
    bench.tell(PrintPaused(held=False), Exposed(1, "main", bench.now))
    bench.answer_until(None)
    assert kinds(bench.tell(PrintPaused(held=True))) == ["Resume"]
    bench.answer_until(None)
    bench.tell(PrintResumed())
    assert not bench.state.take.paused
    assert len(bench.of(s.SendBack)) == 1


def test_a_pause_that_comes_and_goes_within_a_shot_leaves_the_hold_ours_to_end(bench):
    bench.begin()
    bench.tell(LayerSeen(1))
    bench.answer_until(P.EXPOSING)
    bench.tell(PrintPaused(held=False), PrintPaused(held=True), Exposed(1, "main", bench.now))
    bench.answer_until(None)
    assert len(bench.of(s.Resume)) == 1


def test_where_the_host_has_one_word_for_both_our_hold_is_no_pause(make_bench):
    bench = make_bench(every_layers=1, held_word=False)
    bench.begin()
    bench.tell(LayerSeen(1), PrintPaused(held=False))
    assert bench.state.shot.phase is P.ASKING
    assert not bench.state.take.paused


def test_someone_else_letting_the_print_go_on_brings_the_head_back_at_once(bench):
    bench.begin()
    bench.tell(LayerSeen(1), PrintPaused(held=True))
    bench.answer_until(P.SETTLING)
    assert "SendBack" in kinds(bench.tell(PrintResumed()))
    bench.answer_until(None)
    assert not bench.of(s.Resume)


@pytest.mark.parametrize("phase", [P.HOLDING, P.ASKING, P.PARKING, P.SETTLING, P.EXPOSING, P.RETURNING, P.RESUMING])
def test_a_print_that_ends_in_mid_shot_is_sent_nothing_more(bench, phase):
    bench.begin()
    bench.tell(LayerSeen(1))
    bench.answer_until(phase)
    actions = bench.tell(PrintEnded(Outcome.CANCELLED, "by the user"))
    assert not {"SendBack", "Resume", "SendLeave"} & set(kinds(actions))
    assert bench.state.shot is None


@pytest.mark.parametrize("phase", [P.PARKING, P.SETTLING, P.RETURNING])
def test_a_link_that_comes_back_to_a_held_print_brings_the_head_back(bench, phase):
    bench.begin()
    bench.tell(LayerSeen(1), PrintPaused(held=True))
    bench.answer_until(phase)
    bench.tell(LinkDown("reset"), LinkUp(2.0), PrintStarted(PrintInfo("lantern.gcode"), joined=True))
    assert kinds(bench.tell(PrintPaused(held=True)))[-1] == "SendBack"
    bench.answer_until(None)
    assert len(bench.of(s.Resume)) == 1


def test_a_link_that_comes_back_to_a_running_print_sends_no_stale_way_back(bench):
    bench.begin()
    bench.tell(LayerSeen(1), PrintPaused(held=True))
    bench.answer_until(P.SETTLING)
    bench.tell(LinkDown("reset"), LinkUp(2.0), PrintStarted(PrintInfo("lantern.gcode"), joined=True))
    bench.tick()
    assert bench.state.shot is None
    assert not bench.of(s.SendBack)


def test_a_link_lost_while_exposing_still_waits_for_the_shutter(bench):
    bench.begin()
    bench.tell(LayerSeen(1), PrintPaused(held=True))
    bench.answer_until(P.EXPOSING)
    bench.tell(LinkDown("reset"), LinkUp(0.2), PrintStarted(PrintInfo("lantern.gcode"), joined=True))
    bench.tell(PrintPaused(held=True))
    assert bench.state.shot.phase is P.EXPOSING
    assert "SendBack" in kinds(bench.tell(Exposed(1, "main", bench.now)))


@pytest.mark.parametrize("left", [True, False])
def test_a_daemon_started_again_ends_the_hold_of_the_last_one(bench, left):
    info = PrintInfo("lantern.gcode")
    bench.tell(s.Recovered(info, 7, 0.0, 7, 1, 2.1, None, 3.0, holding=7, left=left))
    bench.tell(LinkUp(), PrintStarted(info, joined=True), PrintPaused(held=True))
    bench.answer_until(None)
    assert len(bench.of(s.SendBack)) == int(left)
    assert len(bench.of(s.Resume)) == 1
    assert not bench.of(s.WriteMissed)


def test_a_daemon_that_died_as_it_asked_for_a_hold_is_followed_by_one_that_ends_it(bench):
    info = PrintInfo("lantern.gcode")
    bench.tell(s.Recovered(info, 7, 0.0, 7, 1, 2.1, None, 3.0))
    bench.tell(LinkUp(), PrintStarted(info, joined=True))
    assert kinds(bench.tell(PrintPaused(held=True))) == ["WriteNote", "Resume"]
    bench.tell(PrintResumed())
    assert bench.state.shot is None


def test_a_hold_that_is_not_ours_is_left_alone(bench):
    bench.begin()
    assert "Resume" not in kinds(bench.tell(PrintPaused(held=True)))
    assert bench.state.take.paused


def test_a_daemon_started_again_leaves_a_running_print_alone(bench):
    info = PrintInfo("lantern.gcode")
    bench.tell(s.Recovered(info, 7, 0.0, 7, 1, 2.1, None, 3.0, holding=7, left=True))
    bench.tell(LinkUp(), PrintStarted(info, joined=True))
    bench.tick()
    assert bench.state.shot is None
    assert not bench.of(s.SendBack)
    assert bench.shoot(8) == 8


@pytest.mark.parametrize(
    ("phase", "wanted"),
    [
        (P.HOLDING, ["WriteMissed", "Resume"]),
        (P.ASKING, ["WriteMissed", "Resume"]),
        (P.PARKING, ["WriteMissed", "SendBack"]),
        (P.SETTLING, ["WriteMissed", "SendBack"]),
        (P.EXPOSING, ["SendBack"]),
        (P.RETURNING, []),
    ],
)
def test_a_daemon_being_stopped_lets_go_of_the_print(bench, phase, wanted):
    bench.begin()
    bench.tell(LayerSeen(1))
    bench.answer_until(phase)
    assert kinds(bench.tell(s.Leave())) == wanted


def test_stale_answers_change_nothing(bench):
    bench.begin()
    bench.tell(LayerSeen(1))
    before = bench.state
    stale = [
        s.Done(9, P.HOLDING), s.Done(1, P.PARKING), s.Failed(1, P.RETURNING, "x"), s.Planned(1, 1, 1),
        Exposed(9, "main", 0.0), s.Tick(),
    ]  # fmt: skip
    assert bench.tell(*stale) == []
    assert bench.state == before


def test_the_motion_before_a_gap_is_forgotten(bench, motion):
    bench.begin()
    bench.tell(MotionSeen(motion), LinkDown("reset"))
    assert bench.state.motion is None


def test_for_cameras_that_are_away_the_print_is_held_three_times_and_no_more(make_bench):
    bench = make_bench(cameras=("main", "side"), required=("main",))
    bench.begin()
    bench.light = False
    bench.tell(CameraTold("main", ready=False, text="it is unplugged"))
    for layer in (1, 2, 3):
        bench.tell(LayerSeen(layer))
        bench.answer_until(None)
    assert kinds(bench.tell(LayerSeen(4))) == ["WriteCue", "WriteMissed"]
    (missed,) = bench.of(s.WriteMissed)
    assert missed.cameras == ("main", "side")
    assert "is away, and the print is not held for it" in missed.reason
    # A person may try, and the camera that is back is shot with at the next cue.
    assert "Hold" in kinds(bench.tell(s.ShootNow()))
    bench.answer_until(None)
    bench.tell(CameraTold("main", ready=True, text="found"))
    bench.light = True
    bench.tell(LayerSeen(5))
    bench.answer_until(None)
    # Away once more, it has three more chances.
    bench.tell(CameraTold("main", ready=False, text="it is unplugged"))
    bench.light = False
    for layer in (6, 7, 8, 9):
        bench.tell(LayerSeen(layer))
        if bench.state.shot:
            bench.answer_until(None)
    assert len(bench.of(s.Hold)) == 3 + 1 + 1 + 3


def test_where_nothing_is_held_a_camera_that_is_away_is_tried_at_every_cue(make_bench):
    bench = make_bench(every_layers=1, park=False)
    bench.begin()
    bench.light = False
    bench.tell(CameraTold("main", ready=False, text="it is unplugged"))
    for layer in range(1, 7):
        bench.tell(LayerSeen(layer))
        bench.answer_until(None)
    assert len(bench.of(s.Release)) == 6


def test_a_camera_that_answers_is_held_for_however_often_it_misses(bench):
    bench.begin()
    bench.light = False
    for layer in range(1, 7):
        bench.tell(LayerSeen(layer))
        bench.answer_until(None)
    assert len(bench.of(s.Hold)) == 6


def test_at_the_next_print_a_camera_that_is_away_is_waited_for_again(bench):
    bench.begin()
    bench.light = False
    bench.tell(CameraTold("main", ready=False, text="it is unplugged"))
    for layer in (1, 2, 3, 4):
        bench.tell(LayerSeen(layer))
        if bench.state.shot:
            bench.answer_until(None)
    bench.tell(PrintEnded(Outcome.FINISHED), Missed(5, "main", bench.now, "it is unplugged"))
    bench.begin()
    assert "Hold" in kinds(bench.tell(LayerSeen(1)))
