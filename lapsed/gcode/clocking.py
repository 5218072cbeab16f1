"""When each step begins, told as its time settles."""

import numpy as np

from lapsed.gcode.span import Steps
from lapsed.gcode.timing import Limits, Timer
from lapsed.gcode.tokens import Floats


class Clock:
    """Adds up the durations of steps and of rests between them, and keeps the moments that were asked for.

    `pushed` counts the steps so far, `moments` are in s in the order of `mark`, complete after `finish`.
    """

    def __init__(self) -> None:
        self.pushed = 0
        self.total_s = 0.0
        self.moments: list[float] = []
        self._timer = Timer()
        self._settled = 0
        self._resting = True
        # What waits for its step to settle: the step, and the seconds of rest before it or None for a moment asked for.
        self._due: list[tuple[int, float | None]] = []

    def mark(self, step: int) -> None:
        """Ask for the moment at which a step begins, no earlier one than any asked for and not pushed yet."""
        self._due.append((step, None))

    def push(self, steps: Steps, limits: Limits) -> None:
        """Add steps."""
        count = len(steps.line)
        rested = np.zeros(count + 1, bool)
        rested[0] = self._resting
        if steps.rests.size:
            where = np.searchsorted(steps.line, steps.rests)
            rested[where] = True
            long = np.flatnonzero(steps.rest_s)
            self._due += zip((where[long] + self.pushed).tolist(), steps.rest_s[long].tolist(), strict=True)
            # A rest comes before the moment at which the step after it begins.
            self._due.sort(key=lambda due: (due[0], due[1] is None))
        self._resting = bool(rested[count])
        self.pushed += count
        self._settle(self._timer.push(steps, limits, rested[:count]))

    def finish(self) -> None:
        """Settle everything; the machine ends at rest."""
        self._settle(self._timer.finish())
        self._take(np.zeros(1), self.pushed)

    def _settle(self, durations: Floats) -> None:
        if len(durations):
            reached = np.concatenate(([0.0], np.cumsum(durations)))
            self._take(reached, self._settled + len(durations) - 1)
            self.total_s += float(reached[-1])
            self._settled += len(durations)

    def _take(self, reached: Floats, last: int) -> None:
        """Let go of what was due up to the step `last`."""
        rests = 0.0
        done = 0
        for step, seconds in self._due:
            if step > last:
                break
            done += 1
            if seconds is None:
                self.moments.append(self.total_s + rests + float(reached[step - self._settled]))
            else:
                rests += seconds
        del self._due[:done]
        self.total_s += rests
