"""The part the demo prints: the beacon of Ottermole, written out as G-code.

The harbour workshop of Ottermole builds a model of its pier, and the pier wants its light: a tower that stands on a
rock, wound about by the broad stripe of the real one (in relief, as there is one colour), with a gallery, a railing, a
lantern and a domed roof. Everything is star-shaped seen from the axis, so a layer is a radius for each angle.
"""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

CENTRE_MM = (110.0, 110.0)
TALL_MM = 48.0
"""The height the shape is drawn for; the widths of lower and taller prints are scaled from it."""

_BEAD_MM = 0.45
_FILAMENT_MM2 = math.pi * (1.75 / 2) ** 2
_RETRACT_MM = 0.8
_LEAST_LAYER_S = 10.0
"""Small layers are laid so slowly that they take this long, to set before the next."""

_SLOWEST_MM_MIN = 180
_CORNERS = 120
_POSTS = 15


def write_part(layers: int) -> str:
    """The beacon in so many `layers`, 0.2 to 0.4 mm each, as G-code with absolute moves and extrusion (M82).

    120 layers are 48 mm tall. Raises ValueError below one layer.
    """
    if layers < 1:
        raise ValueError(f"a part has at least one layer, not {layers}")
    layer_mm = min(0.4, max(0.2, round(TALL_MM / layers, 3)))
    tall_mm = layers * layer_mm
    pen = _Pen(layer_mm)
    pen.say(*_OPENING)
    scale = max(0.6, min(5.0, tall_mm / TALL_MM))
    rings = [_rings(min(1.0, (index + 0.5) / layers), scale) for index in range(layers)]
    for index, ring in enumerate(rings):
        pen.rise(layer_mm * (index + 1))
        if index == 0:
            _purge(pen)
            pen.loop(_around(ring[0].outer + 5.0), 1200)
        above = rings[min(index + 2, layers - 1)]
        bare = index + 2 >= layers or float(np.max(ring[0].outer - above[0].outer)) > 0.6
        for body in ring:
            _body(pen, body, index, dense=index < 2 or bare)
    pen.pace()
    pen.leave()
    pen.say(f"G1 Z{tall_mm + 10:.3f} F600", "G1 X10 Y200 F9000", *_CLOSING)
    return "\n".join(pen.lines) + "\n"


_OPENING = (
    "; The beacon of Ottermole pier, scale 1 to 220, for the model in the harbour workshop",
    "; Bed 220 x 220 mm, nozzle 0.4 mm, filament 1.75 mm",
    "G21",
    "G90",
    "M82",
    "M140 S60",
    "M104 S212",
    "G28",
    "M190 S60",
    "M109 S212",
    "M107",
    "G92 E0",
)
_CLOSING = ("G4 S45 ; the tip sets in the wind of the fan", "M104 S0", "M140 S0", "M107", "M84")


# ---------------------------------------------------------------------------------------------------- the shape


@dataclass(frozen=True, slots=True)
class _Body:
    """One closed wall of a layer, as a radius for each angle about the point `at`; `inner` where it is a ring."""

    outer: Floats
    inner: Floats | None = None
    at: tuple[float, float] = CENTRE_MM


_THETA: Floats = np.linspace(0.0, 2 * math.pi, _CORNERS, endpoint=False)


def _ramp(u: float, low: float, high: float) -> float:
    return min(1.0, max(0.0, (u - low) / (high - low)))


def _polygon(corners: int, radius: float, turn: float = 0.0) -> Floats:
    """A regular polygon whose flats lie `radius` from the axis, as radii over the angles."""
    step = 2 * math.pi / corners
    within: Floats = (_THETA + turn) % step - step / 2
    return radius / np.cos(within)


def _niche(at: float, wide: float, deep: float) -> Floats:
    """A flat recess of `deep` mm, `wide` radians across, about the angle `at`."""
    off = np.abs((_THETA - at + math.pi) % (2 * math.pi) - math.pi)
    recess: Floats = -deep * np.clip((wide / 2 - off) / 0.08, 0.0, 1.0)
    return recess


def _rock(u: float) -> Floats:
    fade = 1 - 0.75 * _ramp(u, 0.0, 0.15)
    ledge = 1.1 * (math.floor(u / 0.05) * 0.05) / 0.15 + 1.9 * _ramp(u, 0.0, 0.15)
    crags = np.zeros_like(_THETA)
    for waves, high, turn in ((2, 0.9, 0.4), (3, 0.8, 2.1), (5, 0.7, 4.4), (9, 0.45, 1.3), (16, 0.3, 5.2)):
        crags += high * np.cos(waves * _THETA + turn + 1.6 * u * waves)
    rock: Floats = 15.6 - ledge + fade * crags
    return rock


