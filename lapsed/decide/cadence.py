"""The rule that says where in a print frames are wanted."""

import math
from fractions import Fraction

from lapsed.decide.state import Take, Track
from lapsed.settings import Cadence

MOST_IN_BURST = 500
"""Layers told at once beyond this are one jump of the host's counter, not as many cues."""


def _frames(cadence: Cadence) -> int:
    """How many frames the wished clip length needs at its rate, the part frame at the end counted whole."""
    return max(1, math.ceil(Fraction(str(cadence.length_s)) * cadence.rate))


def layers_due(cadence: Cadence, track: Track, take: Take, layer: int, now: float) -> list[int]:
    """The layers up to `layer`, later than those already seen, that the rule wants a frame of.

    More than one means that the host told several layers at once; only the last of them can still be shot.
    """
    if cadence.every_layers is None and cadence.length_s is None:
        return []
    seen = track.layer
    first = track.first_layer if track.first_layer is not None else layer
    since = layer - 1 if seen is None or not 0 < layer - seen <= MOST_IN_BURST else seen
    span = range(since + 1, layer + 1)
    if cadence.every_layers is not None:
        every = cadence.every_layers
        return [number for number in span if (number - first) % every == 0]
    wanted = _frames(cadence)
    return [number for number in span if _clip_wants(wanted, take, track, number - min(first, 1), now)]


def _clip_wants(wanted: int, take: Take, track: Track, before: int, now: float) -> bool:
    """Whether a clip of `wanted` frames wants the layer that has `before` layers before it.

    Frames are spread evenly over the layers where their count is known, else over the print's time, else over the
    share of it that is done; a host that tells none of these gets a frame of each layer.
    """
    layers = take.print.layers
    if layers is not None and before < layers:
        return wanted >= layers or (before + 1) * wanted // layers > before * wanted // layers
    if take.print.expected_s is not None and take.print.expected_s > 0:
        return print_time(take, now) / take.print.expected_s * wanted >= take.cues
    if track.progress is not None:
        return track.progress * wanted >= take.cues
    return True


def print_time(take: Take, now: float) -> float:
    """Seconds the print has been running, pauses left out."""
    paused = take.paused_s + (now - take.paused_at if take.paused_at is not None else 0.0)
    return max(0.0, now - take.since_s - paused)


def progress_due(cadence: Cadence, take: Take, fraction: float) -> bool:
    """Whether the clip wants a frame by the share done, where the host tells no layers."""
    return cadence.length_s is not None and fraction * _frames(cadence) >= take.cues


def height_due(cadence: Cadence, track: Track, height_mm: float) -> bool:
    """Whether a mark of every_mm has been reached."""
    return cadence.every_mm is not None and height_mm >= track.next_mm


def next_mark(cadence: Cadence, height_mm: float) -> float:
    """The next mark above `height_mm`, in mm; marks are multiples of every_mm, so that a second take has the same."""
    assert cadence.every_mm is not None  # noqa: S101 - the caller has looked
    step = Fraction(str(cadence.every_mm))
    return float((Fraction(str(round(height_mm, 6))) // step + 1) * step)
