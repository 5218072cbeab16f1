"""The stations of a hold: drain, rest, check, leave, wait, come back, verify, let go."""

from collections import deque
from collections.abc import Callable, Iterable

from lapsed.bridge import talk
from lapsed.bridge.holding import (
    BUSY_EVERY_S,
    MOST_TRIES,
    OUT,
    RETURNING,
    SAME_PLACE_MM,
    SILENT_S,
    Asked,
    Holding,
    Phase,
    Ways,
)
from lapsed.bridge.reading import Reading
from lapsed.bridge.wire import BUSY, Wire
from lapsed.gcode.state import place


class Parking:
    """Carries the hold under way from station to station; `let_go` has the lines that waited go on.

    `asked` is the question to the daemon that comes before a hold; `why_not` is why the last layer could not be held.
    """

    def __init__(self, ways: Ways, wire: Wire, reading: Reading, let_go: Callable[[float], None]) -> None:
        self.asked: Asked | None = None
        self.hold: Holding | None = None
        self.why_not = ""
        self._ways = ways
        self._wire = wire
        self._reading = reading
        self._let_go = let_go

    @property
    def waits(self) -> bool:
        """Whether the host's lines wait."""
        return self.hold is not None or self.asked is not None

    @property
    def late(self) -> str:
        """Why an answer that came too late holds nothing."""
        return f"the answer took more than {self._ways.answer_within_s * 1000:.0f} ms, and the layer had begun"

    def ask(self, token: int, now: float) -> None:
        """A layer's first line waits for the daemon's answer."""
        self.asked = Asked(token, now + self._ways.answer_within_s)

    def order(self, shot: int, limit_s: float, now: float) -> None:
        """The hold is ordered: wait for the answers to all that went before."""
        limit_at = now + limit_s
        self.asked = None
        self.hold = Holding(shot, limit_s, limit_at, min(now + self._ways.drain_within_s, limit_at))
        self._wire.told_at = now
        self.answered(now)

    def release(self, now: float, reason: str = "") -> None:
        """End the hold and let all that waits go on."""
        hold, self.hold, self.asked = self.hold, None, None
        if hold is not None:
            self._wire.say(talk.Freed(hold.shot, reason))
        self._let_go(now)

    def _refuse(self, hold: Holding, now: float, reason: str) -> None:
        """Let all that waits go on before the head has left."""
        self.hold = None
        self._wire.say(talk.Refused(hold.shot, reason))
        self._let_go(now)

    # ------------------------------------------------------------------------------------- the printer's answers

    def answered(self, now: float) -> None:
        """A line of the host's was answered: once all are, let the machine come to rest."""
        hold = self.hold
        if hold is not None and hold.phase is Phase.DRAINING and not self._wire.host_due:
            hold.phase, hold.until = Phase.FINISHING, hold.limit_at
            self._wire.send(b"M400", now)

    def ours_done(self, now: float) -> None:
        """A line of ours was answered: go on to the next, or to the next station."""
        hold = self.hold
        if hold is None:
            return
        match hold.phase:
            case Phase.FINISHING:
                self._finished(hold, now)
            case Phase.CHECKING:
                self._checked(hold, now)
            case Phase.LEAVING if hold.leave:
                self._wire.send(hold.leave.popleft(), now)
            case Phase.LEAVING:
                hold.phase = Phase.AWAY
                self._wire.say(talk.Parked(hold.shot))
            case Phase.BACK if hold.back:
                self._step_back(hold, now)
            case Phase.BACK if not hold.tries:
                self._begin_back(hold, now, hold.come_back)
            case Phase.BACK if self._checks:
                hold.phase = Phase.VERIFYING
                self._wire.ask_place(now)
            case Phase.BACK:
                self.release(now, hold.reason)
            case Phase.VERIFYING if hold.place is None and hold.doubt:
                # M114 tells the place first: this is an answer that had been given up for lost.
                hold.doubt -= 1
                self._wire.ours_due, self._wire.asks_place = 1, True
            case Phase.VERIFYING:
                self._verified(hold, now)
            case _:
                pass

    @property
    def _checks(self) -> bool:
        return self._ways.check_position and not self._reading.before.inches

    def _finished(self, hold: Holding, now: float) -> None:
        if self._checks:
            hold.phase, hold.until = Phase.CHECKING, now + self._ways.drain_within_s
            self._wire.ask_place(now)
        else:
            self._held(hold, now)

    def _held(self, hold: Holding, now: float) -> None:
        state = self._reading.before
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

    def _checked(self, hold: Holding, now: float) -> None:
        if hold.place is None:
            reason = "the printer did not tell its position; set check_position = false if it never does"
            self._refuse(hold, now, reason)
            return
        if not self._at_place(hold):
            here = place(self._reading.before.position)[:3]
            told, read = (" ".join(f"{value:.2f}" for value in spot) for spot in (hold.place, here))
            reason = f"the printer says that it stands at {told} where the print leads to {read}"
            self._reading.lose(reason)
            self._refuse(hold, now, reason)
            return
        self._held(hold, now)

    def _at_place(self, hold: Holding) -> bool:
        """Whether the printer says that it is where the host has led it."""
        here = place(self._reading.before.position)[:3]
        return hold.place is not None and all(
            abs(a - b) <= SAME_PLACE_MM for a, b in zip(here, hold.place, strict=True)
        )

    def _verified(self, hold: Holding, now: float) -> None:
        """Our lines bear no checksum: where one was lost on the way, all are sent again, which changes nothing else.

        An answer that was given up may have come after all, in place of one to a lost line that M114 tells nothing of:
        then feed rate and modes are stated once more.
        """
        there, doubt, hold.doubt = self._at_place(hold), hold.doubt, 0
        if (there and not doubt) or hold.tries >= MOST_TRIES:
            self.release(now, hold.reason)
        else:
            self._begin_back(hold, now, hold.stated() if there else hold.come_back)

    def _begin_back(self, hold: Holding, now: float, lines: Iterable[bytes]) -> None:
        hold.phase, hold.tries, hold.place = Phase.BACK, hold.tries + 1, None
        hold.back = deque(lines)
        self._step_back(hold, now)

    def _step_back(self, hold: Holding, now: float) -> None:
        hold.under_way = hold.back.popleft()
        self._wire.send(hold.under_way, now)

    # ---------------------------------------------------------------------------------------------- the way back

    def go_back(self, now: float, reason: str) -> None:
        """End the hold by the shortest safe way; `reason` is empty if the daemon asked for it."""
        hold = self.hold
        if hold is None:
            if self.asked is not None:
                self.why_not = reason
                self.release(now)
        elif hold.phase in OUT:
            if hold.phase not in RETURNING:
                hold.phase, hold.reason = Phase.BACK, reason
                if not self._wire.ours_due:
                    self.ours_done(now)
        elif reason and hold.phase is not Phase.HELD:
            self._refuse(hold, now, reason)
        else:
            if hold.phase is Phase.DRAINING:
                # The daemon was less patient than we: an answer lost must not cost every later shot as well.
                self._wire.host_due = 0
            self.release(now, reason)

    def rest(self, now: float) -> None:
        """The printer asked for lines again: end the hold, and begin none before answers can be counted on again."""
        self._wire.rest_until = now + self._ways.rest_s
        self.go_back(now, "the printer asked for lines again")

    def faulted(self, now: float) -> None:
        """The printer answered with an error."""
        if self.hold is not None and self.hold.phase in OUT:
            self.go_back(now, "the printer answered the park block with an error")

    # ------------------------------------------------------------------------------------------------------ time

    def wake_at(self) -> float | None:
        """When `tick` is wanted at the latest."""
        hold = self.hold
        if hold is None:
            return None if self.asked is None else self.asked.until
        until = hold.until if hold.phase not in RETURNING else self._wire.heard_at + SILENT_S
        return min(until, self._wire.told_at + BUSY_EVERY_S)

    def tick(self, now: float) -> None:
        """Keep the host patient, and end what has had its time."""
        hold = self.hold
        if hold is None:
            if self.asked is not None and now >= self.asked.until:
                self._wire.say(talk.Remark("the daemon did not answer in time; the layer went on unfilmed"))
                self.go_back(now, self.late)
            return
        if now >= self._wire.told_at + BUSY_EVERY_S:
            self._wire.tell_host(BUSY if not self._wire.tail_passed else b"", now)
        if hold.phase in RETURNING:
            if now >= self._wire.heard_at + SILENT_S:
                self._silent(hold, now)
        elif now >= hold.until:
            self._late(hold, now)

    def _silent(self, hold: Holding, now: float) -> None:
        """A line of the way back was lost, or its answer: send it again, which changes nothing if it had arrived."""
        hold.doubt += self._wire.ours_due
        self._wire.ours_due = 0
        if not hold.tries:
            self._begin_back(hold, now, hold.come_back)
            return
        hold.silences += 1
        if hold.silences >= MOST_TRIES:
            # It may still hear: what the print relies on is stated, whatever becomes of the answers.
            for line in (hold.under_way, *hold.back):
                self._wire.send(line, now)
            self.release(now, "the printer answers no more")
        elif hold.phase is Phase.VERIFYING:
            self._wire.ask_place(now)
        else:
            self._wire.send(hold.under_way, now)

    def _late(self, hold: Holding, now: float) -> None:
        match hold.phase:
            case Phase.DRAINING:
                lines, self._wire.host_due = self._wire.host_due, 0
                self._refuse(hold, now, f"the printer had not answered {lines} lines within the time to wait for them")
            case Phase.FINISHING:
                self._refuse(hold, now, "the machine did not come to rest in time")
            case Phase.CHECKING:
                self._refuse(hold, now, "the printer did not answer M114 in time")
            case _:
                self.go_back(now, "the hold limit was reached")
