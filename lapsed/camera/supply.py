"""When a camera's power is to be switched off and on: pure decisions."""

import math
from dataclasses import dataclass, replace
from typing import Self

from lapsed.settings import Power


@dataclass(frozen=True, slots=True)
class Supply:
    """What speaks for switching the power, and against it.

    `ready` is true once the worker of now has opened its camera; `unopened` counts workers in a row that never did, and
    `hung` those that ended in a shot, with no frame since. `filming` and `shooting` say what the print is at;
    `switched` is how often the power was switched in it, at last at `switched_s` (monotonic).
    """

    ready: bool = False
    unopened: int = 0
    hung: int = 0
    filming: bool = False
    shooting: bool = False
    switched: int = 0
    switched_s: float = -math.inf

    def why(self, power: Power | None, now: float, *, away: bool) -> str:
        """Why it is to be switched now; empty if it is not. `away` is true while there is no worker."""
        if power is None or not self.filming or self.shooting:
            return ""
        if self.switched >= power.most or now < self.switched_s + power.every_s:
            return ""
        if self.hung >= power.after_failures:
            return f"{self.hung} workers ended in a shot, one after another"
        if away and self.unopened >= power.after_failures:
            return f"it could not be opened {self.unopened} times, one after another"
        return ""

    def at(self, *, filming: bool, shooting: bool) -> Self:
        """The print is at this; tries are counted anew in each."""
        switched = self.switched if self.filming and filming else 0
        return replace(self, filming=filming, shooting=shooting, switched=switched)

    def started(self) -> Self:
        """A worker was started."""
        return replace(self, ready=False)

    def opened(self) -> Self:
        """The worker has opened its camera, or still has it open."""
        return replace(self, ready=True, unopened=0)

    def ended(self) -> Self:
        """The worker is gone."""
        return self if self.ready else replace(self, unopened=self.unopened + 1)

    def lost(self) -> Self:
        """A worker was lost in a shot."""
        return replace(self, hung=self.hung + 1)

    def landed(self) -> Self:
        """A shot came to its good end."""
        return replace(self, hung=0)

    def try_now(self, now: float) -> Self:
        """The power is switched now."""
        return replace(self, unopened=0, hung=0, switched=self.switched + 1, switched_s=now)
