"""The runner's hand on the holds of a print: nothing is asked of the host before the journal knows of it."""

from collections.abc import Callable, Coroutine

from lapsed import clock
from lapsed.by_bridge import ByBridge
from lapsed.by_feed import ByFeed
from lapsed.by_signal import BySignal
from lapsed.decide import state as s
from lapsed.gcode import park
from lapsed.model import Block, PrintInfo, Refusal
from lapsed.recorder import Recorder
from lapsed.settings import BridgeLink, Printer, SignalLink
from lapsed.take.records import HoldNoted

Action = s.Hold | s.Ask | s.Plan | s.SendLeave | s.SendBack | s.Resume | s.HoldOver
"""What the director asks of a print."""

Hand = ByFeed | ByBridge | BySignal


class Holds:
    """Carries the director's orders out on the print of `printer`, one hold at a time.

    `tell` hears what became of each, `do` runs what waits. `known` is the print that an earlier daemon filmed, and
    `come_back` the lines that bring the head back from where that daemon left it.
    """

    def __init__(
        self,
        printer: Printer,
        recorder: Recorder,
        tell: Callable[[s.Event], None],
        do: Callable[[Coroutine[object, object, None]], object],
        *,
        known: PrintInfo | None = None,
        come_back: tuple[str, ...] = (),
    ) -> None:
        self._machine = printer.machine
        self._recorder, self._tell, self._do = recorder, tell, do
        self._block: Block | None = None
        # Stands for the hold under way until its end is asked for; what waited for the journal till then is too late.
        self._under_way: object = None
        self._come_back = come_back
        self.by = _hand(printer, tell, do, known, away=bool(come_back))

    def carry_out(self, action: Action) -> None:
        """Begin what `action` asks for."""
        match action:
            case s.Hold(shot):
                self._under_way = object()
                self._hold(shot)
            case s.Ask(shot):
                self.by.ask(shot)
            case s.Plan():
                self._plan(action)
            case s.SendLeave(shot):
                self._do(self._leave(shot, self._under_way))
            case s.SendBack(shot):
                self._under_way = None
                self.by.back(shot, self._come_back)
            case s.Resume(shot):
                self._under_way = None
                self.by.resume(shot)
            case s.HoldOver(shot):
                self._under_way = None
                self.by.over(shot)
                self._recorder.forget_hold()

    def _hold(self, shot: int) -> None:
        """Hold the print, and see to it that a later daemon would know of it.

        A host with a word of its own for our hold would tell it, and a bridge ends it by itself; otherwise the journal
        must know, before it is asked for. It also must where it may still hold the way back of the shot before: a later
        daemon would take this hold for that one, and send the head to where it was then. And where the disk may be
        slow: before the head leaves the way back has to be on it, and a print that is held would wait for that.
        """
        recorder = self._recorder
        if self.by.owns_hold and recorder.knows_no_way_back and recorder.prompt:
            self._recorder.write(HoldNoted(shot, s.Phase.HOLDING, (), clock.stamp()))
            self.by.hold(shot)
        else:
            self._do(self._hold_noted(shot, self._under_way))

    async def _hold_noted(self, shot: int, under_way: object) -> None:
        noted = await self._intend(shot, s.Phase.HOLDING, (), prompt=True)
        if noted and self._under_way is under_way:
            self.by.hold(shot)

    def _plan(self, action: s.Plan) -> None:
        top_mm = self.by.top_mm(action.top_mm)
        written = park.block(action.motion, self._machine, top_mm, action.shot, **self.by.terms())
        if isinstance(written, Refusal):
            self._tell(s.Failed(action.shot, s.Phase.PLANNING, written.reason))
            return
        self._block = written
        self._come_back = written.come_back
        self._tell(s.Planned(action.shot, written.leave_s, written.come_back_s))

    async def _leave(self, shot: int, under_way: object) -> None:
        """Move the head away, once a later daemon would know the way back; not after it was told to come back."""
        block = self._block
        assert block is not None  # noqa: S101 - planned before
        noted = await self._intend(shot, s.Phase.PARKING, block.come_back)
        if noted and self._under_way is under_way:
            self.by.leave(shot, block)

    async def _intend(self, shot: int, phase: s.Phase, come_back: tuple[str, ...], *, prompt: bool = False) -> bool:
        written = await self._recorder.intend(shot, phase, come_back)
        if written and prompt:
            written = self._recorder.prompt
        if written is False:
            self._tell(s.Failed(shot, phase, "the journal could not be written in time"))
        return bool(written)


def _hand(
    printer: Printer,
    tell: Callable[[s.Event], None],
    do: Callable[[Coroutine[object, object, None]], object],
    known: PrintInfo | None,
    *,
    away: bool,
) -> Hand:
    """The hand on the print, by the kind of link."""
    link, limit_s = printer.link, printer.cadence.hold_limit_s
    if isinstance(link, BridgeLink):
        return ByBridge(link, printer.name, limit_s, tell, away=away)
    if isinstance(link, SignalLink):
        return BySignal(link, tell, known)
    return ByFeed(link, limit_s, tell, do, known)
