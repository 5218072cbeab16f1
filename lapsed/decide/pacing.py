"""Where the frames that are still wanted belong in what is left of a print.

Nothing is laid down beforehand: at every chance for a shot the frames still wanted are spread anew over what is left,
from the last shot on. What was missed, passed unseen or came faster than expected is so made up for by itself.
"""

from bisect import bisect_right
from dataclasses import dataclass, field, replace
from math import inf, sqrt
from typing import Literal

from lapsed.model import Forecast

SAME_MM = 0.02
"""Heights that differ by no more are one; sliced files dip by so much and come back (measured on sliced files)."""

LEAST_GAP_S = 1.0
"""Shots by the clock follow each other no faster, whatever remains to be made up."""

SURE_S = 30.0
"""So much of a file's own time must have passed before the real pace is held against it."""

SURE_SHARE = 0.02
"""So much must be done before the share done and the time it took tell how long the whole takes."""


@dataclass(frozen=True, slots=True)
class Spot:
    """A moment of a print by every measure that is known of it.

    `time_s` is the time printed so far, pauses and holds left out; `layer` counts the layers begun before, through all
    objects.
    """

    time_s: float
    layer: int | None = None
    height_mm: float | None = None
    progress: float | None = None


@dataclass(frozen=True, slots=True)
class Pace:
    """How the print has come along: its first chance for a shot and its last one so far, and the last shot.

    `count` is how many chances there were, `end_s` when the print is expected to end, in time printed.
    """

    first: Spot | None = None
    last: Spot | None = None
    count: int = 0
    shot: Spot | None = None
    end_s: float | None = None

    def met(self, here: Spot) -> "Pace":
        """The pace with one more chance, `here`."""
        return replace(self, first=self.first or here, last=here, count=self.count + 1)


@dataclass(frozen=True, slots=True)
class Course:
    """What is known of the whole print: by its file, by the host."""

    forecast: Forecast | None = None
    layers: int | None = None
    expected_s: float | None = None
    spread: Literal["height", "time"] = "height"
    along: tuple[float, ...] = field(init=False, default=())

    def __post_init__(self) -> None:
        if self.forecast is not None:
            along = self.forecast.climbed_mm if self.spread == "height" else self.forecast.begins_s
            object.__setattr__(self, "along", along)

    @property
    def count(self) -> int | None:
        """How many layers there are: the file's own, as hosts often tell a count that a slicer wrote."""
        return len(self.along) or self.layers

    def index(self, spot: Spot) -> int | None:
        """Which layer `spot` is in, from 0; None if that can't be told."""
        count, forecast, layer = self.count, self.forecast, spot.layer
        if count is None:
            return None
        one = forecast is not None and forecast.objects == 1
        alike = self.layers in (None, count)
        if forecast is not None and one and spot.height_mm is not None and (layer is None or not alike):
            return max(0, bisect_right(forecast.heights_mm, spot.height_mm + SAME_MM) - 1)
        if layer is None:
            return None
        if one and not alike and self.layers is not None:
            # Without heights the host's own count at least tells which share of the layers this one is at.
            layer = round(layer * (count - 1) / max(1, self.layers - 1))
        return min(max(0, layer), count - 1)

    def chances(self, spot: Spot) -> int | None:
        """How many layers are left with the one at `spot`."""
        index, count = self.index(spot), self.count
        return None if index is None or count is None else count - index


@dataclass(frozen=True, slots=True)
class Way:
    """What is left of a print along one measure.

    `here` is this chance, `shot` the place of the last shot, `end` that of the last chance, `step` the way to the next
    one, `chances` how many there are with this one.
    """

    here: float
    shot: float | None
    end: float
    step: float
    chances: float


def due(left: int, way: Way) -> bool:
    """Whether this chance is the one for the next of `left` frames."""
    if left <= 0:
        return False
    if left >= way.chances:
        return True
    if way.shot is None:
        return left > 1  # one frame alone is that of the finished part
    return way.here + way.step / 2 >= way.shot + (way.end - way.shot) / left


