"""The bridge's heart: bytes in from host and printer, words from the daemon, and what goes out. No clock, no port.

Whoever feeds it takes what has gathered in `to_printer`, `to_host` and `says` after each call, and calls `tick` no
later than `wake_at`. Both ways it is a cable but for a hold: then the host's lines wait here, our block goes out one
line at a time, and the answers to it, and only so many, are kept from the host.
"""

import re

from lapsed.bridge import replies, talk
from lapsed.bridge.holding import (
    BUSY_EVERY_S,
    LONGEST_LINE,
    MOST_HELD_BYTES,
    MOST_TRIES,
    OUT,
    RESEND_REST_S,
    RETURNING,
    SAME_PLACE_MM,
    SILENT_S,
    Holding,
    Phase,
    Ways,
)
from lapsed.bridge.reading import Began, Ended, LayerBegins, News, Reading
from lapsed.bridge.replies import Kind, Reply
from lapsed.gcode.state import place
from lapsed.model import Outcome

BUSY = b"echo:busy: processing\n"
_MAY_MOVE = re.compile(rb"\s*(?:N(?:\d+\s*)?)?(?:G[^\n]*)?$")
_EMERGENCY = re.compile(rb"\s*(N\d+\s*)?M(108|112|410)(?!\d)")
_SILENT = re.compile(rb"\s*(?:;.*)?$", re.DOTALL)


