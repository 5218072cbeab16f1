"""How long a camera's battery lasts, learnt from what it has lost so far; pure.

Many cameras tell every percent, others 100, 75, 50 and 25 only. A reading that has just fallen is known best: what lies
between two falls was lost between them, however coarse the steps are.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

from lapsed.camera.inspection import span
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
    """What a battery loses in an hour and for a shot, %; at most that, where `seen` is false and no fall was seen.

    `step` is by how much its readings fall, %.
    """

    hour: float
    shot: float | None
    step: int
    seen: bool = True


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
    return Loss(hour, shot, step, seen=len(falls) > 1)


def outlook(percent: int, lost: Loss, wanted: Wanted) -> Outlook:
    """Whether a battery that tells `percent` lasts for what is `wanted`; by the hour where that is known."""
    # Of a coarse reading no more is sure than that the next step has not come.
    left = max(0.0, percent - (lost.step - 1) - RESERVE_PERCENT)
    at_most = "" if lost.seen else "less than "
    if wanted.hours is None and wanted.shots is not None and lost.shot is not None:
        rate = f"lost {at_most}{_figure(100 * lost.shot)} % each 100 shots"
        lasts, needs = left / lost.shot, float(wanted.shots)
        for_all = f"the {wanted.shots} shots that are wanted"
        of_it = f"{int(lasts)} of {for_all}"
    else:
        rate = f"lost {at_most}{_figure(lost.hour)} % an hour"
        lasts = left / lost.hour
        if wanted.hours is None:
            return Outlook(_plain(percent), f"{rate}: lasts some {span(3600 * lasts)}")
        needs, still = wanted.hours, span(3600 * wanted.hours)
        for_all, of_it = f"{still} still to print", f"{span(3600 * lasts)} of the {still} still to print"
    if lasts < needs:
        return Outlook(Verdict.FAIL, f"{rate}: enough for only {of_it}")
    if lasts < MARGIN * needs:
        return Outlook(Verdict.WARN, f"{rate}: just enough for {for_all}")
    return Outlook(Verdict.PASS, f"{rate}: enough for {for_all}")


def _figure(value: float) -> str:
    return f"{value:.2g}" if value < 10 else f"{value:.0f}"


def _plain(percent: int) -> Verdict:
    return Verdict.FAIL if percent < 20 else Verdict.WARN if percent < 60 else Verdict.PASS


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
