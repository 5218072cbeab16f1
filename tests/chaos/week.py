"""A week of prints in virtual time: the director and its journals, fed by a host, cameras and clocks that misbehave.

Run: .venv/bin/python -m tests.chaos.week [--days 7] [--layer-s 30] [--seed 1]. Time is an ordered list of what happens
next; nobody waits for it. The last line tells what the days came to.
"""

import argparse
import gc
import heapq
import os
import random
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from itertools import count
from pathlib import Path
from unittest import mock

from lapsed import clock
from lapsed.decide import director
from lapsed.decide import state as s
from lapsed.model import (
    CameraEvent,
    Exposed,
    Landed,
    LayerSeen,
    LinkDown,
    LinkUp,
    Missed,
    Motion,
    MotionSeen,
    Outcome,
    Position,
    PrintEnded,
    PrintInfo,
    PrintPaused,
    PrintResumed,
    PrintStarted,
    ProgressSeen,
    Released,
)
from lapsed.settings import Cadence
from lapsed.take import reader
from lapsed.take.journal import Journal
from lapsed.take.records import CameraNoted, CueNoted, HoldCleared, HoldNoted, Noted, ShotOrdered, StepNoted
from lapsed.wall import Wall

# A Monday; on the Sunday local time in Berlin goes back from 03:00 to 02:00 (EU Directive 2000/84/EC).
BEGINS = datetime(2026, 10, 19, 6, 0, tzinfo=UTC)
ZONE = "Europe/Berlin"
DAY_S = 86_400.0
HOUR_S = 3600.0
LATEST_S = 30.0
"""By when a host or camera has answered, or never will."""
MOTION = Motion(Position(40.0, 50.0, 0.4, 12.5), 1800.0, absolute=True, absolute_extrusion=True)


@dataclass(slots=True)
class Clocks:
    """The machine's two clocks; `wrong_s` is by how much the wall clock is wrong."""

    mono_s: float = 100.0
    wrong_s: float = 0.0

    def monotonic(self) -> float:
        return self.mono_s

    def utc_now(self) -> datetime:
        return BEGINS + timedelta(seconds=self.mono_s + self.wrong_s)


@contextmanager
def virtual() -> Iterator[Clocks]:
    """Have the program read clocks that stand still until they are moved, in a zone with summer time."""
    clocks, zone = Clocks(), os.environ.get("TZ")
    os.environ["TZ"] = ZONE
    time.tzset()
    try:
        with (
            mock.patch.object(clock, "monotonic", clocks.monotonic),
            mock.patch.object(clock, "utc_now", clocks.utc_now),
        ):
            yield clocks
    finally:
        os.environ.pop("TZ") if zone is None else os.environ.update(TZ=zone)
        time.tzset()


def _forget_names() -> None:
    """Python keeps names that it has looked up in types, a few thousand; up to 3.11 each `case` adds new ones."""
    getattr(sys, "_clear_internal_caches", sys._clear_type_cache)()


