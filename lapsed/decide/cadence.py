"""The rule that says where in a print frames are wanted."""

import math
from fractions import Fraction
from functools import lru_cache

from lapsed.decide import pacing
from lapsed.decide.pacing import Course, Spot
from lapsed.decide.state import State, Take, Track
from lapsed.settings import Cadence

MOST_IN_BURST = 500
"""Layers told at once beyond this are one jump of the host's counter, not as many cues."""

LAYERLESS_SHARE = 0.05
"""A print of which no layer was told until so much is done is filmed by time or share, where a length is wished."""

# ------------------------------------------------------------------------------------------- every so many layers, mm


def layers_due(cadence: Cadence, track: Track, layer: int) -> list[int]:
    """The layers up to `layer`, later than those already seen, that every_layers wants a frame of.

    More than one means that the host told several layers at once; only the last of them can still be shot.
    """
    every = cadence.every_layers
    if every is None:
        return []
    seen = track.layer
    first = track.first_layer if track.first_layer is not None else layer
    since = layer - 1 if seen is None or not 0 < layer - seen <= MOST_IN_BURST else seen
    return [number for number in range(since + 1, layer + 1) if (number - first) % every == 0]


def filmed(state: State) -> Take:
    """The take, for callers that know that a print is filmed."""
    assert state.take is not None  # noqa: S101 - anything else is a mistake of ours
    return state.take


