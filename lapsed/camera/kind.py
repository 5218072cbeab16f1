"""What a kind of camera must be able to do; it runs inside the camera's worker process and nowhere else.

For each session the worker calls `ensure_ready` once, then for each order `release`, `fetch`, `clear` in this order,
`idle` every few seconds between orders, `inspect` between them when a person asks, and `ensure_stopped` last. All
calls come from one thread and may block: the daemon holds the deadlines, and past one it ends the whole worker
(SIGKILL) and starts another, so a kind needs no time-outs against its own library. Any exception that is not a
LapsedError is a crash of the worker.
"""

import importlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Protocol, cast

from lapsed.camera.landing import Landing
from lapsed.errors import UserError
from lapsed.model import Check


@dataclass(frozen=True, slots=True)
class Condition:
    """How a camera is, in a sentence; what is left in its battery, %, and on its card, MB, where it tells."""

    text: str
    charge_percent: int | None = None
    card_mb: float | None = None


class Kind(Protocol):
    """One camera, held by one process."""

    def ensure_ready(self) -> str | Condition:
        """Find the camera, open it and set it up; calling it again does no more than opening it once.

        Returns what was found, a sentence where there is no more to tell. Raises RetryError (away, asleep, held by
        another program) or UserError (must be set differently); either way the worker ends, and a fresh one tries again
        later.
        """

    def release(self, by_s: float, released: Callable[[float], None]) -> None:
        """Take one picture; return as soon as the shutter has closed, and not before.

        Must call `released` exactly once, with the monotonic reading (s) of the instant the order to expose left.
        A picture that was waiting in the camera must not be taken for this one. At `by_s` (monotonic) the worker is
        killed; a kind that can give up a little earlier keeps its session by raising ShotMissedError. Raises
        RetryError when the camera is lost: before `released` the order is tried again on a fresh worker.
        """

    def fetch(self, landing: Landing) -> None:
        """Hand the picture files of the last release to `landing`, one for each suffix.

        A kind that can't reach the pictures calls `landing.stay_on_card` instead, and they land when they are ingested.
        Raises ShotMissedError when there is no picture, RetryError when the camera is lost.
        """

    def clear(self) -> None:
        """The files of the last release are safe on disk: remove the camera's own copies where that is wanted."""

    def idle(self) -> str | Condition:
        """Keep the camera awake and the session alive; a short call, since an order waits while it runs.

        Returns what `ensure_ready` would now. Raises RetryError when the camera is lost.
        """

    def inspect(self) -> tuple[Check, ...]:
        """Look the open camera over before a print and say how each of its settings and supplies is.

        Tells only what the camera itself can tell; nothing is changed and no picture taken. What it can't tell is left
        out, or is a warning where a person has to look. Raises RetryError when the camera is lost.
        """

    def ensure_stopped(self) -> None:
        """Close the camera so that others can use it; no call follows. Does nothing when it is not open."""


Opener = Callable[[Mapping[str, object]], Kind]
"""Makes the camera of a kind from its part of the configuration as plain values; touches no hardware yet."""

GPHOTO = "lapsed.camera.gphoto:open_camera"
"""Where the kind `gphoto` is found."""


def load(path: str) -> Opener:
    """The opener named `package.module:function`. Raises UserError when there is none."""
    module, _, name = path.partition(":")
    try:
        return cast("Opener", getattr(importlib.import_module(module), name))
    except (ImportError, AttributeError, ValueError) as error:
        raise UserError(f"the camera kind {path} cannot be loaded ({error}); is lapsed installed whole?") from error