@dataclass(slots=True)
class Week:
    """One printer's days: its director, the take that is open, and what is still to happen, by time."""

    store: Path
    clocks: Clocks
    source: random.Random
    begun: list[str] = field(default_factory=list)  # the prints, in the order in which takes were begun
    held_kb: list[float] = field(default_factory=list)  # after each print
    kinds: dict[str, int] = field(default_factory=dict)
    state: s.State = field(
        default_factory=lambda: director.start(s.Rules(Cadence(every_layers=1), ("main",), frozenset({"main"})))
    )
    _due: list[tuple[float, int, s.Event]] = field(default_factory=list)
    _turns: Iterator[int] = field(default_factory=count)
    _journal: Journal | None = None
    _wall: Wall | None = None

    def later(self, after_s: float, event: s.Event) -> None:
        """Let `event` happen so many seconds from now."""
        heapq.heappush(self._due, (self.clocks.mono_s + after_s, next(self._turns), event))

    def film(self, name: str, layers: int, layer_s: float) -> None:
        """One print, from its beginning until nothing of it is still to come."""
        self.later(1.0, PrintStarted(PrintInfo(name, layers=layers)))
        for layer in range(1, layers + 1):
            at = layer * layer_s
            self.later(at, LayerSeen(layer, round(layer * 0.2, 1)))
            self.later(at + 0.1, ProgressSeen(layer / layers))
            self._misbehave(layer, at)
        self.later((layers + 1) * layer_s, PrintEnded(Outcome.FINISHED))
        set_right_s = self.source.uniform(0, layers * layer_s) if self.clocks.wrong_s else None
        began_s = self.clocks.mono_s
        while self._due or self.state.take is not None:
            self._next()
            if set_right_s is not None and self.clocks.mono_s >= began_s + set_right_s:
                self.clocks.wrong_s, set_right_s = 0.0, None
        gc.collect()
        _forget_names()
        if tracemalloc.is_tracing():
            self.held_kb.append(tracemalloc.get_traced_memory()[0] / 1e3)

    def _misbehave(self, layer: int, at: float) -> None:
        """Now and then the host is lost, tells a layer again, or a person pauses, also in mid-shot."""
        kind = self.source.choices(("", "link", "again", "pause"), (80, 6, 8, 6))[0]
        self.kinds[kind] = self.kinds.get(kind, 0) + 1
        after = at + self.source.uniform(0, 10)
        for_s = self.source.uniform(0.1, 20)
        match kind:
            case "link":
                self.later(after, LinkDown("the host went away"))
                self.later(after + for_s, LinkUp(for_s))
            case "again":
                self.later(after, LayerSeen(layer, round(layer * 0.2, 1)))
            case "pause":
                self.later(after, PrintPaused())
                self.later(after + for_s, PrintResumed())

    def _next(self) -> None:
        """Let time run to what happens next, and carry out what the director then asks for."""
        wake = director.wake_at(self.state)
        if self._due and (wake is None or self._due[0][0] <= wake):
            at, _, event = heapq.heappop(self._due)
        else:
            assert wake is not None, "nothing is due, and the take is still open"
            at, event = wake, s.Tick()
        self.clocks.mono_s = max(self.clocks.mono_s, at)
        if isinstance(event, CameraEvent):
            self._write(CameraNoted(event, clock.stamp()))
        self.state, actions = director.step(self.state, event, self.clocks.mono_s)
        for action in actions:
            self._carry_out(action)

    def _write(self, *records: object) -> None:
        if self._journal is not None:
            self._journal.submit(*self._wall.look(), *records)

    def _carry_out(self, action: s.Action) -> None:
        now = clock.stamp()
        match action:
            case s.OpenTake(info):
                self._journal = Journal.create(self.store, info, {"cameras": ["main"], "number": len(self.begun)}, now)
                self._wall = Wall(now.mono_s)
                self.begun.append(info.name)
            case s.CloseTake(outcome, reason):
                self._write()
                self._journal.close(outcome, reason, now).result(60)
                self._journal = None
            case s.WriteCue(cue):
                self._write(CueNoted(cue, now))
            case s.WriteStep(shot, step):
                self._write(StepNoted(shot, step, now))
            case s.WriteMissed(shot, cameras, reason):
                self._write(*(CameraNoted(Missed(shot, one, now.mono_s, reason), now) for one in cameras))
            case s.WriteNote(note):
                self._write(Noted(note, now))
            case s.HoldOver():
                self._write(HoldCleared())
            case s.Release(shot):
                self._write(ShotOrdered(shot, "main", now))
                self._expose(shot)
            case _:
                self._answer(action)

    def _answer(self, action: s.Action) -> None:
        """The host does as it is told, or refuses, or never says."""
        phase = {
            s.Hold: s.Phase.HOLDING,
            s.Ask: s.Phase.ASKING,
            s.Plan: s.Phase.PLANNING,
            s.SendLeave: s.Phase.PARKING,
            s.SendBack: s.Phase.RETURNING,
            s.Resume: s.Phase.RESUMING,
        }[type(action)]
        if isinstance(action, s.Hold | s.SendLeave):
            self._write(HoldNoted(action.shot, phase, ("G1 X40 Y50 F1800",), clock.stamp()))
        after_s = self.source.uniform(0.01, 0.5)
        match self.source.choices(("done", "refused", "silent"), (96, 2, 2))[0], action:
            case "done", s.Plan(shot):
                self.later(after_s, s.Planned(shot, 0.5, 0.5))
            case "done", s.Ask(shot):
                self.later(after_s, MotionSeen(MOTION))
                self.later(after_s, s.Done(shot, phase))
            case "done", _:
                self.later(after_s, s.Done(action.shot, phase))
            case "refused", _:
                self.later(after_s, s.Failed(action.shot, phase, "the host refused"))
            case _:
                self.later(LATEST_S, s.Failed(action.shot, phase, "no answer", silent=True))

    def _expose(self, shot: int) -> None:
        now = self.clocks.mono_s
        if self.source.random() < 0.05:
            self.later(2.0, Missed(shot, "main", now + 2.0, "the camera was ended at its deadline"))
            return
        self.later(0.1, Released(shot, "main", now + 0.1))
        self.later(0.4, Exposed(shot, "main", now + 0.4))
        self.later(3.0, Landed(shot, "main", now + 3.0, (f"frames/main/{shot:06}.jpg",), 6_000_000))


