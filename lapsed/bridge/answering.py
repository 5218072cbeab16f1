"""The printer's side of the line: which of its answers are to lines of ours, and what else it says that matters."""

import re
from collections.abc import Callable

from lapsed.bridge import replies, talk
from lapsed.bridge.holding import LONGEST_LINE, SILENT_S, Phase
from lapsed.bridge.parking import Parking
from lapsed.bridge.reading import Reading
from lapsed.bridge.replies import Kind, Reply
from lapsed.bridge.telling import Telling
from lapsed.bridge.wire import Wire
from lapsed.model import Outcome

_ANSWERS = re.compile(rb"(?:ok(?:[ \t\r][^\n]*)?\n)+\Z")


class Answering:
    """Takes the printer's bytes; `read_all` has all read that went to it, before what it says is heeded."""

    def __init__(
        self,
        wire: Wire,
        reading: Reading,
        telling: Telling,
        parking: Parking,
        read_all: Callable[[float], None],
    ) -> None:
        self._wire = wire
        self._reading = reading
        self._telling = telling
        self._parking = parking
        self._read_all = read_all
        self._tail = b""  # the beginning of a line

    def printer(self, data: bytes, now: float) -> None:
        """Bytes from the printer."""
        wire = self._wire
        wire.heard_at = now
        data = self._tail + data if self._tail else data
        end = data.rfind(b"\n") + 1
        lines, tail = data[:end], data[end:]
        # Nothing of the last line may go on while those before it are being dealt with.
        self._tail = b""
        if not self.guarded and _ANSWERS.match(lines):
            # Nearly all that a printer says: answers to the host, with nothing of ours between.
            passed, wire.tail_passed = wire.tail_passed, 0
            self._host_answered(lines.count(b"\n"))
            wire.tell_host(lines[passed:], now)
        else:
            self._one_by_one(lines, now)
        self._tail = tail
        if tail and (not self.guarded or len(tail) > LONGEST_LINE):
            self._tell_tail(now)
            if wire.tail_passed > LONGEST_LINE:
                # Its beginning has told what it is; what follows passes all the same.
                self._tail, wire.tail_passed = tail[:64], 64

    def _one_by_one(self, lines: bytes, now: float) -> None:
        wire = self._wire
        for line in lines.split(b"\n")[:-1]:
            passed, wire.tail_passed = wire.tail_passed, 0
            swallow = self._reply(replies.read(line[:LONGEST_LINE]), passed, now)
            if not swallow:
                wire.tell_host(line[passed:] + b"\n", now)
            self._parking.answered(now)

    @property
    def guarded(self) -> bool:
        """Whether an answer to a line of ours may be under way."""
        return self._parking.waits or self._wire.ours_due > 0

    def let_go(self, now: float) -> None:
        """Pass the beginning of a line that waited to be told from an answer to ours."""
        if self._tail and not self.guarded:
            self._tell_tail(now)

    def gone(self) -> None:
        """The printer's port has gone, and what it was saying with it."""
        self._tail, self._wire.tail_passed = b"", 0

    def _tell_tail(self, now: float) -> None:
        self._wire.tell_host(self._tail[self._wire.tail_passed :], now)
        self._wire.tail_passed = len(self._tail)

    # ---------------------------------------------------------------------------------------------- one line

    def _reply(self, reply: Reply, passed: int, now: float) -> bool:
        """Heed a line of the printer's; whether it is kept from the host."""
        match reply.kind:
            case Kind.OK if self._wire.ours_due and not passed:
                self._ours_answered(reply, now)
                return True
            case Kind.OK:
                self._host_answered(1)
            case Kind.OTHER if reply.place is not None and self._wire.asks_place and not passed:
                self._place(reply)
                return True
            case Kind.OTHER | Kind.BUSY:
                pass
            case Kind.WAIT:
                return self._parking.waits  # it is idle because of us
            case Kind.FAULT | Kind.UNKNOWN:
                self._parking.faulted(now)
            case _:
                self._read_all(now)
                self._news(reply, now)
        return False

    def _host_answered(self, count: int) -> None:
        self._wire.host_due = max(0, self._wire.host_due - count)
        if not self._wire.host_due:
            self._wire.doubtful = 0

    def _ours_answered(self, reply: Reply, now: float) -> None:
        self._wire.ours_due -= 1
        self._wire.doubtful += not self._parking.waits
        self._place(reply)
        self._wire.asks_place = False
        self._parking.ours_done(now)

    def _place(self, reply: Reply) -> None:
        """Take the place that we asked for."""
        if reply.place is None:
            return
        hold = self._parking.hold
        if hold is not None and hold.phase in (Phase.CHECKING, Phase.VERIFYING):
            hold.place = reply.place
        elif self._wire.asks_place and self._reading.card is not None:
            self._wire.say(talk.Height(reply.place[2]))

    def _news(self, reply: Reply, now: float) -> None:
        """What the printer says of itself and of its print."""
        match reply.kind:
            case Kind.AGAIN:
                self._again(reply.number or 0, now)
            case Kind.START:
                self._started(now)
            case Kind.ACTION if reply.word in ("pause", "paused"):
                self._wire.say(talk.Waits(paused=True))
                self._parking.go_back(now, "the print was paused at the printer")
            case Kind.ACTION if reply.word in ("resume", "resumed"):
                self._wire.say(talk.Waits(paused=False))
            case Kind.ACTION if reply.word == "cancel":
                self._telling.news(self._reading.end(Outcome.CANCELLED, "the print was cancelled at the printer"))
            case Kind.CARD if self._reading.card is None and not self._reading.printing:
                self._telling.news(self._reading.card_begins(""))
            case Kind.CARD_DONE if self._reading.card is not None:
                self._telling.news(self._reading.end(Outcome.FINISHED))
            case _:
                pass

    def _again(self, number: int, now: float) -> None:
        """The printer refused a line and forgets what came after it: one answer is due, that to the refusal."""
        self._reading.rewind(number)
        self._wire.host_due = 1
        self._parking.rest(now)

    def _started(self, now: float) -> None:
        reason = "the printer was reset"
        self._telling.news(self._reading.end(Outcome.FAILED, reason))
        self._reading.restart(reason)
        self._wire.nothing_due()
        if self._parking.waits:
            self._parking.release(now, reason)

    # ---------------------------------------------------------------------------------------------------- time

    def wake_at(self) -> float | None:
        """When `tick` is wanted at the latest."""
        if not self._wire.doubtful or self._parking.waits:
            return None
        return max(self._wire.heard_at, self._wire.sent_at) + SILENT_S

    def tick(self, now: float) -> None:
        """All three are silent and the host still has an answer to come: the one that was kept may have been it."""
        due = self.wake_at()
        if due is None or now < due:
            return
        self._wire.doubtful -= 1
        if self._wire.host_due and not self._wire.tail_passed:
            self._wire.host_due -= 1
            self._wire.tell_host(b"ok\n", now)
