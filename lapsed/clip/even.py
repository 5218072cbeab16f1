"""Evening out: gains in linear light that take the flicker out of a sequence and leave its real change; pure.

Each tile of the frames has its own course of light, in logarithms, so that a gain is a sum. The trend of each is a
robust local regression by parabolas (Cleveland, "Robust Locally Weighted Regression and Smoothing Scatterplots", 1979),
begun anew where a lamp was switched. What a frame departs from it by, in the median of its tiles, is flicker: the
median keeps the growing part, whose tiles change one after another, from being taken for it.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from lapsed.clip.measure import Light
from lapsed.clip.tone import NEUTRAL, Gain

Floats = NDArray[np.float64]

_ROUNDS: Final = 4
_FLOOR: Final = 1e-4  # light that a tile is taken to have at least: sensor noise
_CHUNK: Final = 256  # frames at once, which bounds the memory
_LEAST: Final = 3  # frames that can have a trend
_LUMA: Final = np.array([0.2126, 0.7152, 0.0722])  # BT.709-6, item 3.2
_FAINT: Final = 0.002  # flicker that no eye sees makes no frame an outlier
_AGREE: Final = 5  # frames on either side that tell a switched lamp from a flicker
_SWITCH: Final = 0.1  # of the light, the least that counts as one
_STANDS_OUT: Final = 4.0  # times the usual step from frame to frame
_REPORTED: Final = 1e-4  # a gain as near to 1 is none


@dataclass(frozen=True, slots=True)
class Evened:
    """One frame's gain, with the light before and the trend it is brought to, in EV below full white.

    `limited` says that the gain would have been greater or less but for a limit.
    """

    gain: Gain = NEUTRAL
    light_ev: float | None = None
    trend_ev: float | None = None
    limited: bool = False


@dataclass(frozen=True, slots=True)
class Course:
    """How evening is to be done: over `span` frames, by at most `limit_ev`, each channel by itself if `colour`."""

    span: int = 49
    limit_ev: float = 0.5
    colour: bool = False


def even(lights: Sequence[Light | None], course: Course) -> tuple[Evened, ...]:
    """What evens the frames out, in order; a frame without light stays as it is and counts for nothing.

    No gain lifts a colour above white: for what is bright as a whole see `lapsed.clip.tone`.
    """
    at = [index for index, light in enumerate(lights) if light is not None]
    known = [light for light in lights if light is not None]
    if len(at) < _LEAST:
        return tuple(Evened() for _ in lights)
    views = np.eye(3) if course.colour else [_LUMA]
    departs = np.stack([flicker(np.array(at), _channel(known, view), course.span) for view in views], 1)
    evened = [Evened() for _ in lights]
    for index, light, off in zip(at, known, departs, strict=True):
        evened[index] = _evened(light, off, course)
    return tuple(evened)


def _channel(lights: Sequence[Light], view: Floats) -> Floats:
    """The tiles' light in one channel, (frames, tiles), which `view` makes of red, green and blue."""
    tiles = np.empty((len(lights), len(lights[0].tiles) // 3))
    for part in _chunks(len(lights)):
        colours = np.array([light.tiles for light in lights[part]], np.float64)
        tiles[part] = colours.reshape(len(colours), -1, 3) @ view
    return tiles


def _evened(light: Light, off: Floats, course: Course) -> Evened:
    wanted = np.exp(-off)
    most = 2**course.limit_ev
    gain = np.clip(wanted, 1 / most, most)
    # A coloured highlight has one channel near white that luma's curve doesn't see.
    room = max(1.0, 1 / light.peak) if light.peak > 0 else most
    gain = np.minimum(gain, room)
    limited = bool(np.any(np.abs(gain - wanted) > _REPORTED))
    factors = gain if course.colour else np.repeat(gain, 3)
    red, green, blue = (1.0 if abs(factor - 1) < _REPORTED else round(float(factor), 5) for factor in factors)
    level = math.log2(max(light.mean, _FLOOR))
    return Evened((red, green, blue), round(level, 4), round(level - float(off.mean()) / math.log(2), 4), limited)


def flicker(at: NDArray[np.int_], tiles: Floats, span: int) -> Floats:
    """By how much each frame departs from the trend of its tiles, (frames, tiles), as a natural logarithm.

    `at` are the frames' places in the sequence.
    """
    voice = _voices(tiles)
    course = tiles + _FLOOR
    np.log(course, out=course)
    off = np.zeros(len(course))
    ends = [0, *_switches(course, voice), len(course)]
    for first, last in pairwise(ends):
        off[first:last] = _departure(at[first:last], course[first:last], voice, span)
    return off


def _departure(at: NDArray[np.int_], course: Floats, voice: Floats, span: int) -> Floats:
    off = np.zeros(len(course))
    say = np.ones(len(course))
    for _ in range(_ROUNDS):
        for part in _chunks(len(course)):
            off[part] = _median(course[part] - _smooth(at, course, say, span, part), voice)
        spread = 6 * max(float(np.median(np.abs(off))), _FAINT)
        say = np.clip(1 - (off / spread) ** 2, 1e-6, None) ** 2
    return off


def _switches(course: Floats, voice: Floats) -> list[int]:
    """The frames from which on the light is another for good: a lamp was switched, which is no flicker.

    Several frames before and after have to agree on it, and the step has to stand out of the flicker between them.
    """
    if len(course) < 2 * _AGREE:
        return []
    steps = np.empty(len(course) - 1)
    for part in _chunks(len(steps)):
        steps[part] = _median(np.diff(course[part.start : part.stop + 1], axis=0), voice)
    jumps = np.empty(len(course) - 2 * _AGREE + 1)  # at frame k + _AGREE
    for part in _chunks(len(jumps)):
        rows = course[part.start : part.stop + 2 * _AGREE - 1]
        windows = np.median(np.lib.stride_tricks.sliding_window_view(rows, _AGREE, axis=0), axis=2)
        jumps[part] = _median(windows[_AGREE:] - windows[:-_AGREE], voice)
    usual = 1.4826 * float(np.median(np.abs(steps)))
    found: list[int] = []
    tall = np.flatnonzero(np.abs(jumps) >= max(_SWITCH, _STANDS_OUT * usual))
    for k in tall[np.argsort(-np.abs(jumps[tall]))]:
        frame = int(k) + _AGREE
        sudden = steps[frame - 1] * np.sign(jumps[k]) > abs(jumps[k]) / 2
        if sudden and all(abs(frame - other) >= _AGREE for other in found):
            found.append(frame)
    return sorted(found)


def _chunks(length: int) -> Iterator[slice]:
    return (slice(first, min(first + _CHUNK, length)) for first in range(0, length, _CHUNK))


def _smooth(at: NDArray[np.int_], values: Floats, say: Floats, span: int, part: slice) -> Floats:
    """Local parabolas through columns of `values`, by tricube weights over `span` frames times each frame's `say`.

    Straight lines would flatten a wave of the light; at the ends the parabola goes on over the frames that there are.
    """
    half = max(2, min(span, 2 * len(at)) // 2)
    index = np.arange(part.start, part.stop)[:, None] + np.arange(-half, half + 1)
    there = (index >= 0) & (index < len(at))
    index = np.clip(index, 0, len(at) - 1)
    away = (at[index] - at[index[:, half]][:, None]) / (half + 1)
    weight = np.clip(1 - np.abs(away) ** 3, 0, None) ** 3 * say[index] * there
    return np.asarray((_parabola(away, weight)[:, None] @ values[index])[:, 0])


def _parabola(away: Floats, weight: Floats) -> Floats:
    """What each value counts for in the weighted parabola's height at 0, row by row (normal equations)."""
    powers = np.stack([np.ones_like(away), away, away * away], axis=1)
    normal = np.einsum("iaj,ij,ibj->iab", powers, weight, powers)
    # Too few frames for a parabola get a flatter curve: the higher powers cost a little.
    normal += np.diag([0, 1e-6, 1e-6]) * normal[:, :1, :1]
    height = np.linalg.solve(normal, np.broadcast_to(np.array([[1.0], [0], [0]]), (len(away), 3, 1)))
    return np.asarray(np.einsum("ia,iaj->ij", height[..., 0], powers) * weight)


def _voices(tiles: Floats) -> Floats:
    """How much each tile has to say: little where it is nearly black, where noise and flare rule, or clipped."""
    level = np.array([np.median(tile) for tile in tiles.T])  # one by one: it takes a copy
    voice = np.minimum(level / 0.01, 1) * np.where(level < 0.9, 1, 0.05)
    return np.asarray(np.maximum(voice, 1e-3))


def _median(values: Floats, voice: Floats) -> Floats:
    """The weighted median of each row."""
    order = np.argsort(values, axis=1)
    summed = np.cumsum(voice[order], axis=1)
    middle = np.argmax(summed >= summed[:, -1:] / 2, axis=1)
    return np.asarray(np.take_along_axis(values, order, axis=1)[np.arange(len(values)), middle])