def live(store: Path, days: float, layer_s: float, seed: int) -> Week:
    """So many days of prints of four to ten hours, one after another."""
    with virtual() as clocks:
        week = Week(store, clocks, random.Random(seed))
        week.later(0.0, LinkUp())
        try:
            while clocks.mono_s < days * DAY_S:
                if clocks.mono_s > days * DAY_S / 3 and not tracemalloc.is_tracing():
                    tracemalloc.start()  # by now what Python keeps for reuse, and what is loaded late, is there
                if week.source.random() < 0.3:
                    clocks.wrong_s = week.source.choice((-3 * HOUR_S, 5 * HOUR_S, -20 * DAY_S))
                layers = round(week.source.uniform(4, 10) * HOUR_S / layer_s)
                week.film(week.source.choice(("pier.gcode", "lantern.gcode")), layers, layer_s)
        finally:
            tracemalloc.stop()
        return week


def check(week: Week) -> dict[str, int]:
    """Numbers grow, every cue is accounted for, takes stand in the order in which they were begun; the counts."""
    takes = [reader.read_take(take.folder) for take in reversed(reader.list_takes(week.store))]
    assert [take.meta["number"] for take in takes] == list(range(len(week.begun)))
    assert [take.print.name for take in takes] == week.begun
    counts = {"prints": len(takes), "cues": 0, "landed": 0, "missed": 0}
    for take in takes:
        assert take.outcome is Outcome.FINISHED
        numbers = [cue.number for cue in take.cues]
        assert numbers == list(range(1, len(numbers) + 1))
        assert [cue.mono_s for cue in take.cues] == sorted(cue.mono_s for cue in take.cues)
        assert [shot.cue for shot in take.shots] == numbers
        assert all(shot.outcome == "landed" or shot.reason for shot in take.shots)
        counts["cues"] += len(numbers)
        for shot in take.shots:
            counts[shot.outcome] += 1
    return counts


def rise_kb(week: Week) -> float:
    """By how much what Python holds after a print rose over the last two thirds of the days."""
    few = len(week.held_kb) // 4
    return min(week.held_kb[-few:]) - min(week.held_kb[:few])


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.chaos.week", description="Days in virtual time.")
    parser.add_argument("--days", type=float, default=7)
    parser.add_argument("--layer-s", type=float, default=30)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="week-") as store:
        week = live(Path(store), options.days, options.layer_s, options.seed)
        sys.stdout.write(f"{check(week)}, {week.kinds}; memory {rise_kb(week):+.1f} kB\n")


if __name__ == "__main__":
    main()
