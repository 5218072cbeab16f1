"""How a print is held by a feed: the director's orders as calls to the host."""

from collections.abc import Callable, Coroutine
from typing import Any

from lapsed.decide import state as s
from lapsed.errors import RetryError, SilentError
from lapsed.host.feed import Feed
from lapsed.model import Block, PrintInfo
from lapsed.settings import Call, FeedLink

Do = Callable[[Coroutine[object, object, None]], object]


class ByFeed:
    """The runner's hand on a print whose host has a feed. `tell` hears what became of each order."""

    def __init__(
        self, link: FeedLink, within_s: float, tell: Callable[[s.Event], None], do: Do, known: PrintInfo | None = None
    ) -> None:
        self._link = link
        self._within_s = within_s
        self._tell = tell
        self._do = do
        self._feed = Feed(link, tell, known=known)
        self.owns_hold = bool(link.states.held)
        """Whether a hold that nobody remembers shows itself; else it has to be journaled beforehand."""

    async def run(self) -> None:
        """Follow the host until cancelled."""
        await self._feed.run()

    def terms(self) -> dict[str, Any]:
        """What the park block must be written with."""
        return {"echo": bool(self._link.facts.console)}

    def top_mm(self, known_mm: float) -> float:
        """How high the head must travel over what stands on the bed, where the director knows of `known_mm`."""
        return known_mm

    def hold(self, shot: int) -> None:
        """Have the print wait."""
        self._say(shot, s.Phase.HOLDING, self._link.hold)

    def ask(self, shot: int) -> None:
        """Ask where the head is."""
        self._say(shot, s.Phase.ASKING, self._link.ask)

    def leave(self, shot: int, block: Block) -> None:
        """Have the head moved away."""
        self._say(shot, s.Phase.PARKING, self._link.run, block.leave)

    def back(self, shot: int, lines: tuple[str, ...]) -> None:
        """Have the head moved back by `lines`."""
        self._say(shot, s.Phase.RETURNING, self._link.run, lines)

    def resume(self, shot: int) -> None:
        """Let the print go on."""
        self._say(shot, s.Phase.RESUMING, self._link.resume)

    def over(self, shot: int) -> None:
        """The shot holds the print no more."""

    def _say(self, shot: int, phase: s.Phase, call: Call | None, lines: tuple[str, ...] = ()) -> None:
        self._do(self._call(shot, phase, call, lines))

    async def _call(self, shot: int, phase: s.Phase, call: Call | None, lines: tuple[str, ...]) -> None:
        link = self._link
        assert call is not None  # noqa: S101 - settings demand all four calls before a shot may hold
        # A block is answered when it was carried out; how long that may take is the director's to judge.
        within = self._within_s if lines and link.run_reply == "done" else None
        try:
            await self._feed.call(call, lines, within_s=within)
        except RetryError as error:
            self._tell(s.Failed(shot, phase, str(error), silent=isinstance(error, SilentError)))
            return
        if link.protocol == "json-rpc" and not (lines and link.run_reply == "taken"):
            self._tell(s.Done(shot, phase))
