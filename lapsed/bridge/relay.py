"""The bridge's heart: bytes in from host and printer, words from the daemon, and what goes out. No clock, no port.

Whoever feeds it takes what has gathered in `wire` after each call, and calls `tick` no later than `wake_at`. Both ways
it is a cable but for a hold: then the host's lines wait here, our block goes out one line at a time, and the answers to
it, and only so many, are kept from the host.
"""

import re

from lapsed.bridge import replies, talk
from lapsed.bridge.holding import (
    BUSY_EVERY_S,
    LONGEST_LINE,
    MOST_HELD_BYTES,
    OUT,
    RESEND_REST_S,
    RETURNING,
    SILENT_S,
    Holding,
    Phase,
    Ways,
)
from lapsed.bridge.inlet import Inlet
from lapsed.bridge.parking import Parking
from lapsed.bridge.reading import Began, Ended, LayerBegins, News, Reading
from lapsed.bridge.replies import Kind, Reply
from lapsed.bridge.wire import Wire
from lapsed.model import Outcome

_EMERGENCY = re.compile(rb"\s*(N\d+\s*)?M(108|112|410)(?!\d)")
_SILENT = re.compile(rb"\s*(?:;.*)?$", re.DOTALL)


class Relay:
    """The line between one host and one printer."""

    def __init__(self, ways: Ways) -> None:
        self.wire = self._wire = Wire()
        self.reading = Reading(ways.dialect, ways.harmless, checked=ways.check_position)
        self._parking = Parking(ways, self._wire, self.reading, self._let_go)
        self._ways = ways
        self._host_there = self._printer_there = False
        self._inlet = Inlet(self._wire, ways.part_within_s)
        self._tail = b""  # the beginning of a line of the printer's
        self._queue: list[bytes] = []
        self._wanted: tuple[int, float, float] | None = None  # shot, limit, until when
        self._token = 0
        self._height_mm = 0.0
        self._rest_until = 0.0
        self._sent_at = self._moved_at = 0.0
        self._poll_at: float | None = None

    @property
    def holds(self) -> bool:
        """Whether lines wait."""
        return self._parking.hold is not None

    # ------------------------------------------------------------------------------------------------ the host

    def host(self, data: bytes, now: float) -> None:
        """Bytes from the host."""
        self._sent_at = now
        for raw, passed in self._inlet.lines(data):
            if self._inlet.ends_overlong():
                self._wire.to_printer += raw
                self._wire.host_due += 1
                self.reading.forget("a line too long to be read went to the printer")
            elif self._parking.hold is None:
                self._line(raw, passed, now)
            else:
                self._wait(raw, now)
        if self._parking.hold is None:
            self._inlet.settle(now)
        elif len(self._inlet.part) > MOST_HELD_BYTES:
            self._parking.go_back(now, "the host sends a line without an end")

    def _line(self, raw: bytes, passed: int, now: float) -> None:
        """A whole line, of which `passed` bytes have gone on: pass it, or withhold it."""
        layer = self._tell(self.reading.read(raw))
        if self.reading.moves:
            self._moved_at = now
        if layer is not None and self._wire.attached:
            unsure = self._unfit(passed, now)
            self._token += 1
            self._parking.why_not = unsure or ""
            self._wire.say(talk.Layer(self._token, layer.number, layer.height_mm, waits=unsure is None))
            if unsure is None:
                until = now + self._ways.answer_within_s
                self._parking.hold = Holding(Phase.ASKED, until, token=self._token)
                self._queue = [raw]
                return
        elif self._wanted is not None and self.reading.moves:
            (shot, limit_s, _), self._wanted = self._wanted, None
            unsure = self._unfit(passed, now)
            if unsure is None:
                self._parking.hold = Holding(Phase.ASKED, now, shot=shot)
                self._queue = [raw]
                self._parking.drain(limit_s, now)
                return
            self._wire.say(talk.Refused(shot, unsure))
        self._pass(raw, passed)

    def _unfit(self, passed: int, now: float) -> str | None:
        """Why nothing may be parked before the line just read."""
        if passed:
            return "the line was already on its way"
        if now < self._rest_until:
            return "the printer has just asked for lines again"
        if self.reading.card is not None:
            return "the printer prints from its own card; set park = false to shoot without parking"
        if self._wire.ours_due:
            return "the printer has not answered the last question yet"
        return self.reading.unsure()

    def _pass(self, raw: bytes, passed: int = 0) -> None:
        self._wire.to_printer += raw[passed:]
        self._wire.host_due += not _SILENT.match(raw)

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
                self._queue.append(raw)  # numbered lines out of their order would be refused
            self._parking.go_back(now, f"the host sent {name}")
            return
        self._queue.append(raw)
        if sum(map(len, self._queue)) > MOST_HELD_BYTES:
            self._parking.go_back(now, "the host sends on without waiting for answers")

    def _halt(self, raw: bytes, now: float) -> None:
        self._tell(self.reading.end(Outcome.FAILED, "the host sent M112, an emergency stop"))
        self.reading.forget("the machine was stopped by M112")
        self._pass(raw)
        self._wire.ours_due = 0
        self._parking.release(now, "the host sent M112")

    # --------------------------------------------------------------------------------------------- the printer

    def printer(self, data: bytes, now: float) -> None:
        """Bytes from the printer."""
        self._wire.heard_at = now
        *lines, tail = (self._tail + data).split(b"\n")
        # Nothing of the last line may go on while those before it are being dealt with.
        self._tail = b""
        for line in lines:
            passed, self._wire.tail_passed = self._wire.tail_passed, 0
            swallow = self._reply(replies.read(line[:LONGEST_LINE]), passed, now)
            if not swallow:
                self._wire.tell_host(line[passed:] + b"\n", now)
            if (
                self._parking.hold is not None
                and self._parking.hold.phase is Phase.DRAINING
                and not self._wire.host_due
            ):
                self._parking.drained(now)
        self._tail = tail
        if self._tail and (not self._guarded or len(self._tail) > LONGEST_LINE):
            self._wire.tell_host(self._tail[self._wire.tail_passed :], now)
            self._wire.tail_passed = len(self._tail)
            if self._wire.tail_passed > LONGEST_LINE:
                # Its beginning has told what it is; what follows passes all the same.
                self._tail, self._wire.tail_passed = self._tail[:64], 64

    @property
    def _guarded(self) -> bool:
        return self._parking.hold is not None or self._wire.ours_due > 0

    def _reply(self, reply: Reply, passed: int, now: float) -> bool:
        """Heed a line of the printer's; whether it is kept from the host."""
        hold = self._parking.hold
        match reply.kind:
            case Kind.OK if self._wire.ours_due and not passed:
                self._wire.ours_due -= 1
                self._wire.doubtful += hold is None
                self._place(reply)
                self._wire.asks_place = False
                self._parking.ours_done(now)
                return True
            case Kind.OK:
                self._wire.host_due = max(0, self._wire.host_due - 1)
                self._wire.doubtful = self._wire.doubtful if self._wire.host_due else 0
            case Kind.OTHER if reply.place is not None and self._wire.asks_place and not passed:
                self._place(reply)
                return True
            case Kind.WAIT:
                return hold is not None  # it is idle because of us
            case Kind.AGAIN:
                self._again(reply.number or 0, now)
            case Kind.START:
                self._started(now)
            case Kind.FAULT | Kind.UNKNOWN:
                if hold is not None and hold.phase in OUT:
                    self._parking.go_back(now, "the printer answered the park block with an error")
            case _:
                self._news(reply, now)
        return False

    def _news(self, reply: Reply, now: float) -> None:
        match reply.kind:
            case Kind.ACTION if reply.word in ("pause", "paused"):
                self._wire.say(talk.Waits(paused=True))
                self._parking.go_back(now, "the print was paused at the printer")
            case Kind.ACTION if reply.word in ("resume", "resumed"):
                self._wire.say(talk.Waits(paused=False))
            case Kind.ACTION if reply.word == "cancel":
                self._tell(self.reading.end(Outcome.CANCELLED, "the print was cancelled at the printer"))
            case Kind.CARD if self.reading.card is None and not self.reading.printing:
                self._tell(self.reading.card_begins(""))
            case Kind.CARD_DONE if self.reading.card is not None:
                self._tell(self.reading.end(Outcome.FINISHED))
            case _:
                pass

    def _place(self, reply: Reply) -> None:
        """Take the place that we asked for."""
        if reply.place is None:
            return
        if self._parking.hold is not None and self._parking.hold.phase in (Phase.CHECKING, Phase.VERIFYING):
            self._parking.hold.place = reply.place
        elif self._wire.asks_place and self.reading.card is not None:
            self._wire.say(talk.Height(reply.place[2]))

    def _again(self, number: int, now: float) -> None:
        """The printer refused a line and forgets what came after it: one answer is due, that to the refusal."""
        self.reading.rewind(number)
        self._wire.host_due = 1
        self._rest_until = now + RESEND_REST_S
        self._parking.go_back(now, "the printer asked for lines again")

    def _started(self, now: float) -> None:
        self._tell(self.reading.end(Outcome.FAILED, "the printer was reset"))
        self.reading.restart()
        self._wire.host_due = self._wire.ours_due = self._wire.doubtful = 0
        if self._parking.hold is not None:
            self._parking.release(now, "the printer was reset")

    # ------------------------------------------------------------------------------------------------ the ends

    def host_there(self, there: bool, now: float) -> None:
        """The host has opened or closed its end."""
        self._host_there = there
        if not there:
            self._parking.go_back(now, "the host closed its port")
            if self._parking.hold is None:
                self._inlet.push()
            elif self._inlet.part:
                self._queue.append(self._inlet.part)
            self._inlet.clear()
            if self.reading.card is None:
                self._tell(self.reading.end(Outcome.FAILED, "the host closed its port in mid-print"))
        self._wire.say(talk.Ends(self._host_there, self._printer_there))

    def printer_there(self, there: bool, reason: str, now: float) -> None:
        """The printer's port has come, or gone for `reason`."""
        self._printer_there = there
        if not there:
            self._tell(self.reading.end(Outcome.FAILED, reason))
            self._tail, self._wire.tail_passed = b"", 0
            if self._parking.hold is not None:
                self._parking.release(now, reason)
            self._wire.host_due = self._wire.ours_due = self._wire.doubtful = 0
            self._wire.to_printer.clear()
        self.reading.restart()
        self._wire.say(talk.Ends(self._host_there, self._printer_there, reason))

    # ---------------------------------------------------------------------------------------------- the daemon

    def attach(self, now: float) -> None:
        """The daemon is there: tell it how things stand."""
        del now
        self._wire.attached = True
        self._wire.say(talk.Hello(talk.VERSION, self._host_there, self._printer_there, self.reading.printing))
        if self.reading.printing:
            self._wire.say(self._began(joined=True))

    def detach(self, now: float) -> None:
        """The daemon is gone: be a cable again, by the shortest way."""
        self._wire.attached = False
        self._wanted = None
        self._parking.go_back(now, "the daemon went away")
        if self._inlet.until is not None:
            self._inlet.push()

    def told(self, message: talk.FromDaemon, now: float) -> None:
        """The daemon's word."""
        hold = self._parking.hold
        match message:
            case talk.Pass(token):
                if hold is not None and hold.phase is Phase.ASKED and hold.token == token:
                    self._parking.release(now)
            case talk.Hold():
                self._order(message, now)
            case talk.Leave(shot):
                if hold is not None and (hold.phase, hold.shot) == (Phase.HELD, shot) and message.leave:
                    hold.orders(message.leave, message.come_back, message.come_back_s)
                    self._wire.send(hold.leave.popleft(), now)
            case talk.Free(shot):
                if hold is not None and hold.shot == shot:
                    self._parking.go_back(now, "")
                    return
                if self._wanted is not None and self._wanted[0] == shot:
                    self._wanted = None
                self._wire.say(talk.Freed(shot))
            case talk.Hello():
                pass

    def _order(self, order: talk.Hold, now: float) -> None:
        hold = self._parking.hold
        if hold is not None and hold.phase is Phase.ASKED and hold.token == order.token:
            hold.shot = order.shot
            self._parking.drain(order.limit_s, now)
        elif order.token is not None:
            late = f"the answer took more than {self._ways.answer_within_s * 1000:.0f} ms, and the layer had begun"
            self._wire.say(talk.Refused(order.shot, self._parking.why_not if order.token == self._token else late))
        elif hold is not None or self._wanted is not None:
            self._wire.say(talk.Refused(order.shot, "the hold before it is not over"))
        else:
            self._wanted = (order.shot, order.limit_s, now + order.limit_s)

    # ------------------------------------------------------------------------------------------------ the hold

    def _let_go(self, now: float) -> None:
        """Pass all that waited."""
        if self._tail and not self._guarded:
            self._wire.tell_host(self._tail[self._wire.tail_passed :], now)
            self._wire.tail_passed = len(self._tail)
        queue, self._queue = self._queue, []
        for index, raw in enumerate(queue):
            if self.holds:
                self._queue.append(raw)
            elif index == 0:
                self._pass(raw)  # it was read before it was withheld
            else:
                self._line(raw, 0, now)
        if not self.holds:
            self._inlet.settle(now)

    # --------------------------------------------------------------------------------------------------- time

    def wake_at(self) -> float | None:
        """When `tick` is wanted at the latest."""
        quiet = self._parking.hold is None and self._inlet.until is None and self._wanted is None
        over_at = self._moved_at + self._ways.over_after_s if self._streams else None
        if quiet and self.reading.card is None and not self._wire.doubtful:
            return over_at
        times = [self._inlet.until, self._poll_at, over_at]
        if self._wanted is not None:
            times.append(self._wanted[2])
        hold = self._parking.hold
        if hold is not None:
            times.append(hold.until if hold.phase not in RETURNING else self._wire.heard_at + SILENT_S)
            if hold.phase is not Phase.ASKED:
                times.append(self._wire.told_at + BUSY_EVERY_S)
        elif self._wire.doubtful:
            times.append(max(self._wire.heard_at, self._sent_at) + SILENT_S)
        polls = self._wire.attached and self._ways.card_poll_s is not None
        if polls and self.reading.card is not None and self._poll_at is None:
            times.append(0.0)
        return min((time for time in times if time is not None), default=None)

    @property
    def _streams(self) -> bool:
        """Whether a print comes from the host just now."""
        return self.reading.printing and self.reading.card is None

    def tick(self, now: float) -> None:
        """Time has passed."""
        if self._inlet.until is not None and now >= self._inlet.until:
            self._inlet.push()
        if self._wanted is not None and now >= self._wanted[2]:
            self._wire.say(talk.Refused(self._wanted[0], "the host sent no move in time"))
            self._wanted = None
        self._poll(now)
        if self._streams and now >= self._moved_at + self._ways.over_after_s:
            minutes = self._ways.over_after_s / 60
            self._tell(self.reading.end(Outcome.LOST, f"the host has sent no move for {minutes:.0f} minutes"))
        if self._parking.hold is not None:
            self._parking.hold_on(self._parking.hold, now)
        elif self._wire.doubtful and now >= max(self._wire.heard_at, self._sent_at) + SILENT_S:
            # All three are silent and the host still has an answer to come: the one that was kept may have been it.
            self._wire.doubtful -= 1
            if self._wire.host_due and not self._wire.tail_passed:
                self._wire.host_due -= 1
                self._wire.tell_host(b"ok\n", now)

    def _poll(self, now: float) -> None:
        """Ask for the height of a print from the card, while nothing else is asked."""
        every = self._ways.card_poll_s
        if every is None or self.reading.card is None or not self._wire.attached:
            self._poll_at = None
            return
        if self._poll_at is None or now >= self._poll_at:
            self._poll_at = now + every
            if not self._guarded and not self._wire.host_due and not self._inlet.passed:
                self._wire.ask_place(now)

    # ---------------------------------------------------------------------------------------------------- words

    def _began(self, *, joined: bool) -> talk.PrintBegan:
        reading = self.reading
        run = f"{self._ways.session}-{reading.run}"
        layer = reading.layering.number if joined else 0
        return talk.PrintBegan(run, joined, reading.name, reading.card is not None, layer, self._height_mm)

    def _tell(self, news: tuple[News, ...]) -> LayerBegins | None:
        """Say what a line means; the layer that it begins, if it does."""
        layer = None
        for one in news:
            match one:
                case Began():
                    self._height_mm = 0.0
                    self._wire.say(self._began(joined=one.joined))
                case LayerBegins():
                    layer = one
                    self._height_mm = one.height_mm
                case Ended(outcome, reason):
                    self._wire.say(talk.PrintOver(outcome.value, reason))
        return layer
