"""The bridge's heart: bytes in from host and printer, words from the daemon, and what goes out. No clock, no port.

Whoever feeds it takes what has gathered in `wire` after each call, and calls `tick` no later than `wake_at`. Both ways
it is a cable but for a hold: then the host's lines wait here, our block goes out one line at a time, and the answers to
it, and only so many, are kept from the host.
"""

from lapsed.bridge import talk
from lapsed.bridge.answering import Answering
from lapsed.bridge.holding import Phase, Ways
from lapsed.bridge.hosting import Hosting, Wanted
from lapsed.bridge.parking import Parking
from lapsed.bridge.reading import Reading
from lapsed.bridge.telling import Telling
from lapsed.bridge.wire import Wire
from lapsed.model import Outcome


class Relay:
    """The line between one host and one printer."""

    def __init__(self, ways: Ways) -> None:
        self.wire = Wire()
        self._reading = Reading(ways.dialect, ways.harmless, checked=ways.check_position)
        self._telling = Telling(ways.session, self.wire, self._reading)
        self._parking = Parking(ways, self.wire, self._reading, self._let_go)
        self._hosting = Hosting(ways, self.wire, self._reading, self._telling, self._parking)
        self._answering = Answering(self.wire, self._reading, self._telling, self._parking, self._hosting.read_all)
        self._ways = ways
        self._host_there = self._printer_there = False
        self._poll_at: float | None = None
        self.host = self._hosting.host
        """Takes bytes from the host, and the time."""
        self.printer = self._answering.printer
        """Takes bytes from the printer, and the time."""

    @property
    def holds(self) -> bool:
        """Whether lines wait."""
        return self._parking.waits

    def _let_go(self, now: float) -> None:
        self._answering.let_go(now)
        self._hosting.let_go(now)

    # ------------------------------------------------------------------------------------------------ the ends

    def host_there(self, there: bool, now: float) -> None:
        """The host has opened or closed its end."""
        self._host_there = there
        if not there:
            self._hosting.gone(now)
        self.wire.say(talk.Ends(self._host_there, self._printer_there))

    def printer_there(self, there: bool, reason: str, now: float) -> None:
        """The printer's port has come, or gone for `reason`."""
        self._printer_there = there
        self._hosting.read_all(now)
        if not there:
            self._telling.news(self._reading.end(Outcome.FAILED, reason))
            self._answering.gone()
            if self._parking.waits:
                self._parking.release(now, reason)
            self.wire.nothing_due()
            self.wire.to_printer.clear()
            self._reading.restart(reason)
        self.wire.say(talk.Ends(self._host_there, self._printer_there, reason))

    # ---------------------------------------------------------------------------------------------- the daemon

    def attach(self, now: float) -> None:
        """The daemon is there: tell it how things stand."""
        self._hosting.read_all(now)
        self.wire.attached = True
        printing = self._reading.printing
        self.wire.say(talk.Hello(talk.VERSION, self._host_there, self._printer_there, printing))
        if printing:
            self._telling.began(joined=True)

    def detach(self, now: float) -> None:
        """The daemon is gone: be a cable again, by the shortest way."""
        self.wire.attached = False
        self._hosting.wanted = None
        self._parking.go_back(now, "the daemon went away")
        if self._hosting.inlet.until is not None:
            self._hosting.inlet.push()

    def told(self, message: talk.FromDaemon, now: float) -> None:
        """The daemon's word."""
        hold, asked = self._parking.hold, self._parking.asked
        match message:
            case talk.Pass(token):
                if asked is not None and asked.token == token:
                    self._parking.release(now)
            case talk.Hold():
                self._order(message, now)
            case talk.Leave(shot):
                if hold is not None and (hold.phase, hold.shot) == (Phase.HELD, shot) and message.leave:
                    hold.orders(message.leave, message.come_back, message.come_back_s)
                    self.wire.send(hold.leave.popleft(), now)
            case talk.Free(shot):
                self._free(shot, now)
            case talk.Hello():
                pass

    def _order(self, order: talk.Hold, now: float) -> None:
        asked = self._parking.asked
        if asked is not None and asked.token == order.token:
            self._parking.order(order.shot, order.limit_s, now)
        elif order.token is not None:
            why = self._parking.why_not if order.token == self._telling.token else self._parking.late
            self.wire.say(talk.Refused(order.shot, why))
        elif self._parking.waits or self._hosting.wanted is not None:
            self.wire.say(talk.Refused(order.shot, "the hold before it is not over"))
        else:
            self._hosting.wanted = Wanted(order.shot, order.limit_s, now + order.limit_s)

    def _free(self, shot: int, now: float) -> None:
        hold, wanted = self._parking.hold, self._hosting.wanted
        if hold is not None and hold.shot == shot:
            self._parking.go_back(now, "")
            return
        if wanted is not None and wanted.shot == shot:
            self._hosting.wanted = None
        self.wire.say(talk.Freed(shot))

    # --------------------------------------------------------------------------------------------------- time

    def wake_at(self) -> float | None:
        """When `tick` is wanted at the latest."""
        times = (
            self._hosting.wake_at(),
            self._parking.wake_at(),
            self._answering.wake_at(),
            self._poll_due(),
            self._over_at(),
        )
        return min([time for time in times if time is not None], default=None)

    def tick(self, now: float) -> None:
        """Time has passed."""
        self._hosting.tick(now)
        self._poll(now)
        over_at = self._over_at()
        if over_at is not None and now >= over_at:
            minutes = self._ways.over_after_s / 60
            reason = f"the host has sent no move for {minutes:.0f} minutes"
            self._telling.news(self._reading.end(Outcome.LOST, reason))
        self._parking.tick(now)
        self._answering.tick(now)

    def _over_at(self) -> float | None:
        """When a print that comes from the host will have been silent for too long."""
        if not self._reading.printing or self._reading.card is not None:
            return None
        return self._hosting.moved_at + self._ways.over_after_s

    def _poll_due(self) -> float | None:
        """When to ask for the height of a print from the card; at once where it has not been asked yet."""
        if self._ways.card_poll_s is None or self._reading.card is None or not self.wire.attached:
            return None
        return self._poll_at or 0.0

    def _poll(self, now: float) -> None:
        """Ask for the height of a print from the card, while nothing else is asked."""
        due, every_s = self._poll_due(), self._ways.card_poll_s
        if due is None or every_s is None:
            self._poll_at = None
        elif now >= due:
            self._poll_at = now + every_s
            if not self._answering.guarded and not self.wire.host_due and not self._hosting.inlet.passed:
                self.wire.ask_place(now)
