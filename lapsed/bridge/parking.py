"""The stations of a hold: drain, rest, check, leave, wait, come back, verify, let go."""

from collections.abc import Callable

from lapsed.bridge import talk
from lapsed.bridge.holding import (
    BUSY_EVERY_S,
    MOST_TRIES,
    OUT,
    RETURNING,
    SAME_PLACE_MM,
    SILENT_S,
    Holding,
    Phase,
    Ways,
)
from lapsed.bridge.reading import Reading
from lapsed.bridge.wire import BUSY, Wire
from lapsed.gcode.state import place


class Parking:
    """Carries the hold under way from station to station; `let_go` has the lines that waited go on.

    `why_not` is why the last layer could not be held.
    """

    def __init__(self, ways: Ways, wire: Wire, reading: Reading, let_go: Callable[[float], None]) -> None:
        self.hold: Holding | None = None
        self.why_not = ""
        self._ways = ways
        self._wire = wire
        self._reading = reading
        self._let_go = let_go

    def release(self, now: float, reason: str = "") -> None:
        """End the hold and let all that waits go on."""
        hold, self.hold = self.hold, None
        if hold is not None and hold.shot is not None:
            self._wire.say(talk.Freed(hold.shot, reason))
        self._let_go(now)

    def drain(self, limit_s: float, now: float) -> None:
        """The hold is ordered: wait for the answers to all that went before."""
        hold = self.hold
        assert hold is not None  # noqa: S101 - callers hold
        hold.phase = Phase.DRAINING
        hold.limit_s, hold.limit_at = limit_s, now + limit_s
        hold.until = min(now + self._ways.drain_within_s, hold.limit_at)
        self._wire.told_at = now
        if not self._wire.host_due:
            self.drained(now)

    def drained(self, now: float) -> None:
        """All is answered: let the machine come to rest."""
        hold = self.hold
        assert hold is not None  # noqa: S101 - callers hold
        hold.phase, hold.until = Phase.FINISHING, hold.limit_at
        self._wire.send(b"M400", now)

    def _finished(self, now: float) -> None:
        hold = self.hold
        assert hold is not None  # noqa: S101 - callers hold
        if self._ways.check_position and not self._reading.before.inches:
            hold.phase, hold.until = Phase.CHECKING, now + self._ways.drain_within_s
            self._wire.ask_place(now)
        else:
            self._held(now)

    def _held(self, now: float) -> None:
        hold, state = self.hold, self._reading.before
        assert hold is not None  # noqa: S101 - callers hold
        assert hold.shot is not None  # noqa: S101 - it was ordered
        hold.phase = Phase.HELD
        hold.until = hold.limit_at = now + hold.limit_s
        motion = state.motion()
        top_mm = None if self._reading.joined else self._reading.layering.below_mm
        self._wire.say(
            talk.Held(
                hold.shot,
                place(state.position),
                place(state.offset),
                motion.feed_mm_min,
                motion.absolute,
                motion.absolute_extrusion,
                bool(motion.retracted),
                state.inches,
                top_mm,
            )
        )

    def _checked(self, now: float) -> None:
        hold = self.hold
        assert hold is not None  # noqa: S101 - callers hold
        if hold.place is None:
            self._refuse(now, "the printer did not tell its position; set check_position = false if it never does")
            return
        if not self._at_place(hold):
            here = place(self._reading.before.position)[:3]
            told, read = (" ".join(f"{value:.2f}" for value in spot) for spot in (hold.place, here))
            reason = f"the printer says that it stands at {told} where the print leads to {read}"
            self._reading.lose(reason)
            self._refuse(now, reason)
            return
        self._held(now)

    def _at_place(self, hold: Holding) -> bool:
        """Whether the printer says that it is where the host has led it."""
        here = place(self._reading.before.position)[:3]
        return hold.place is not None and all(
            abs(a - b) <= SAME_PLACE_MM for a, b in zip(here, hold.place, strict=True)
        )

    def _verified(self, now: float) -> None:
        """Our lines bear no checksum: where one was lost on the way, all are sent again, which changes nothing else."""
        hold = self.hold
        assert hold is not None  # noqa: S101 - callers hold
        if self._at_place(hold) or hold.tries >= MOST_TRIES:
            self.release(now, hold.reason)
        else:
            self._begin_back(hold, now)

    def _begin_back(self, hold: Holding, now: float) -> None:
        hold.phase, hold.tries, hold.place = Phase.BACK, hold.tries + 1, None
        hold.back.extend(hold.come_back)
        self._wire.send(hold.back.popleft(), now)

    def ours_done(self, now: float) -> None:
        """A line of ours was answered: go on to the next, or to the next station."""
        hold = self.hold
        if hold is None:
            return
        match hold.phase:
            case Phase.FINISHING:
                self._finished(now)
            case Phase.CHECKING:
                self._checked(now)
            case Phase.LEAVING if hold.leave:
                self._wire.send(hold.leave.popleft(), now)
            case Phase.LEAVING if hold.shot is not None:
                hold.phase = Phase.AWAY
                self._wire.say(talk.Parked(hold.shot))
            case Phase.BACK if hold.back:
                self._wire.send(hold.back.popleft(), now)
            case Phase.BACK if not hold.tries:
                self._begin_back(hold, now)
            case Phase.BACK if self._ways.check_position and not self._reading.before.inches:
                hold.phase = Phase.VERIFYING
                self._wire.ask_place(now)
            case Phase.BACK:
                self.release(now, hold.reason)
            case Phase.VERIFYING:
                self._verified(now)
            case _:
                pass

    def go_back(self, now: float, reason: str) -> None:
        """End the hold by the shortest safe way; `reason` is empty if the daemon asked for it."""
        hold = self.hold
        if hold is None or hold.phase in RETURNING:
            return
        if hold.phase not in OUT:
            if reason and hold.phase in (Phase.DRAINING, Phase.FINISHING, Phase.CHECKING):
                self._refuse(now, reason)
            else:
                self.release(now, reason)
            return
        hold.phase, hold.reason = Phase.BACK, reason
        if not self._wire.ours_due:
            self.ours_done(now)

    def _refuse(self, now: float, reason: str) -> None:
        hold = self.hold
        assert hold is not None  # noqa: S101 - callers hold
        if hold.shot is not None:
            self._wire.say(talk.Refused(hold.shot, reason))
            hold.shot = None
        self.release(now)

    def hold_on(self, hold: Holding, now: float) -> None:
        """Keep the host patient, and end what has had its time."""
        if hold.phase is not Phase.ASKED and now >= self._wire.told_at + BUSY_EVERY_S:
            self._wire.tell_host(BUSY if not self._wire.tail_passed else b"", now)
        if hold.phase in RETURNING:
            if now >= self._wire.heard_at + SILENT_S:
                self._silent(hold, now)
        elif now >= hold.until:
            self._late(hold, now)

    def _silent(self, hold: Holding, now: float) -> None:
        """A line of the way back was lost, or its answer: begin it anew."""
        self._wire.ours_due = 0
        hold.back.clear()
        if hold.tries >= MOST_TRIES:
            self.release(now, "the printer answers no more")
        else:
            self._begin_back(hold, now)

    def _late(self, hold: Holding, now: float) -> None:
        match hold.phase:
            case Phase.ASKED:
                self.why_not = (
                    f"the answer took more than {self._ways.answer_within_s * 1000:.0f} ms, and the layer had begun"
                )
                self._wire.say(talk.Remark("the daemon did not answer in time; the layer went on unfilmed"))
                self.release(now)
            case Phase.DRAINING:
                lines, self._wire.host_due = self._wire.host_due, 0
                self._refuse(now, f"the printer had not answered {lines} lines within the time to wait for them")
            case Phase.FINISHING:
                self._refuse(now, "the machine did not come to rest in time")
            case Phase.CHECKING:
                self._refuse(now, "the printer did not answer M114 in time")
            case _:
                self.go_back(now, "the hold limit was reached")
