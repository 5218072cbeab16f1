"""One hold of the print in the making, and how long each station of it may take."""

import re
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import Enum
from itertools import takewhile

from lapsed.gcode.dialect import Dialect


@dataclass(frozen=True, slots=True)
class Ways:
    """How the bridge goes about it; times in seconds.

    `answer_within_s` is how long a layer's first line waits for the daemon's answer, `part_within_s` how long the
    beginning of a line waits for its end, `drain_within_s` how long the printer may take to answer all that went
    before. For `rest_s` after a request for lines again nothing is parked, until answers can be counted on again.
    `check_position` asks the printer where it is before a park and after it. `card_poll_s` asks it for the
    height of a print from its own card. A print in which no move comes for `over_after_s` is over.
    `harmless` are further commands that don't move the head.
    """

    dialect: Dialect = field(default_factory=Dialect)
    harmless: frozenset[str] = frozenset()
    answer_within_s: float = 0.05
    part_within_s: float = 0.02
    drain_within_s: float = 5.0
    rest_s: float = 2.0
    check_position: bool = True
    card_poll_s: float | None = None
    over_after_s: float = 12 * 3600.0
    session: str = ""


BUSY_EVERY_S = 2.0
"""How often the host is told to be patient (RepRap wiki, "Replies": busy)."""

RESERVE_S = 0.25
"""Kept back from the limit for the way of the last answers."""

SILENT_S = 5.0
"""A printer that has said nothing for so long, not even that it is busy, has lost a line, or its answer was lost."""

MOST_TRIES = 3
"""How often the way back is begun, and how often silence is borne on it, before the print goes on all the same."""

MOST_HELD_BYTES = 64 * 1024
"""What a host may send into a hold; one that waits for answers sends far less."""

LONGEST_LINE = 1024
"""A longer line is none that a printer reads: it passes as it comes."""

SAME_PLACE_MM = 0.05


_STATES = re.compile(rb"G9[01]|M8[23]|G1 F\S+")


class Phase(Enum):
    """The stations of a hold, in their order; the head is away from LEAVING to VERIFYING."""

    DRAINING = "draining"
    FINISHING = "finishing"
    CHECKING = "checking"
    HELD = "held"
    LEAVING = "leaving"
    AWAY = "away"
    BACK = "back"
    VERIFYING = "verifying"


OUT = frozenset({Phase.LEAVING, Phase.AWAY, Phase.BACK, Phase.VERIFYING})
RETURNING = frozenset({Phase.BACK, Phase.VERIFYING})


@dataclass(frozen=True, slots=True)
class Asked:
    """A layer's first line waits for the daemon's answer that names `token`, no longer than `until`."""

    token: int
    until: float


@dataclass(slots=True)
class Holding:
    """The hold under way for `shot`. `until` ends the patience with its station.

    The print must go on `limit_s` after the machine has come to rest: what it still has in its buffer until then is the
    print's own. `limit_at` is that instant, and before the rest the one at which waiting for it ends. On the way back
    `under_way` is the line sent last, and `doubt` counts answers that were given up and may still come.
    """

    shot: int
    limit_s: float
    limit_at: float
    until: float
    phase: Phase = Phase.DRAINING
    leave: deque[bytes] = field(default_factory=deque)
    come_back: tuple[bytes, ...] = ()
    back: deque[bytes] = field(default_factory=deque)
    under_way: bytes = b""
    tries: int = 0
    silences: int = 0
    doubt: int = 0
    place: tuple[float, float, float] | None = None
    reason: str = ""

    def orders(self, leave: Iterable[str], back: Iterable[str], come_back_s: float) -> None:
        """Take the park block, and be back in time."""
        self.leave = deque(line.encode("ascii") for line in leave)
        self.come_back = tuple(line.encode("ascii") for line in back)
        self.phase = Phase.LEAVING
        self.until = self.limit_at - come_back_s - RESERVE_S

    def stated(self) -> tuple[bytes, ...]:
        """The end of the way back that moves nothing: feed rate and modes; all of it where it ends otherwise."""
        lines = tuple(takewhile(_STATES.fullmatch, reversed(self.come_back)))
        return lines[::-1] or self.come_back
