"""The host's side of the line: which of its lines go on, which are read before they do, and which wait."""

import re
from dataclasses import dataclass

from lapsed.bridge import talk
from lapsed.bridge.ahead import MOST_BEHIND, MOST_DUE, MOST_UNREAD, SLICE, Ahead, answers_due, level, split
from lapsed.bridge.holding import MOST_HELD_BYTES, Ways
from lapsed.bridge.inlet import Inlet
from lapsed.bridge.parking import Parking
from lapsed.bridge.reading import Reading
from lapsed.bridge.telling import Telling
from lapsed.bridge.wire import Wire
from lapsed.model import Outcome

_EMERGENCY = re.compile(rb"\s*(N\d+\s*)?M(108|112|410)(?!\d)")
_FLOODS = "the host sends on without waiting for answers"


@dataclass(frozen=True, slots=True)
class Wanted:
    """A hold ordered for the next move, which must come by `until`."""

    shot: int
    limit_s: float
    until: float


class Hosting:
    """Takes the host's bytes; `wanted` is the order that waits for a move, `moved_at` when one was last read."""

    def __init__(self, ways: Ways, wire: Wire, reading: Reading, telling: Telling, parking: Parking) -> None:
        self.wanted: Wanted | None = None
        self.moved_at = 0.0
        self.inlet = Inlet(wire, ways.part_within_s)
        self._wire = wire
        self._reading = reading
        self._telling = telling
        self._parking = parking
        self._ahead = Ahead()
        self._queue: list[bytes] = []
        self._queued = 0  # bytes in it

    def host(self, data: bytes, now: float) -> None:
        """Bytes from the host."""
        self._wire.sent_at = now
        lines, passed, rest = self.inlet.cut(data)
        if lines:
            if self._may_go_ahead(lines):
                self._go_ahead(lines, passed, now)
            else:
                self._one_by_one(lines, passed, now)
        self.inlet.keep(rest)
        if not self._parking.waits:
            self.inlet.settle(now)
        elif len(rest) > MOST_HELD_BYTES:
            self._parking.go_back(now, "the host sends a line without an end")

    # ----------------------------------------------------------------------------------------- read afterwards

    def _may_go_ahead(self, lines: bytes) -> bool:
        """Whether no line here can be one to hold, however what is unread turns out."""
        if self.wanted is not None or self._parking.waits or self.inlet.overlong:
            return False
        if self._unparked:
            return True
        behind = len(self._ahead) + len(lines)
        return behind <= MOST_BEHIND and not self._ahead.rough and self._reading.settled and level(lines)

    @property
    def _unparked(self) -> bool:
        """Whether nothing would be held before any line, as no daemon is there or the host doesn't wait for answers."""
        return not self._wire.attached or self._wire.host_due > MOST_DUE

    def _go_ahead(self, lines: bytes, passed: int, now: float) -> None:
        self._wire.to_printer += lines[passed:] if passed else lines
        rough = self._unparked
        self._wire.host_due += answers_due(lines)
        if not self._ahead.put(lines, now, rough=rough):
            self._reading.skip("the host sent more at once than could be read along")

    def read_on(self, now: float, most: int = SLICE) -> None:
        """Read some of what has gone ahead."""
        for raw in self._ahead.take(most):
            layer = self._telling.news(self._reading.read(raw))
            if self._reading.moves:
                self.moved_at = self._wire.sent_at
            if layer is not None and self._wire.attached:
                self._telling.layer(layer, waits=False)
                self._parking.why_not = _FLOODS
        self._ahead.later(now)

    def read_all(self, now: float) -> None:
        """Read all that has gone ahead: what comes next depends on it."""
        if self._ahead:
            self.read_on(now, MOST_UNREAD)

    # ------------------------------------------------------------------------------------------ read beforehand

    def _one_by_one(self, lines: bytes, passed: int, now: float) -> None:
        self.read_all(now)
        for raw in split(lines):
            if self.inlet.overlong:
                self.inlet.overlong = False
                self._wire.to_printer += raw
                self._wire.host_due += 1
                self._reading.forget("a line too long to be read went to the printer")
            elif self._parking.waits:
                self._wait(raw, now)
            else:
                self._line(raw, passed, now)
            passed = 0

    def _line(self, raw: bytes, passed: int, now: float) -> None:
        """A whole line, of which `passed` bytes have gone on: pass it, or withhold it."""
        layer = self._telling.news(self._reading.read(raw))
        if self._reading.moves:
            self.moved_at = now
        if layer is not None and self._wire.attached:
            unsure = self._unfit(passed, now)
            self._parking.why_not = unsure or ""
            token = self._telling.layer(layer, waits=unsure is None)
            if unsure is None:
                self._queue, self._queued = [raw], len(raw)
                self._parking.ask(token, now)
                return
        elif self.wanted is not None and self._reading.moves:
            wanted, self.wanted = self.wanted, None
            unsure = self._unfit(passed, now)
            if unsure is None:
                self._queue, self._queued = [raw], len(raw)
                self._parking.order(wanted.shot, wanted.limit_s, now)
                return
            self._wire.say(talk.Refused(wanted.shot, unsure))
        self._pass(raw, passed)

    def _unfit(self, passed: int, now: float) -> str | None:
        """Why nothing may be parked before the line just read."""
        if passed:
            return "the line was already on its way"
        if now < self._wire.rest_until:
            return "the printer has just asked for lines again"
        if self._reading.card is not None:
            return "the printer prints from its own card; set park = false to shoot without parking"
        if self._wire.ours_due:
            return "the printer has not answered the last question yet"
        if self._wire.host_due > MOST_DUE:
            return _FLOODS
        return self._reading.unsure()

    def _pass(self, raw: bytes, passed: int = 0) -> None:
        self._wire.to_printer += raw[passed:]
        self._wire.host_due += answers_due(raw)

    # ----------------------------------------------------------------------------------------------- in a hold

    def _wait(self, raw: bytes, now: float) -> None:
        """A line into a hold: it waits its turn, but for what may not wait."""
        if found := _EMERGENCY.match(raw):
            name = f"M{found[2].decode()}"
            if name == "M112":
                self._halt(raw, now)
                return
            if found[1] is None:
                self._pass(raw)
            else:
                self._queue_up(raw)  # numbered lines out of their order would be refused
            self._parking.go_back(now, f"the host sent {name}")
            return
        self._queue_up(raw)
        if self._queued > MOST_HELD_BYTES:
            self._parking.go_back(now, _FLOODS)

    def _queue_up(self, raw: bytes) -> None:
        self._queue.append(raw)
        self._queued += len(raw)

    def _halt(self, raw: bytes, now: float) -> None:
        self._telling.news(self._reading.halt())
        self._pass(raw)
        self._wire.ours_due = 0
        self._parking.release(now, "the host sent M112")

    def let_go(self, now: float) -> None:
        """Pass all that waited, up to a line that is to be held in its turn."""
        queue, self._queue, self._queued = self._queue, [], 0
        for index, raw in enumerate(queue):
            if self._parking.waits:
                self._queue_up(raw)
            elif index == 0:
                self._pass(raw)  # it was read before it was withheld
            elif self._unparked and self._may_go_ahead(raw):
                self._go_ahead(b"".join(queue[index:]), 0, now)
                break
            else:
                self._line(raw, 0, now)
        if not self._parking.waits:
            self.inlet.settle(now)

    def gone(self, now: float) -> None:
        """The host has closed its end: what it left of a line goes on as well."""
        self.read_all(now)
        self._parking.go_back(now, "the host closed its port")
        if not self._parking.waits:
            self.inlet.push()
        elif self.inlet.part:
            self._queue_up(self.inlet.part)
        self.inlet.clear()
        if self._reading.card is None:
            self._telling.news(self._reading.end(Outcome.FAILED, "the host closed its port in mid-print"))

    # ---------------------------------------------------------------------------------------------------- time

    def wake_at(self) -> float | None:
        """When `tick` is wanted at the latest."""
        times = self.inlet.until, self._ahead.read_at, None if self.wanted is None else self.wanted.until
        return min([time for time in times if time is not None], default=None)

    def tick(self, now: float) -> None:
        """Time has passed."""
        if self.inlet.until is not None and now >= self.inlet.until:
            self.inlet.push()
        if self._ahead.read_at is not None and now >= self._ahead.read_at:
            self.read_on(now)
        if self.wanted is not None and now >= self.wanted.until:
            self._wire.say(talk.Refused(self.wanted.shot, "the host sent no move in time"))
            self.wanted = None