class Relay:
    """The line between one host and one printer."""

    def __init__(self, ways: Ways) -> None:
        self.to_printer = bytearray()
        self.to_host = bytearray()
        self.says: list[talk.FromBridge] = []
        self.reading = Reading(ways.dialect, ways.harmless)
        self._ways = ways
        self._attached = self._host_there = self._printer_there = False
        self._part = b""  # the beginning of a line of the host's, of which `_passed` bytes have gone on
        self._passed = 0
        self._part_until: float | None = None
        self._junk = False  # in an over-long line
        self._tail = b""  # the same of the printer's
        self._tail_passed = 0
        self._host_due = (
            0  # lines of the host's and of ours that the printer has yet to answer; ours are answered first
        )
        self._ours_due = 0
        self._doubtful = 0  # answers kept from the host that may have been meant for it
        self._hold: Holding | None = None
        self._queue: list[bytes] = []
        self._wanted: tuple[int, float, float] | None = None  # shot, limit, until when
        self._token = 0
        self._why_not = ""
        self._height_mm = 0.0
        self._rest_until = 0.0
        self._heard_at = self._told_at = self._sent_at = 0.0
        self._poll_at: float | None = None
        self._asks_place = False

    @property
    def holds(self) -> bool:
        """Whether lines wait."""
        return self._hold is not None

    # ------------------------------------------------------------------------------------------------ the host

    def host(self, data: bytes, now: float) -> None:
        """Bytes from the host."""
        self._sent_at = now
        *lines, part = (self._part + data).split(b"\n")
        self._part, self._part_until = part, None
        for line in lines:
            raw, passed, self._passed = line + b"\n", self._passed, 0
            if self._junk:
                self._junk = False
                self.to_printer += raw
                self._host_due += 1
                self.reading.forget("a line too long to be read went to the printer")
            elif self._hold is None:
                self._line(raw, passed, now)
            else:
                self._wait(raw, now)
        if self._hold is not None and len(self._part) > MOST_HELD_BYTES:
            self._go_back(now, "the host sends a line without an end")
        self._partial(now)

    def _partial(self, now: float) -> None:
        """Pass the beginning of a line on, unless its end may show that it is the one to withhold."""
        part = self._part
        if not part or self._hold is not None:
            return
        if self._passed or not self._attached or len(part) > LONGEST_LINE or not _MAY_MOVE.match(part):
            self._pass_partial()
        else:
            self._part_until = now + self._ways.part_within_s

    def _pass_partial(self) -> None:
        self._part_until = None
        self.to_printer += self._part[self._passed :]
        self._passed = len(self._part)
        if self._passed > LONGEST_LINE:
            self._part, self._passed, self._junk = b"", 0, True
        elif self._junk:
            self._part, self._passed = b"", 0

    def _line(self, raw: bytes, passed: int, now: float) -> None:
        """A whole line, of which `passed` bytes have gone on: pass it, or withhold it."""
        layer = self._tell(self.reading.read(raw))
        if layer is not None and self._attached:
            unsure = self._unfit(passed, now)
            self._token += 1
            self._why_not = unsure or ""
            self._say(talk.Layer(self._token, layer.number, layer.height_mm, waits=unsure is None))
            if unsure is None:
                until = now + self._ways.answer_within_s
                self._hold = Holding(Phase.ASKED, until, token=self._token)
                self._queue = [raw]
                return
        elif self._wanted is not None and self.reading.moves:
            (shot, limit_s, _), self._wanted = self._wanted, None
            unsure = self._unfit(passed, now)
            if unsure is None:
                self._hold = Holding(Phase.ASKED, now, shot=shot)
                self._queue = [raw]
                self._drain(limit_s, now)
                return
            self._say(talk.Refused(shot, unsure))
        self._pass(raw, passed)

    def _unfit(self, passed: int, now: float) -> str | None:
        """Why nothing may be parked before the line just read."""
        if passed:
            return "the line was already on its way"
        if now < self._rest_until:
            return "the printer has just asked for lines again"
        if self.reading.card is not None:
            return "the printer prints from its own card; set park = false to shoot without parking"
        if self._ours_due:
            return "the printer has not answered the last question yet"
        return self.reading.unsure()

    def _pass(self, raw: bytes, passed: int = 0) -> None:
        self.to_printer += raw[passed:]
        self._host_due += not _SILENT.match(raw)

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
            self._go_back(now, f"the host sent {name}")
            return
        self._queue.append(raw)
        if sum(map(len, self._queue)) > MOST_HELD_BYTES:
            self._go_back(now, "the host sends on without waiting for answers")

    def _halt(self, raw: bytes, now: float) -> None:
        self._tell(self.reading.end(Outcome.FAILED, "the host sent M112, an emergency stop"))
        self.reading.forget("the machine was stopped by M112")
        self._pass(raw)
        self._ours_due = 0
        self._release(now, "the host sent M112")

    # --------------------------------------------------------------------------------------------- the printer

    def printer(self, data: bytes, now: float) -> None:
        """Bytes from the printer."""
        self._heard_at = now
        *lines, tail = (self._tail + data).split(b"\n")
        self._tail = tail
        for line in lines:
            passed, self._tail_passed = self._tail_passed, 0
            swallow = self._reply(replies.read(line[:LONGEST_LINE]), passed, now)
            if not swallow:
                self._to_host(line[passed:] + b"\n", now)
            if self._hold is not None and self._hold.phase is Phase.DRAINING and not self._host_due:
                self._drained(now)
        if self._tail and (not self._guarded or len(self._tail) > LONGEST_LINE):
            self._to_host(self._tail[self._tail_passed :], now)
            self._tail_passed = len(self._tail)
            if self._tail_passed > LONGEST_LINE:
                # Its beginning has told what it is; what follows passes all the same.
                self._tail, self._tail_passed = self._tail[:64], 64

    @property
    def _guarded(self) -> bool:
        return self._hold is not None or self._ours_due > 0

    def _to_host(self, data: bytes, now: float) -> None:
        self.to_host += data
        self._told_at = now

    def _reply(self, reply: Reply, passed: int, now: float) -> bool:
        """Heed a line of the printer's; whether it is kept from the host."""
        hold = self._hold
        match reply.kind:
            case Kind.OK if self._ours_due and not passed:
                self._ours_due -= 1
                self._doubtful += hold is None
                self._place(reply)
                self._asks_place = False
                self._ours_done(now)
                return True
            case Kind.OK:
                self._host_due = max(0, self._host_due - 1)
                self._doubtful = self._doubtful if self._host_due else 0
            case Kind.OTHER if reply.place is not None and self._asks_place and not passed:
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
                    self._go_back(now, "the printer answered the park block with an error")
            case _:
                self._news(reply, now)
        return False

    def _news(self, reply: Reply, now: float) -> None:
        match reply.kind:
            case Kind.ACTION if reply.word in ("pause", "paused"):
                self._say(talk.Waits(paused=True))
                self._go_back(now, "the print was paused at the printer")
            case Kind.ACTION if reply.word in ("resume", "resumed"):
                self._say(talk.Waits(paused=False))
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
        if self._hold is not None and self._hold.phase in (Phase.CHECKING, Phase.VERIFYING):
            self._hold.place = reply.place
        elif self._asks_place and self.reading.card is not None:
            self._say(talk.Height(reply.place[2]))

    def _ask_place(self, now: float) -> None:
        self._asks_place = True
        self._send(b"M114", now)

    def _again(self, number: int, now: float) -> None:
        """The printer refused a line and forgets what came after it: one answer is due, that to the refusal."""
        self.reading.rewind(number)
        self._host_due = 1
        self._rest_until = now + RESEND_REST_S
        self._go_back(now, "the printer asked for lines again")

    def _started(self, now: float) -> None:
        self._tell(self.reading.end(Outcome.FAILED, "the printer was reset"))
        self.reading.restart()
        self._host_due = self._ours_due = self._doubtful = 0
        if self._hold is not None:
            self._release(now, "the printer was reset")

    # ------------------------------------------------------------------------------------------------ the ends

    def host_there(self, there: bool, now: float) -> None:
        """The host has opened or closed its end."""
        self._host_there = there
        if not there:
            self._go_back(now, "the host closed its port")
            if self._part and self._hold is None:
                self._pass_partial()
            elif self._part:
                self._queue.append(self._part)
            self._part, self._passed, self._junk, self._part_until = b"", 0, False, None
            if self.reading.card is None:
                self._tell(self.reading.end(Outcome.FAILED, "the host closed its port in mid-print"))
        self._say(talk.Ends(self._host_there, self._printer_there))

    def printer_there(self, there: bool, reason: str, now: float) -> None:
        """The printer's port has come, or gone for `reason`."""
        self._printer_there = there
        if not there:
            self._tell(self.reading.end(Outcome.FAILED, reason))
            self._tail, self._tail_passed = b"", 0
            if self._hold is not None:
                self._release(now, reason)
            self._host_due = self._ours_due = self._doubtful = 0
            self.to_printer.clear()
        self.reading.restart()
        self._say(talk.Ends(self._host_there, self._printer_there, reason))

    # ---------------------------------------------------------------------------------------------- the daemon

    def attach(self, now: float) -> None:
        """The daemon is there: tell it how things stand."""
        del now
        self._attached = True
        self._say(talk.Hello(talk.VERSION, self._host_there, self._printer_there, self.reading.printing))
        if self.reading.printing:
            self._say(self._began(joined=True))

    def detach(self, now: float) -> None:
        """The daemon is gone: be a cable again, by the shortest way."""
        self._attached = False
        self._wanted = None
        self._go_back(now, "the daemon went away")
        if self._part_until is not None:
            self._pass_partial()

    def told(self, message: talk.FromDaemon, now: float) -> None:
        """The daemon's word."""
        hold = self._hold
        match message:
            case talk.Pass(token):
                if hold is not None and hold.phase is Phase.ASKED and hold.token == token:
                    self._release(now)
            case talk.Hold():
                self._order(message, now)
            case talk.Leave(shot):
                if hold is not None and (hold.phase, hold.shot) == (Phase.HELD, shot) and message.leave:
                    hold.orders(message.leave, message.come_back, message.come_back_s)
                    self._send(hold.leave.popleft(), now)
            case talk.Free(shot):
                if hold is not None and hold.shot == shot:
                    self._go_back(now, "")
                    return
                if self._wanted is not None and self._wanted[0] == shot:
                    self._wanted = None
                self._say(talk.Freed(shot))
            case talk.Hello():
                pass

    def _order(self, order: talk.Hold, now: float) -> None:
        hold = self._hold
        if hold is not None and hold.phase is Phase.ASKED and hold.token == order.token:
            hold.shot = order.shot
            self._drain(order.limit_s, now)
        elif order.token is not None:
            late = f"the answer took more than {self._ways.answer_within_s * 1000:.0f} ms, and the layer had begun"
            self._say(talk.Refused(order.shot, self._why_not if order.token == self._token else late))
        elif hold is not None or self._wanted is not None:
            self._say(talk.Refused(order.shot, "the hold before it is not over"))
        else:
            self._wanted = (order.shot, order.limit_s, now + order.limit_s)

    # ------------------------------------------------------------------------------------------------ the hold

    def _drain(self, limit_s: float, now: float) -> None:
        hold = self._hold
        assert hold is not None  # noqa: S101 - callers hold
        hold.phase = Phase.DRAINING
        hold.limit_s, hold.limit_at = limit_s, now + limit_s
        hold.until = min(now + self._ways.drain_within_s, hold.limit_at)
        self._told_at = now
        if not self._host_due:
            self._drained(now)

    def _drained(self, now: float) -> None:
        hold = self._hold
        assert hold is not None  # noqa: S101 - callers hold
        hold.phase, hold.until = Phase.FINISHING, hold.limit_at
        self._send(b"M400", now)

    def _finished(self, now: float) -> None:
        hold = self._hold
        assert hold is not None  # noqa: S101 - callers hold
        if self._ways.check_position and not self.reading.before.inches:
            hold.phase, hold.until = Phase.CHECKING, now + self._ways.drain_within_s
            self._ask_place(now)
        else:
            self._held(now)

    def _held(self, now: float) -> None:
        hold, state = self._hold, self.reading.before
        assert hold is not None  # noqa: S101 - callers hold
        assert hold.shot is not None  # noqa: S101 - it was ordered
        hold.phase = Phase.HELD
        hold.until = hold.limit_at = now + hold.limit_s
        motion = state.motion()
        top_mm = None if self.reading.joined else self.reading.layering.below_mm
        self._say(
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
        hold = self._hold
        assert hold is not None  # noqa: S101 - callers hold
        if hold.place is None:
            self._refuse(now, "the printer did not tell its position; set check_position = false if it never does")
            return
        if not self._at_place(hold):
            here = place(self.reading.before.position)[:3]
            told, read = (" ".join(f"{value:.2f}" for value in spot) for spot in (hold.place, here))
            reason = f"the printer says that it stands at {told} where the print leads to {read}"
            self.reading.lose(reason)
            self._refuse(now, reason)
            return
        self._held(now)

    def _at_place(self, hold: Holding) -> bool:
        """Whether the printer says that it is where the host has led it."""
        here = place(self.reading.before.position)[:3]
        return hold.place is not None and all(
            abs(a - b) <= SAME_PLACE_MM for a, b in zip(here, hold.place, strict=True)
        )

    def _verified(self, now: float) -> None:
        """Our lines bear no checksum: where one was lost on the way, all are sent again, which changes nothing else."""
        hold = self._hold
        assert hold is not None  # noqa: S101 - callers hold
        if self._at_place(hold) or hold.tries >= MOST_TRIES:
            self._release(now, hold.reason)
        else:
            self._begin_back(hold, now)

    def _begin_back(self, hold: Holding, now: float) -> None:
        hold.phase, hold.tries, hold.place = Phase.BACK, hold.tries + 1, None
        hold.back.extend(hold.come_back)
        self._send(hold.back.popleft(), now)

    def _send(self, line: bytes, now: float) -> None:
        self.to_printer += line + b"\n"
        self._ours_due += 1
        self._heard_at = now

    def _ours_done(self, now: float) -> None:
        hold = self._hold
        if hold is None:
            return
        match hold.phase:
            case Phase.FINISHING:
                self._finished(now)
            case Phase.CHECKING:
                self._checked(now)
            case Phase.LEAVING if hold.leave:
                self._send(hold.leave.popleft(), now)
            case Phase.LEAVING if hold.shot is not None:
                hold.phase = Phase.AWAY
                self._say(talk.Parked(hold.shot))
            case Phase.BACK if hold.back:
                self._send(hold.back.popleft(), now)
            case Phase.BACK if not hold.tries:
                self._begin_back(hold, now)
            case Phase.BACK if self._ways.check_position and not self.reading.before.inches:
                hold.phase = Phase.VERIFYING
                self._ask_place(now)
            case Phase.BACK:
                self._release(now, hold.reason)
            case Phase.VERIFYING:
                self._verified(now)
            case _:
                pass

    def _go_back(self, now: float, reason: str) -> None:
        """End the hold by the shortest safe way; `reason` is empty if the daemon asked for it."""
        hold = self._hold
        if hold is None or hold.phase in RETURNING:
            return
        if hold.phase not in OUT:
            if reason and hold.phase in (Phase.DRAINING, Phase.FINISHING, Phase.CHECKING):
                self._refuse(now, reason)
            else:
                self._release(now, reason)
            return
        hold.phase, hold.reason = Phase.BACK, reason
        if not self._ours_due:
            self._ours_done(now)

    def _refuse(self, now: float, reason: str) -> None:
        hold = self._hold
        assert hold is not None  # noqa: S101 - callers hold
        if hold.shot is not None:
            self._say(talk.Refused(hold.shot, reason))
            hold.shot = None
        self._release(now)

    def _release(self, now: float, reason: str = "") -> None:
        """Let all that waits go on."""
        hold, self._hold = self._hold, None
        if hold is not None and hold.shot is not None:
            self._say(talk.Freed(hold.shot, reason))
        if self._tail and not self._guarded:
            self._to_host(self._tail[self._tail_passed :], now)
            self._tail_passed = len(self._tail)
        queue, self._queue = self._queue, []
        for index, raw in enumerate(queue):
            if self.holds:
                self._queue.append(raw)
            elif index == 0:
                self._pass(raw)  # it was read before it was withheld
            else:
                self._line(raw, 0, now)
        self._partial(now)

    # --------------------------------------------------------------------------------------------------- time

    def wake_at(self) -> float | None:
        """When `tick` is wanted at the latest."""
        times = [self._part_until, self._poll_at]
        if self._wanted is not None:
            times.append(self._wanted[2])
        hold = self._hold
        if hold is not None:
            times.append(hold.until if hold.phase not in RETURNING else self._heard_at + SILENT_S)
            if hold.phase is not Phase.ASKED:
                times.append(self._told_at + BUSY_EVERY_S)
        elif self._doubtful:
            times.append(max(self._heard_at, self._sent_at) + SILENT_S)
        polls = self._attached and self._ways.card_poll_s is not None
        if polls and self.reading.card is not None and self._poll_at is None:
            times.append(0.0)
        return min((time for time in times if time is not None), default=None)

    def tick(self, now: float) -> None:
        """Time has passed."""
        if self._part_until is not None and now >= self._part_until:
            self._pass_partial()
        if self._wanted is not None and now >= self._wanted[2]:
            self._say(talk.Refused(self._wanted[0], "the host sent no move in time"))
            self._wanted = None
        self._poll(now)
        if self._hold is not None:
            self._hold_on(self._hold, now)
        elif self._doubtful and now >= max(self._heard_at, self._sent_at) + SILENT_S:
            # All three are silent and the host still has an answer to come: the one that was kept may have been it.
            self._doubtful -= 1
            if self._host_due and not self._tail_passed:
                self._host_due -= 1
                self._to_host(b"ok\n", now)

    def _hold_on(self, hold: Holding, now: float) -> None:
        """Keep the host patient, and end what has had its time."""
        if hold.phase is not Phase.ASKED and now >= self._told_at + BUSY_EVERY_S:
            self._to_host(BUSY if not self._tail_passed else b"", now)
        if hold.phase in RETURNING:
            if now >= self._heard_at + SILENT_S:
                self._silent(hold, now)
        elif now >= hold.until:
            self._late(hold, now)

    def _silent(self, hold: Holding, now: float) -> None:
        """A line of the way back was lost, or its answer: begin it anew."""
        self._ours_due = 0
        hold.back.clear()
        if hold.tries >= MOST_TRIES:
            self._release(now, "the printer answers no more")
        else:
            self._begin_back(hold, now)

    def _late(self, hold: Holding, now: float) -> None:
        match hold.phase:
            case Phase.ASKED:
                self._why_not = (
                    f"the answer took more than {self._ways.answer_within_s * 1000:.0f} ms, and the layer had begun"
                )
                self._say(talk.Remark("the daemon did not answer in time; the layer went on unfilmed"))
                self._release(now)
            case Phase.DRAINING:
                lines, self._host_due = self._host_due, 0
                self._refuse(now, f"the printer had not answered {lines} lines within the time to wait for them")
            case Phase.FINISHING:
                self._refuse(now, "the machine did not come to rest in time")
            case Phase.CHECKING:
                self._refuse(now, "the printer did not answer M114 in time")
            case _:
                self._go_back(now, "the hold limit was reached")

    def _poll(self, now: float) -> None:
        """Ask for the height of a print from the card, while nothing else is asked."""
        every = self._ways.card_poll_s
        if every is None or self.reading.card is None or not self._attached:
            self._poll_at = None
            return
        if self._poll_at is None or now >= self._poll_at:
            self._poll_at = now + every
            if not self._guarded and not self._host_due and not self._passed:
                self._ask_place(now)

    # ---------------------------------------------------------------------------------------------------- words

    def _say(self, message: talk.FromBridge) -> None:
        if self._attached:
            self.says.append(message)

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
                    self._say(self._began(joined=one.joined))
                case LayerBegins():
                    layer = one
                    self._height_mm = one.height_mm
                case Ended(outcome, reason):
                    self._say(talk.PrintOver(outcome.value, reason))
        return layer
