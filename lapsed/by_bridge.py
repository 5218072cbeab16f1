"""How a print is held by a bridge: the director's orders as words to it, its words as events.

The bridge brings the head back and lets the print go on by itself once the daemon is gone; so nothing here has to
survive, and a hold needs no mark in the journal beforehand.
"""

import logging
from collections.abc import Callable
from typing import Any

from lapsed import clock
from lapsed.bridge import talk
from lapsed.bridge.link import Link
from lapsed.decide import state as s
from lapsed.model import (
    Block,
    HeightSeen,
    LayerSeen,
    LinkDown,
    LinkUp,
    Motion,
    MotionSeen,
    Outcome,
    Position,
    PrintEnded,
    PrintInfo,
    PrintPaused,
    PrintResumed,
    PrintStarted,
)
from lapsed.settings import BridgeLink

log = logging.getLogger(__name__)

_GONE = "the bridge let the print go on by itself"
_ENDED = "the print ended while the bridge could not be heard"
_ENDED_AWAY = f"{_ENDED}; the head was away from the part when it last was"
_STRANDED = (
    " while the head was away; it comes back if the bridge still runs. If the bridge has ended, the print "
    "has stopped like that with the heaters on: see to the printer, and home it before it prints again"
)


class ByBridge:
    """The runner's hand on a print that streams through a bridge; `away` if an earlier daemon left the head so."""

    owns_hold = True

    def __init__(
        self,
        link: BridgeLink,
        printer: str,
        hold_limit_s: float,
        tell: Callable[[s.Event], None],
        *,
        away: bool = False,
    ) -> None:
        self._name = printer
        self._limit_s = hold_limit_s
        self._tell = tell
        self._link = Link(link.socket_of(printer), link.retry_most_s, self._heard, self._gone)
        self._up = False
        self._lost_s: float | None = None
        self._token: int | None = None
        self._held: talk.Held | None = None
        self._shot: int | None = None  # the shot that the bridge holds the print for, or is to
        self._returning = False
        self._away = away  # the head was told to leave, and the bridge has not said that it is back

    async def run(self) -> None:
        """Follow the bridge until cancelled."""
        await self._link.run()

    # ------------------------------------------------------------------------------------------------- orders

    def terms(self) -> dict[str, Any]:
        """What the park block must be written with."""
        held = self._held
        if held is None:
            return {"echo": False}
        return {"echo": False, "inches": held.inches, "offset": Position(*held.offset)}

    def top_mm(self, known_mm: float) -> float:
        """How high the head must travel over: the bridge has seen all that was laid, unless it came late."""
        held = self._held
        return known_mm if held is None or held.top_mm is None else held.top_mm

    def hold(self, shot: int) -> None:
        """Have the print wait: at the line that waits already, or at the next move."""
        token = self._take_token()
        self._shot, self._held, self._returning = shot, None, False
        if not self._link.say(talk.Hold(shot, token, self._limit_s)):
            self._shot = None
            self._tell(s.Failed(shot, s.Phase.HOLDING, "the bridge can't be heard"))

    def ask(self, shot: int) -> None:
        """The position came with the hold."""
        self._tell(s.Done(shot, s.Phase.ASKING))

    def leave(self, shot: int, block: Block) -> None:
        """Have the head moved away."""
        if self._shot == shot and self._link.say(talk.Leave(shot, block.leave, block.come_back, block.come_back_s)):
            self._away = True
        else:
            self._tell(s.Failed(shot, s.Phase.PARKING, _GONE))

    def back(self, shot: int, lines: tuple[str, ...]) -> None:
        """Have the head moved back, after which the bridge lets the print go on."""
        del lines
        self._free(shot, s.Phase.RETURNING)

    def resume(self, shot: int) -> None:
        """Let the print go on, if it has not yet."""
        self._free(shot, s.Phase.RESUMING)

    def over(self, shot: int) -> None:
        """The shot holds the print no more."""
        if self._shot == shot:
            self._shot = None
            self._link.say(talk.Free(shot))

    def _free(self, shot: int, phase: s.Phase) -> None:
        if self._shot == shot and self._link.say(talk.Free(shot)):
            self._returning = phase is s.Phase.RETURNING
        else:
            self._tell(s.Done(shot, phase))

    # -------------------------------------------------------------------------------------------------- words

    def _heard(self, message: talk.FromBridge) -> None:
        match message:
            case talk.Hello():
                self._ends(printer=message.printer, reason="the bridge does not find the printer's port")
                if not message.printing:
                    self._tell(PrintEnded(Outcome.LOST, _ENDED_AWAY if self._away else _ENDED))
                self._away = False
            case talk.Ends():
                self._ends(printer=message.printer, reason=message.reason)
            case talk.PrintBegan():
                self._tell(PrintStarted(PrintInfo(message.name or self._name, message.run), message.joined))
                if message.layer:
                    self._tell(LayerSeen(message.layer, message.height_mm))
            case talk.Layer():
                self._layer(message)
            case talk.Height(height_mm):
                self._tell(HeightSeen(height_mm))
            case talk.PrintOver(outcome, reason):
                self._tell(PrintEnded(Outcome(outcome), reason))
            case talk.Waits(paused):
                self._tell(PrintPaused() if paused else PrintResumed())
            case talk.Remark(text):
                log.warning("%s: %s", self._name, text)
            case _:
                self._about_shot(message)

    def _layer(self, message: talk.Layer) -> None:
        self._token = message.token
        self._tell(LayerSeen(message.number, message.height_mm))
        # The director has decided by now; where it wants no frame, the line must not wait a moment longer.
        if self._take_token() is not None and message.waits:
            self._link.say(talk.Pass(message.token))

    def _take_token(self) -> int | None:
        token, self._token = self._token, None
        return token

    def _about_shot(self, message: talk.Held | talk.Parked | talk.Freed | talk.Refused) -> None:
        if message.shot != self._shot:
            return
        match message:
            case talk.Held():
                self._held = message
                self._tell(MotionSeen(_motion(message)))
                self._tell(s.Done(message.shot, s.Phase.HOLDING))
            case talk.Parked(shot):
                self._tell(s.Done(shot, s.Phase.PARKING))
            case talk.Refused(shot, reason):
                self._shot = None
                self._tell(s.Failed(shot, s.Phase.HOLDING, reason))
            case talk.Freed(shot, reason):
                self._freed(shot, reason)

    def _freed(self, shot: int, reason: str) -> None:
        self._shot, self._away = None, False
        if reason and not self._returning:
            log.warning("%s: shot %d: the print went on: %s", self._name, shot, reason)
            self._tell(PrintResumed(reason))
        else:
            self._tell(s.Done(shot, s.Phase.RETURNING if self._returning else s.Phase.RESUMING))

    def _ends(self, *, printer: bool, reason: str) -> None:
        if printer and not self._up:
            gap_s = None if self._lost_s is None else clock.monotonic() - self._lost_s
            self._up = True
            log.info("the bridge of %s is heard", self._name)
            self._tell(LinkUp(gap_s))
        elif not printer and self._up:
            self._down(reason)
        elif not printer:
            log.warning("%s: %s", self._name, reason)

    def _down(self, reason: str) -> None:
        self._up = False
        self._lost_s = clock.monotonic()
        log.warning("the bridge of %s is lost: %s", self._name, reason)
        self._tell(LinkDown(reason))

    def _gone(self, reason: str) -> None:
        shot, self._shot = self._shot, None
        if self._up:
            self._down(reason + _STRANDED if self._away else reason)
        if shot is not None:
            self._tell(PrintResumed("the bridge went away"))


def _motion(held: talk.Held) -> Motion:
    return Motion(
        position=Position(*held.position),
        feed_mm_min=held.feed_mm_min,
        absolute=held.absolute,
        absolute_extrusion=held.absolute_extrusion,
        retracted=held.retracted,
    )
