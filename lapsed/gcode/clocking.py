"""When each step begins, told as its time settles."""

import numpy as np

from lapsed.gcode.arrays import Floats, Ints
from lapsed.gcode.seeking import Seeker
from lapsed.gcode.span import Steps
from lapsed.gcode.timing import Limits, Timer


class Clock:
    """Adds up the durations of steps and of rests between them, and keeps the moments that were asked for.

    `pushed` counts the steps so far, `moments` gives s for the lines of `mark`, `asked_s` has s for the steps of `ask`;
    both are complete after `finish`. `seeker` is told when every step begins.
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
        self._asked: list[Ints] = []
        self._answered: list[Floats] = []

    @property
    def asked_s(self) -> Floats:
        """The moments of all steps asked for, in order."""
        return np.concatenate(self._answered) if self._answered else np.zeros(0)

    def ask(self, steps: Ints) -> None:
        """Ask for the moments at which some steps that lay filament begin, none of them pushed yet."""
        if steps.size:
            self._asked.append(steps)

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
        if not len(durations):
            return
        reached = np.concatenate(([0.0], np.cumsum(durations)))
        last = self._settled + len(durations) - 1
        if self._seeker is not None or self._asked:
            begins = reached[:-1] + self.total_s
            for step, _, seconds in self._due:
                if seconds is not None and step <= last:
                    begins[step - self._settled :] += seconds
            self._answer(begins)
        self._take(reached, last)
        self.total_s += float(reached[-1])
        self._settled += len(durations)

    def _answer(self, begins: Floats) -> None:
        """Tell when steps begin, the first of them the first unsettled."""
        if self._seeker is not None:
            self._seeker.settle(begins)
        end = self._settled + len(begins)
        while self._asked and self._asked[0][0] < end:
            steps = self._asked.pop(0)
            count = int(np.searchsorted(steps, end))
            self._answered.append(begins[steps[:count] - self._settled])
            if count < len(steps):
                self._asked.insert(0, steps[count:])

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