def _shaft(u: float) -> Floats:
    t = _ramp(u, 0.2, 0.63)
    plain = 9.0 - 3.4 * t + 0.9 * t * t - 0.55 * math.sin(math.pi * t)
    winding = np.sin(_THETA - 2 * math.pi * 1.6 * t)
    stripe: Floats = plain + 0.7 * np.clip(0.5 + 4.0 * winding, 0.0, 1.0)
    door = 0.9 * (u < 0.285)
    stripe += _niche(-1.15, 0.42, door)
    for low, at in ((0.33, -1.75), (0.47, -0.75), (0.55, -2.1)):
        if low < u < low + 0.045:
            stripe += _niche(at, 0.34, 0.8)
    return stripe


def _corbel(u: float) -> Floats:
    t = _ramp(u, 0.63, 0.70)
    brackets = 0.5 + 0.5 * np.cos(16 * _THETA)
    corbel: Floats = 6.4 + 3.3 * t - 0.8 * brackets * math.sin(math.pi * t)
    return corbel


def _crown(u: float) -> Floats:
    """Lantern, eaves, dome and the ball on top of it."""
    if u < 0.875:
        panes = 0.45 * np.clip(4.0 * np.cos(8 * _THETA) + 1.5, 0.0, 1.0) * (0.755 < u < 0.86)
        lantern: Floats = _polygon(8, 5.2, math.pi / 8) - panes
        return lantern
    if u < 0.91:
        return _polygon(8, 5.2 + 1.7 * _ramp(u, 0.875, 0.905), math.pi / 8)
    t = _ramp(u, 0.91, 0.972)
    if u < 0.965:
        return _polygon(8, 6.9 * math.sqrt(max(0.0, 1 - t**1.7)) + 0.35, math.pi / 8)
    ball = _ramp(u, 0.965, 1.0) * 2 - 1
    return np.full_like(_THETA, 1.3 + 0.7 * math.sqrt(max(0.0, 1 - ball * ball)))


def _rings(u: float, scale: float) -> list[_Body]:
    """The walls of the layer at the height `u`, 0 to 1: the tower's first, then the railing's."""
    if u < 0.15:
        wall = _rock(u)
    elif u < 0.2:
        wall = _polygon(8, 11.2 - 0.8 * (u > 0.185), math.pi / 8)
    elif u < 0.63:
        wall = _shaft(u)
    elif u < 0.7:
        wall = _corbel(u)
    elif u < 0.725:
        wall = np.full_like(_THETA, 10.0)
    else:
        wall = _crown(u)
    bodies = [_Body(wall * scale)]
    if 0.725 <= u < 0.762:
        for post in range(_POSTS):
            turn = 2 * math.pi * (post + 0.5) / _POSTS
            at = (CENTRE_MM[0] + 9.2 * scale * math.cos(turn), CENTRE_MM[1] + 9.2 * scale * math.sin(turn))
            bodies.append(_Body(np.full_like(_THETA, 0.62 * scale), at=at))
    elif 0.762 <= u < 0.782:
        bodies.append(_Body(np.full_like(_THETA, 9.85 * scale), np.full_like(_THETA, 8.55 * scale)))
    return bodies


# -------------------------------------------------------------------------------------------------- the toolpath


@dataclass
class _Pen:
    """What has been written, where the nozzle is, and how much filament has gone since the last G92.

    `feeds` are the lines of this layer that set how fast is drawn, and how fast; `layer_s` is the time it takes.
    """

    layer_mm: float
    lines: list[str] = field(default_factory=list)
    at: tuple[float, float] = (0.0, 0.0)
    z_mm: float = 0.0
    e_mm: float = 0.0
    loaded: bool = True
    feed_mm_min: int = 0
    feeds: list[tuple[int, int]] = field(default_factory=list)
    layer_s: float = 0.0

    def say(self, *lines: str) -> None:
        self.lines.extend(lines)

    def pace(self) -> None:
        """Slow the layer down where it would take too little time."""
        share = self.layer_s / _LEAST_LAYER_S
        for number, feed in self.feeds if share < 1 else ():
            slower = max(_SLOWEST_MM_MIN, round(feed * share))
            self.lines[number] = self.lines[number].replace(f"F{feed}", f"F{slower}")
        self.feeds.clear()
        self.layer_s = 0.0

    def rise(self, z_mm: float) -> None:
        self.pace()
        self.leave()
        self.z_mm = z_mm
        self.e_mm = -_RETRACT_MM
        self.say(f"G92 E{self.e_mm:g}", f"G1 Z{z_mm:.3f} F600")
        if round(z_mm / self.layer_mm) == 3:  # cooling starts once the part holds to the bed
            self.say("M106 S255")

    def leave(self) -> None:
        if self.loaded:
            self.e_mm -= _RETRACT_MM
            self.say(f"G1 E{self.e_mm:.5f} F2400")
            self.loaded = False

    def travel(self, x: float, y: float, *, hop: bool = False) -> None:
        far = math.dist(self.at, (x, y))
        if far < 0.02:
            return
        if far > 1.5:
            self.leave()
        if hop:
            self.say(f"G1 Z{self.z_mm + 0.4:.3f} F600")
        self.say(f"G0 X{x:.3f} Y{y:.3f} F9000")
        if hop:
            self.say(f"G1 Z{self.z_mm:.3f} F600")
        self.at = (x, y)

    def draw(self, x: float, y: float, feed: int | None = None, bead_mm: float = _BEAD_MM) -> None:
        if not self.loaded:
            self.e_mm += _RETRACT_MM
            self.say(f"G1 E{self.e_mm:.5f} F2400")
            self.loaded = True
        self.e_mm += math.dist(self.at, (x, y)) * bead_mm * self.layer_mm / _FILAMENT_MM2
        speed = ""
        if feed is not None:
            speed = f" F{feed}"
            self.feed_mm_min = feed
            self.feeds.append((len(self.lines), feed))
        self.layer_s += math.dist(self.at, (x, y)) / self.feed_mm_min * 60
        self.say(f"G1 X{x:.3f} Y{y:.3f} E{self.e_mm:.5f}{speed}")
        self.at = (x, y)

    def loop(self, points: Floats, feed: int, *, hop: bool = False) -> None:
        self.travel(float(points[0, 0]), float(points[0, 1]), hop=hop)
        for index, (x, y) in enumerate(np.roll(points, -1, axis=0).tolist()):
            self.draw(x, y, feed if index == 0 else None)


