"""The only reader of the machine's clock.

Intervals are measured on the monotonic clock, which no one steps; the record is kept in UTC. On Linux the monotonic
clock is common to all processes of one boot, so the daemon and its camera workers may compare their readings.
"""

import time
from dataclasses import dataclass
from datetime import UTC, datetime


@dataclass(frozen=True, slots=True)
class Stamp:
    """One instant on both clocks: `mono_s` in seconds since boot, `utc` as an ISO 8601 string ending in Z."""

    mono_s: float
    utc: str


def monotonic() -> float:
    """Seconds on the machine's monotonic clock."""
    return time.monotonic()


def utc_now() -> datetime:
    """The wall clock, aware, in UTC."""
    return datetime.now(UTC)


def utc_text(moment: datetime) -> str:
    """`moment` as ISO 8601 in UTC to the microsecond, such as 2026-05-04T09:30:00.000000Z."""
    return moment.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")


def stamp() -> Stamp:
    """Both clocks now."""
    return Stamp(monotonic(), utc_text(utc_now()))


def stamp_at(mono_s: float) -> Stamp:
    """The instant `mono_s` of this boot, its UTC reckoned back from now."""
    now = monotonic()
    return Stamp(mono_s, utc_text(datetime.fromtimestamp(utc_now().timestamp() - (now - mono_s), UTC)))
