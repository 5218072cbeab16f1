"""What a hold asks of the journal before the host is asked for anything."""

import asyncio
import threading

import pytest

from lapsed import recorder, settings
from lapsed.decide import state as s
from lapsed.holds import Holds
from lapsed.model import Motion, Outcome, Position, PrintInfo
from lapsed.recorder import Recorder
from lapsed.take.journal import Journal

PRINTER = settings.Printer.model_validate(
    {
        "name": "ottermole",
        "link": {"url": "ws://127.0.0.1:1/"},
        "machine": {"park_point_mm": [8, 212]},
        "camera": [{"kind": "gphoto", "name": "main"}],
    }
)

MOTION = Motion(Position(100.0, 100.0, 1.0, 5.0), feed_mm_min=1200, absolute=True, absolute_extrusion=True)


class Hand:
    """A hand on a print whose host tells its holds by themselves; notes what it is asked for."""

    owns_hold = True

    def __init__(self):
        self.asked = []

    def terms(self):
        return {"echo": False}

    def top_mm(self, known_mm):
        return known_mm

    def hold(self, shot):
        self.asked.append(("hold", shot))

    def leave(self, shot, _):
        self.asked.append(("leave", shot))

    def back(self, shot, _):
        self.asked.append(("back", shot))

    def resume(self, shot):
        self.asked.append(("resume", shot))

    def over(self, shot):
        pass


class Bench:
    """One printer's holds and takes; `told` is what the director hears."""

    def __init__(self, store):
        self.hand, self.told, self._tasks = Hand(), [], []
        whole = settings.Store(folder=store, min_free_mb=0)
        self.recorder = Recorder(PRINTER, whole, over=print, failed=print, thinned=print, spared=frozenset)
        self.holds = Holds(PRINTER, self.recorder, self.told.append, self._do)
        self.holds.by = self.hand

    def _do(self, work):
        self._tasks.append(asyncio.create_task(work))

    async def carried_out(self, *actions):
        for action in actions:
            self.holds.carry_out(action)
            await asyncio.gather(*self._tasks)

    async def carried_out_at_once(self, *actions):
        """What is asked for before the journal has written a row."""
        for action in actions:
            self.holds.carry_out(action)
        await asyncio.gather(*self._tasks)

    def failed(self):
        return [(event.shot, event.phase) for event in self.told if isinstance(event, s.Failed)]


@pytest.fixture
async def bench(tmp_path):
    made = Bench(tmp_path / "takes")
    made.recorder.open(PrintInfo("post.gcode"))
    yield made
    made.recorder.close(Outcome.FINISHED, "", lambda _: asyncio.sleep(0))
    await made.recorder.leave()


def shot(number):
    return s.Hold(number), s.Plan(number, MOTION, 1.0), s.SendLeave(number), s.HoldOver(number)


async def test_no_print_is_held_for_a_disk_that_is_known_to_be_slow_until_it_is_quick_again(bench, monkeypatch):
    commit, quick = Journal._commit, threading.Event()

    def slow(journal, entries):
        quick.wait(30)  # a worn card, in the journal's own thread
        return commit(journal, entries)

    await bench.recorder.take.opened()
    monkeypatch.setattr(Journal, "_commit", slow)
    with monkeypatch.context() as impatient:
        impatient.setattr(recorder, "JOURNAL_WITHIN_S", 0.05)
        # That the disk is slow shows in the first hold, which ends without moving the head.
        await bench.carried_out(*shot(1))
        # From then on the disk is tried before the print is held.
        await bench.carried_out(s.Hold(2), s.HoldOver(2))
        await bench.carried_out(s.Hold(3), s.HoldOver(3))
    assert bench.hand.asked == [("hold", 1)]
    assert bench.failed() == [(1, s.Phase.PARKING), (2, s.Phase.HOLDING), (3, s.Phase.HOLDING)]
    quick.set()
    await bench.recorder.take.written()
    await bench.carried_out(s.Hold(4))
    await bench.carried_out(*shot(4)[1:])
    assert bench.hand.asked == [("hold", 1), ("hold", 4), ("leave", 4)]


async def test_a_disk_that_takes_the_intention_late_is_not_waited_for_once_more_with_the_print_held(bench, monkeypatch):
    await bench.recorder.take.opened()
    monkeypatch.setattr(recorder, "PROMPT_S", 0.0)
    await bench.carried_out(*shot(1))
    await bench.carried_out(s.Hold(2), s.HoldOver(2))
    assert bench.hand.asked == [("hold", 1), ("leave", 1)]
    assert bench.failed() == [(2, s.Phase.HOLDING)]


async def test_a_head_that_is_told_to_come_back_before_it_has_left_does_not_leave_after_that(bench):
    await bench.recorder.take.opened()
    hold, plan, leave, over = shot(1)
    await bench.carried_out(hold, plan)
    await bench.carried_out_at_once(leave, s.SendBack(1), s.Resume(1), over)
    assert bench.hand.asked == [("hold", 1), ("back", 1), ("resume", 1)]


async def test_a_hold_that_was_given_up_before_it_was_noted_does_not_come_after_that(bench):
    await bench.recorder.take.opened()
    bench.hand.owns_hold = False  # so that the journal has to know first
    await bench.carried_out_at_once(s.Hold(1), s.Resume(1), s.HoldOver(1))
    assert bench.hand.asked == [("resume", 1)]
    await bench.carried_out(*shot(2))
    assert bench.hand.asked == [("resume", 1), ("hold", 2), ("leave", 2)]
