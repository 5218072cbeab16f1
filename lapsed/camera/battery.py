"""How long a camera's battery lasts, learnt from what it has lost so far; pure.

Many cameras tell every percent, others 100, 75, 50 and 25 only. A reading that has just fallen is known best: what lies
between two falls was lost between them, however coarse the steps are.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

from lapsed.camera.inspection import floor, span
from lapsed.model import Verdict

WATCH_S = 1800.0
"""What less than half an hour has shown is no rule for a day."""

BRIEF_S = 600.0
"""A rise that is gone within this is noise: a battery recovers for a moment, or wavers between two steps."""

CHARGED_PERCENT = 5
"""A rise of so much that lasts comes from a charger, or another battery."""

COARSE_PERCENT = 25
"""The step of a camera that has shown none but a multiple of five yet."""

RESERVE_PERCENT = 5
"""Cameras switch themselves off before the end."""

MARGIN = 1.25
"""Cold, age and live view make a battery lose more than it did the last time."""


@dataclass(frozen=True, slots=True)
class Reading:
    """What was left, %, at `at_s` on any one clock, after so many shots."""

    at_s: float
    shots: int
    percent: int


@dataclass(frozen=True, slots=True)
class Loss:
    """What a battery loses in an hour and for a shot, %; at most that, where `sure` is false and falls were too few.

    `step` is by how much its readings fall, %.
    """

    hour: float
    shot: float | None
    step: int
    sure: bool = True


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is still to be done: hours, shots; None where nobody knows."""

    hours: float | None = None
    shots: int | None = None


@dataclass(frozen=True, slots=True)
class Outlook:
    """Whether it lasts, in a clause."""

    verdict: Verdict
    text: str


def loss(readings: Iterable[Reading], now_s: float, shots: int) -> Loss | None:
    """What the battery loses, from its `readings` until `now_s` and `shots`; None while too little is known."""
    known = list(readings)
    falls = _falls(known)
    if not falls or now_s - falls[0].at_s < WATCH_S:
        return None
    step = _step([reading.percent for reading in known])
    hour = _rate([(reading.at_s / 3600, reading.percent) for reading in falls], now_s / 3600, step)
    if hour is None:
        return None
    shot = _rate([(reading.shots, reading.percent) for reading in falls], shots, step)
    return Loss(hour, shot, step, sure=len(falls) > 2)


def outlook(percent: int, lost: Loss | None, wanted: Wanted) -> Outlook:
    """Whether a battery that tells `percent` lasts for what is `wanted`; by the hour where that is known.

    Where nobody can tell, it is a plain floor that the percent are held to.
    """
    if lost is None:
        return Outlook(floor(percent), "")
    by_shots = wanted.hours is None and wanted.shots is not None and lost.shot is not None
    loses = (lost.shot or 0.0) if by_shots else lost.hour
    needs = float(wanted.shots or 0) if by_shots else wanted.hours
    told = f"{_figure(100 * loses)} % each 100 shots" if by_shots else f"{_figure(loses)} % an hour"
    rate = f"lost {told}" if lost.sure else f"lost at most {told}"
    # A camera that tells steps may be at either end of the one that it tells.
    at_best = max(0, percent - RESERVE_PERCENT) / loses
    at_least = max(0, percent - (lost.step - 1) - RESERVE_PERCENT) / loses
    if needs is None:
        return Outlook(floor(percent), f"{rate}: lasts some {span(3600 * at_least)}" if lost.sure else rate)
    all_of_it = f"the {wanted.shots} shots that are wanted" if by_shots else f"{span(3600 * needs)} still to print"
    if at_least >= MARGIN * needs:
        return Outlook(Verdict.PASS, f"{rate}: enough for {all_of_it}")
    if not lost.sure:
        return Outlook(floor(percent), rate)
    if at_best >= needs:
        return Outlook(Verdict.WARN, f"{rate}: may not be enough for {all_of_it}")
    part = f"{int(at_best)} of" if by_shots else f"{span(3600 * at_best)} of the"
    return Outlook(Verdict.FAIL, f"{rate}: enough for only {part} {all_of_it}")


def _figure(value: float) -> str:
    return f"{value:.2g}" if value < 10 else f"{value:.0f}"


def _falls(readings: list[Reading]) -> list[Reading]:
    """The first reading since it was last charged, and each that is lower than all before."""
    falls: list[Reading] = []
    for at, reading in enumerate(readings):
        low = falls[-1].percent if falls else None
        if low is None or reading.percent < low:
            falls.append(reading)
        elif reading.percent >= low + CHARGED_PERCENT:
            back = next((later for later in readings[at:] if later.percent <= low), None)
            if back is None or back.at_s - reading.at_s > BRIEF_S:
                falls = [reading]
    return falls


def _step(percents: list[int]) -> int:
    steps = sorted(set(percents))
    least = min((high - low for low, high in pairwise(steps)), default=COARSE_PERCENT)
    return 1 if any(percent % 5 for percent in percents) else least


def _rate(falls: list[tuple[float, int]], end: float, step: int) -> float | None:
    """Percent for one of what the first figures of `falls` count; None where nothing was counted."""
    # How far the first reading was from its fall nobody knows, so two later falls tell more.
    (begun, high), (fell, low) = falls[1 if len(falls) > 2 else 0], falls[-1]
    if end <= begun:
        return None
    at_most = (high - low + step) / (end - begun)
    return min(at_most, (high - low) / (fell - begun)) if fell > begun else at_most