def way_by_layers(course: Course, pace: Pace, here: Spot) -> Way | None:
    """The way in layers, or in what the file tells of them; None where their count or this one's number is unknown."""
    index, count = course.index(here), course.count
    if index is None or count is None:
        return None
    before = course.index(pace.shot) if pace.shot is not None else None
    along = course.along
    if not along:
        return Way(index, before, count - 1, 1, count - index)
    step = along[index + 1] - along[index] if index + 1 < count else 0.0
    return Way(along[index], None if before is None else along[before], along[-1], step, count - index)


def way_by_share(course: Course, pace: Pace, here: Spot) -> Way | None:
    """The way in time where the print's is known, else in the share done; the chances are guessed from the pace."""
    if course.expected_s is not None:
        end, by_share = end_s(course, pace, here), _end_by_share(pace, here)
        place: float | None = here.time_s
        first, last, shot = (_time(spot) for spot in (pace.first, pace.last, pace.shot))
    else:
        end, by_share, place = 1.0, None, here.progress
        first, last, shot = (_share(spot) for spot in (pace.first, pace.last, pace.shot))
    if end is None or place is None:
        return None
    # The greater of the last step and the usual one: a frame too early can be spared later, one too late is lost.
    steps = [place - last] if last is not None else []
    if first is not None and pace.count:
        steps.append((place - first) / pace.count)
    step = max(steps, default=0.0)
    soonest = end if by_share is None else min(end, by_share)
    chances = max(0.0, (soonest - place) / step) if step > 0 else inf
    if chances < inf:
        # Layers last unevenly, so of those still to come some are surely fewer than guessed (a spread of about 3/4).
        chances = max(1.0, chances - 0.75 * sqrt(chances))
    return Way(place, shot, end - step, step, chances)


def _time(spot: Spot | None) -> float | None:
    return spot.time_s if spot is not None else None


def _share(spot: Spot | None) -> float | None:
    return spot.progress if spot is not None else None


# -------------------------------------------------------------------------------------------------------- the clock


def end_s(course: Course, pace: Pace, here: Spot) -> float | None:
    """When the print will end, in time printed; None if nothing tells.

    Layers of a known file tell it best, by the real pace against the file's own; then the host's expectation as its
    share done corrects it; then the share done alone; then layers that are merely counted.
    """
    by_file = _end_by_file(course, pace, here)
    if by_file is not None:
        return by_file
    by_share = _end_by_share(pace, here)
    if course.expected_s is not None:
        left = course.expected_s * (1 - here.progress) if here.progress is not None else course.expected_s - here.time_s
        told = here.time_s + max(0.0, left)
        # What is off by more than this is a placeholder, or for another speed.
        return by_share if by_share is not None and not 1 / 2 <= by_share / max(told, 1e-9) <= 2 else told
    if by_share is not None:
        return by_share
    count, index = course.count, course.index(here)
    first = course.index(pace.first) if pace.first is not None else None
    if count is not None and index is not None and pace.first is not None and first is not None and index > first:
        return here.time_s + (count - index) * (here.time_s - pace.first.time_s) / (index - first)
    return course.forecast.laid_s if course.forecast is not None else None


def _end_by_share(pace: Pace, here: Spot) -> float | None:
    share, first = here.progress, pace.first
    if share is None or share < SURE_SHARE or here.time_s <= 0:
        return None
    if first is not None and first.progress is not None and share - first.progress >= SURE_SHARE:
        # From the first chance on, as it may have been heating before.
        return here.time_s + (here.time_s - first.time_s) * (1 - share) / (share - first.progress)
    return here.time_s / share


def _end_by_file(course: Course, pace: Pace, here: Spot) -> float | None:
    forecast, index = course.forecast, course.index(here)
    if forecast is None or index is None:
        return None
    ratio, began = 1.0, here
    if pace.first is not None and pace.last is not None:
        start = course.index(pace.first)
        foreseen = forecast.begins_s[index] - forecast.begins_s[start] if start is not None else 0.0
        if course.index(pace.last) == index:
            began = pace.last
        if foreseen >= SURE_S:
            ratio = min(max((began.time_s - pace.first.time_s) / foreseen, 0.1), 10.0)
    return began.time_s + (forecast.laid_s - forecast.begins_s[index]) * ratio


def spacing_s(left: int, shot_s: float, ends_s: float) -> float:
    """How far apart in time `left` more frames lie, the last of them as far from the print's end."""
    return max(LEAST_GAP_S, (ends_s - shot_s) / (left + 1))
