"""Notices that the computer's wall clock was set while a take is open; intervals are monotonic and don't mind."""

from lapsed import clock
from lapsed.model import Note
from lapsed.take.records import Kept, Noted, Record

STEP_S = 5.0
"""Between two looks a disciplined clock is slewed by less: at most 500 parts in a million (adjtimex(2)), 1.8 s/h."""


class Wall:
    """Looks at both clocks, for a take that began at `began_s` on the monotonic one."""

    def __init__(self, began_s: float) -> None:
        self._began_s = began_s
        self._ahead_s = _ahead_s()

    def look(self) -> tuple[Record, ...]:
        """What the journal is to hold if the clock was set since the last look: how far, and the true beginning."""
        ahead_s = _ahead_s()
        by_s = ahead_s - self._ahead_s
        self._ahead_s = ahead_s
        if abs(by_s) < STEP_S:
            return ()
        way = "forward" if by_s > 0 else "back"
        text = f"the computer's clock was set {way} by {abs(by_s):.0f} s; times of day before this are off by as much"
        began = clock.stamp_at(self._began_s).utc
        return (Noted(Note("clock", text, {"by_s": by_s}), clock.stamp()), Kept({"created_utc": began}))


def _ahead_s() -> float:
    return clock.utc_now().timestamp() - clock.monotonic()