def _around(radius: Floats, start: int = 0, at: tuple[float, float] = CENTRE_MM) -> Floats:
    """Points on the bed for radii over the angles, beginning at the corner numbered `start`."""
    points = np.stack((radius * np.cos(_THETA), radius * np.sin(_THETA)), axis=1) + at
    turned: Floats = np.roll(points, -start, axis=0)
    return turned


def _purge(pen: _Pen) -> None:
    pen.travel(20.0, 6.0)
    pen.draw(130.0, 6.0, 1200, bead_mm=0.8)
    pen.travel(130.0, 6.8)
    pen.draw(40.0, 6.8, 1500, bead_mm=0.6)


def _body(pen: _Pen, body: _Body, index: int, *, dense: bool) -> None:
    slow = index == 0
    seam = (_CORNERS // 4 + index * 5 % 7) % _CORNERS  # at the back, scattered as seams are
    second = np.maximum(body.outer - 1.5 * _BEAD_MM, 0.3)
    outer = np.maximum(body.outer - 0.5 * _BEAD_MM, 0.3)
    if body.at != CENTRE_MM:
        pen.loop(_around(outer, seam, body.at)[::10], 1200, hop=True)
        return
    if body.inner is not None:
        pen.loop(_around(body.inner + 0.5 * _BEAD_MM, seam), 1800, hop=True)
        pen.loop(_around(outer, seam), 1500)
        return
    if float(np.min(second)) > 0.5:
        pen.loop(_around(second, seam), 1200 if slow else 2400)
    for start, end in _fill(np.maximum(second - 0.7 * _BEAD_MM, 0.0), index, _BEAD_MM if dense else 3.2):
        pen.travel(*start)
        pen.draw(*end, 1200 if slow else 3000)
    pen.loop(_around(outer, seam), 1200 if slow else 1500)


def _fill(radius: Floats, index: int, apart_mm: float) -> Iterator[tuple[tuple[float, float], tuple[float, float]]]:
    """Strokes at 45 degrees, the other way each layer, `apart_mm` apart, clipped to the outline, there and back."""
    turn = math.pi / 4 if index % 2 else -math.pi / 4
    along = radius * np.cos(_THETA - turn)
    across = radius * np.sin(_THETA - turn)
    next_along, next_across = np.roll(along, -1), np.roll(across, -1)
    place = _placer(turn)
    reach = float(np.max(np.abs(across)))
    for number, level in enumerate(np.arange(-reach + apart_mm / 2, reach, apart_mm).tolist()):
        crosses = (across <= level) != (next_across <= level)
        share = (level - across[crosses]) / (next_across[crosses] - across[crosses])
        cuts = np.sort(along[crosses] + share * (next_along[crosses] - along[crosses])).tolist()
        strokes = [(a, b) for a, b in zip(cuts[::2], cuts[1::2], strict=True) if b - a > 0.4]
        for a, b in strokes if number % 2 else [(b, a) for a, b in reversed(strokes)]:
            yield place(a, level), place(b, level)


def _placer(turn: float) -> Callable[[float, float], tuple[float, float]]:
    cos, sin = math.cos(turn), math.sin(turn)

    def place(along: float, across: float) -> tuple[float, float]:
        return CENTRE_MM[0] + along * cos - across * sin, CENTRE_MM[1] + along * sin + across * cos

    return place
