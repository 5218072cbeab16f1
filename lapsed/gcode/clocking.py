"""When each step begins, told as its time settles."""

import numpy as np

from lapsed.gcode.seeking import Seeker
from lapsed.gcode.span import Steps
from lapsed.gcode.timing import Limits, Timer
from lapsed.gcode.tokens import Floats


class Clock:
    """Adds up the durations of steps and of rests between them, and keeps the moments that were asked for.

    `pushed` counts the steps so far, `moments` gives s for the lines of `mark`, complete after `finish`. `seeker` is
    told when every step begins.
    """

    def __init__(self, seeker: Seeker | None = None) -> None:
        self.pushed = 0
        self.total_s = 0.0
        self.moments: dict[int, float] = {}
        self._timer = Timer()
        self._seeker = seeker
        self._settled = 0
        self._resting = True
        # What waits for its step to settle: the step, the line, and the seconds of rest there or None where the moment
        # was asked for. A rest counts for the moments of later lines alone.
        self._due: list[tuple[int, int, float | None]] = []

    def mark(self, line: int, step: int) -> None:
        """Ask for the moment at which a line begins, whose first step is one that is not pushed yet."""
        self._due.append((step, line, None))

    def push(self, steps: Steps, limits: Limits, base: int) -> None:
        """Add steps, whose lines are counted from `base`."""
        count = len(steps.line)
        rested = np.zeros(count + 1, bool)
        rested[0] = self._resting
        if steps.rests.size:
            where = np.searchsorted(steps.line, steps.rests)
            rested[where] = True
            for i in np.flatnonzero(steps.rest_s).tolist():
                self._due.append((int(where[i]) + self.pushed, int(steps.rests[i]) + base, float(steps.rest_s[i])))
        self._due.sort(key=lambda due: (due[0], due[1], due[2] is not None))
        self._resting = bool(rested[count])
        self.pushed += count
        self._settle(self._timer.push(steps, limits, rested[:count]))

    def finish(self) -> None:
        """Settle everything; the machine ends at rest."""
        self._settle(self._timer.finish())
        self._take(np.zeros(1), self.pushed)
        if self._seeker is not None:
            self._seeker.finish()

    def _settle(self, durations: Floats) -> None:
        if len(durations):
            reached = np.concatenate(([0.0], np.cumsum(durations)))
            last = self._settled + len(durations) - 1
            if self._seeker is not None:
                begins = reached[:-1] + self.total_s
                for step, _, seconds in self._due:
                    if seconds is not None and step <= last:
                        begins[step - self._settled :] += seconds
                self._seeker.settle(begins)
            self._take(reached, last)
            self.total_s += float(reached[-1])
            self._settled += len(durations)

    def _take(self, reached: Floats, last: int) -> None:
        """Let go of what was due up to the step `last`."""
        rests = 0.0
        done = 0
        for step, line, seconds in self._due:
            if step > last:
                break
            done += 1
            if seconds is None:
                self.moments[line] = self.total_s + rests + float(reached[step - self._settled])
            else:
                rests += seconds
        del self._due[:done]
        self.total_s += rests
