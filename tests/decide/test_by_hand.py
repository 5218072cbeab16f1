"""What someone asks for by hand: skipping, a shot at once, an end to the take."""

from lapsed.decide import state as s
from lapsed.model import LayerSeen, LinkDown, LinkUp, Missed, Outcome, PrintEnded, PrintInfo, PrintStarted, Why


def test_skipped_shots_are_accounted_for_and_shooting_goes_on_when_asked(bench):
    bench.begin()
    bench.tell(s.Skip(on=True), LayerSeen(1, 0.2))
    assert bench.of(s.Hold) == []
    assert [action.reason for action in bench.of(s.WriteMissed)] == ["shots were being skipped by hand"]
    bench.tell(s.Skip(on=False))
    assert bench.shoot(2) == 2
    assert [action.note.kind for action in bench.of(s.WriteNote)] == ["skipping", "skipping"]


def test_a_shot_by_hand_is_a_shot_like_any_other_even_while_skipping(bench):
    bench.begin()
    bench.shoot(1, 0.2)
    bench.tell(s.Skip(on=True), s.ShootNow())
    cue = bench.of(s.WriteCue)[-1].cue
    assert (cue.number, cue.why, cue.layer, cue.height_mm) == (2, Why.HAND, 1, 0.2)
    assert bench.of(s.Hold)[-1].shot == 2


def test_a_shot_by_hand_during_another_is_missed_with_the_reason(bench):
    bench.begin()
    bench.tell(LayerSeen(1, 0.2), s.ShootNow())
    assert bench.of(s.WriteMissed)[-1].shot == 2


def test_nothing_is_shot_by_hand_where_nothing_is_filmed(bench):
    bench.tell(LinkUp(), s.ShootNow(), s.EndTake())
    assert bench.asked == []


def test_a_take_ended_by_hand_lets_go_of_the_print_and_films_no_more_of_it(bench):
    bench.begin()
    bench.tell(LayerSeen(1, 0.2))
    bench.answer_until(s.Phase.EXPOSING)
    bench.tell(s.EndTake())
    assert bench.of(s.SendBack) != []
    bench.answer_until(None)
    assert bench.of(s.CloseTake) == []  # its frame may still come
    bench.tell(Missed(1, "main", bench.now, "no light"))
    assert bench.of(s.CloseTake) == [s.CloseTake(Outcome.CANCELLED, "the take was ended by hand")]
    bench.tell(LayerSeen(2, 0.4), LinkDown("reset"), LinkUp(3.0))
    bench.tell(PrintStarted(PrintInfo("lantern.gcode"), joined=True))
    assert len(bench.of(s.OpenTake)) == 1
    assert len(bench.of(s.WriteCue)) == 1


def test_the_print_after_one_whose_take_was_ended_is_filmed(bench):
    bench.begin()
    bench.tell(s.EndTake(), PrintEnded(Outcome.FINISHED), PrintStarted(PrintInfo("lantern.gcode")))
    assert len(bench.of(s.OpenTake)) == 2
