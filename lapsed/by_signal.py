"""A print of which the host itself tells, by a command or a call at each layer change.

Such a host parks by itself and waits for the answer to its signal; lapsed never holds it.
"""

import asyncio
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, NoReturn

from lapsed.decide import state as s
from lapsed.errors import BugError
from lapsed.model import LayerSeen, LinkUp, Outcome, PrintEnded, PrintInfo, PrintStarted, Why
from lapsed.settings import SignalLink

SignalKind = Literal["start", "layer", "end", "cue"]


@dataclass(frozen=True, slots=True)
class Signal:
    """What a host signals; heights in mm, everything but the kind may be left out.

    A layer without a number is the one after the last. `outcome` counts with "end" alone.
    """

    kind: SignalKind
    file: str | None = None
    layer: int | None = None
    layers: int | None = None
    height_mm: float | None = None
    outcome: Outcome = Outcome.FINISHED


class BySignal:
    """The runner's hand on a print that is signalled; `tell` hears what is."""

    owns_hold = False

    def __init__(self, link: SignalLink, tell: Callable[[s.Event], None], known: PrintInfo | None = None) -> None:
        self._link = link
        self._tell = tell
        self._print = known
        self._layer: int | None = None
        self._heard = asyncio.Event()

    async def run(self) -> None:
        """Wait for signals until cancelled; a print of which none came for long is given up as lost."""
        self._tell(LinkUp())
        if self._print is not None:
            self._tell(PrintStarted(self._print, joined=True))
        while True:
            self._heard.clear()
            try:
                async with asyncio.timeout(self._link.lost_after_s if self._print is not None else None):
                    await self._heard.wait()
            except TimeoutError:
                hours = self._link.lost_after_s / 3600
                self._end(Outcome.LOST, f"no signal came for {hours:.1f} h")

    def signal(self, signal: Signal) -> None:
        """Take in what the host signals."""
        self._heard.set()
        match signal.kind:
            case "start":
                self._begin(signal, joined=False)
            case "layer":
                self._begin_unless_known(signal)
                last = self._layer if self._layer is not None else 0
                self._layer = signal.layer if signal.layer is not None else last + 1
                self._tell(LayerSeen(self._layer, signal.height_mm))
            case "cue":
                self._begin_unless_known(signal)
                self._tell(s.ShootNow(Why.SIGNAL))
            case "end":
                self._end(signal.outcome, "")

    def _begin_unless_known(self, signal: Signal) -> None:
        if self._print is None:
            self._begin(signal, joined=signal.layer is not None and signal.layer > 1)

    def _begin(self, signal: Signal, *, joined: bool) -> None:
        self._print = PrintInfo(signal.file or "print", layers=signal.layers)
        self._layer = None
        self._tell(PrintStarted(self._print, joined))

    def _end(self, outcome: Outcome, reason: str) -> None:
        if self._print is not None:
            self._print, self._layer = None, None
            self._tell(PrintEnded(outcome, reason))

    def top_mm(self, known_mm: float) -> float:
        """The head is never moved."""
        return known_mm

    def over(self, _shot: int) -> None:
        """Nothing was held."""

    def _never(self, *_: object) -> NoReturn:
        raise BugError("a host that signals is never held")

    terms = hold = ask = leave = back = resume = _never