def next_mark(every_mm: float, height_mm: float) -> float:
    """The next mark above `height_mm`, in mm; marks are multiples of every_mm, so that a second take has the same."""
    step = Fraction(str(every_mm))
    return float((Fraction(str(round(height_mm, 6))) // step + 1) * step)


# ---------------------------------------------------------------------------------------------------- a wished length


def frames(cadence: Cadence) -> int:
    """How many frames the wished clip length needs at its rate, the part frame at the end counted whole."""
    assert cadence.length_s is not None  # noqa: S101 - the caller has looked
    return _frames(cadence.length_s, cadence.rate)


@lru_cache(maxsize=16)  # asked for at every event
def _frames(length_s: float, rate: Fraction) -> int:
    return max(1, math.ceil(Fraction(str(length_s)) * rate))


def frames_left(state: State) -> int:
    """How many of them are still wanted: shots under way count as taken until they are missed."""
    take = filmed(state)
    return frames(state.rules.cadence) - take.cues + len(take.missed)


def frames_to_come(state: State) -> int | None:
    """How many more frames of a wished length there will be; None while nothing tells how many layers are left."""
    whole, last = course(state), state.track.pace.last
    ahead = whole.count if last is None else whole.chances(last)
    ahead = ahead - 1 if ahead is not None and last is not None else ahead
    left = max(0, frames_left(state))
    if ahead is not None and not _clocked(state, ahead):
        return min(left, ahead)
    return None if spread_by(state) in (None, "nothing") else left


def print_time(state: State, now: float) -> float:
    """Seconds the print has been running, pauses and our own holds left out."""
    take, shot = filmed(state), state.shot
    paused = take.paused_s + (now - take.paused_at if take.paused_at is not None else 0.0)
    held = take.held_s + (now - shot.cue.decided_s if shot is not None and shot.holds else 0.0)
    return max(0.0, now - take.since_s - paused - held)


def spot(state: State, now: float, height_mm: float | None = None) -> Spot:
    """Where the print is at `now`; `height_mm` where a height belongs to this very moment."""
    track = state.track
    layer = None
    if track.layer is not None and track.first_layer is not None:
        layer = track.passed + track.layer - track.first_layer
    return Spot(print_time(state, now), layer, height_mm, track.progress)


def course(state: State) -> Course:
    """What is known of the whole print."""
    take = filmed(state)
    told = take.print
    return Course(take.forecast, told.layers, told.expected_s, state.rules.cadence.spread)


def length_due(state: State, here: Spot) -> bool:
    """Whether the layer or the share just told is one that a wished length wants a frame of."""
    take, pace, whole = filmed(state), state.track.pace, course(state)
    left, chances = frames_left(state), whole.chances(here)
    # So near to a shot of the clock's that the frame is better made up for by the clock.
    near = pace.shot is not None and here.time_s - pace.shot.time_s < _spacing_s(state) / 2
    if _clocked(state, chances - 1 if near and chances is not None else chances):
        clock = _clock_s(state)
        # A layer change near the clock's next shot is the better place for it: there the head leaves a seam anyway.
        return clock is not None and here.time_s >= clock - _spacing_s(state) / 2
    way = pacing.way_by_layers(whole, pace, here) or pacing.way_by_share(whole, pace, here)
    if way is None:
        # Until more is known: of a file being read the first layer alone, as there is time to make up for the others.
        return pace.shot is None if take.awaits else True
    return pacing.due(left, way)


def next_by_clock(state: State) -> float | None:
    """When the clock wants the next frame of a wished length, on the monotonic clock; None where it wants none."""
    take, track = state.take, state.track
    if state.rules.cadence.length_s is None or take is None or state.closing is not None or track.line is not None:
        return None
    if take.paused or not state.link or state.shot is not None:
        return None
    last = track.pace.last
    ahead = course(state).chances(last) if last is not None else None
    clock = _clock_s(state) if _clocked(state, None if ahead is None else ahead - 1) else None
    return None if clock is None else take.since_s + take.paused_s + take.held_s + clock


def estimated_end(state: State, now: float) -> float | None:
    """When the print is expected to end, in time printed, by what was just told."""
    pace = state.track.pace
    height = pace.last.height_mm if pace.last is not None else None
    return pacing.end_s(course(state), pace, spot(state, now, height))


def layerless(state: State) -> bool:
    """Whether the host was given time enough to tell a layer, or a height in a file that is known, and told none."""
    track = state.track
    by_height = track.pace.last is not None and track.pace.last.height_mm is not None
    if track.layer is not None or by_height:
        return False
    return track.layerless or (track.progress or 0.0) >= LAYERLESS_SHARE


def _clocked(state: State, chances: int | None) -> bool:
    """Whether the clock makes the cues: without layers, or where `chances` of layers left are too few."""
    if frames_left(state) <= 0 or state.track.pace.end_s is None:
        return False
    if layerless(state):
        return True
    return state.rules.cadence.fill == "between" and chances is not None and frames_left(state) > chances


def _spacing_s(state: State) -> float:
    pace = state.track.pace
    began = pace.shot.time_s if pace.shot is not None else 0.0
    return pacing.spacing_s(frames_left(state), began, pace.end_s or 0.0)


def _clock_s(state: State) -> float | None:
    """When the clock wants its next frame, in time printed."""
    shot = state.track.pace.shot
    return 0.0 if shot is None else shot.time_s + _spacing_s(state)


# ----------------------------------------------------------------------------------------------------- what was planned


def spread_by(state: State) -> str | None:
    """What the frames of a wished length are spread over; None while that is being found out."""
    take, whole = filmed(state), course(state)
    if take.awaits:
        return None
    if layerless(state) and state.track.pace.end_s is not None:
        return "time"
    if take.forecast is not None:
        return "file"
    if whole.count is not None:
        return "layers"
    if whole.expected_s is not None:
        return "time"
    if state.track.progress is not None:
        return "progress"
    return "nothing"


def describe(state: State) -> tuple[str, dict[str, object]]:
    """A sentence on how a wished length is come by, and its figures."""
    rules, take, whole = state.rules.cadence, filmed(state), course(state)
    wanted, by = frames(rules), spread_by(state)
    print_s = take.forecast.print_s if take.forecast is not None else whole.expected_s
    layers = None if by in ("time", "progress", "nothing") else whole.count
    short = layers is not None and layers < wanted and rules.fill == "hold"
    shots = layers if short and layers is not None else wanted
    text = f"{wanted} frames for {rules.length_s:g} s, " + {
        "file": f"over the {layers} layers of the file",
        "layers": f"over the {layers} layers that the host tells",
        "time": "by the time that the print is to take",
        "progress": "by the share of the print that is done",
    }.get(by or "", "a frame of each layer, as nothing tells how many there will be")
    if short:
        text += f": a frame of each layer, which make {float(shots / rules.rate):.1f} s"
    figures: dict[str, object] = {
        "by": by,
        "frames": wanted,
        "shots": shots if by != "nothing" else None,
        "layers": layers,
        "print_s": print_s,
        "clip_s": float(shots / rules.rate) if by != "nothing" else None,
    }
    return text, figures
