"""The print head, its carriage and the beam it runs on, drawn where they stand at the moment."""

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lapsed.sim.lens import Lens, Singles
from lapsed.sim.light import FILL, KEY, RIM, encode
from lapsed.sim.shadow import fallen

Bytes = NDArray[np.uint8]
Bgr = tuple[float, float, float]
Place = tuple[float, float, float]

_BLACK: Bgr = (0.022, 0.020, 0.019)
_GRAPHITE: Bgr = (0.060, 0.052, 0.046)
_STEEL: Bgr = (0.36, 0.34, 0.33)
_ALUMINIUM: Bgr = (0.27, 0.255, 0.245)
_BRASS: Bgr = (0.10, 0.36, 0.58)
_SOCK: Bgr = (0.10, 0.06, 0.025)
_SHELL: Bgr = (0.20, 0.125, 0.035)
_PAPER: Bgr = (0.50, 0.55, 0.58)
_TUBE: Bgr = (0.52, 0.53, 0.52)
_CORNER: Place = (0.55, -0.75, 0.35)
_SHIFT = 4  # bits below the pixel for OpenCV's drawing


@dataclass(frozen=True, slots=True)
class Face:
    """A flat face: its corners, mm from the nozzle's tip or in the machine, its colour, and the way it looks."""

    corners: Singles
    colour: Bgr
    outward: Singles
    shine: float


def _strips(corners: list[Place], colour: Bgr, outward: Place, shine: float = 0.25, count: int = 12) -> list[Face]:
    """A four-cornered face cut into strips from its first edge to its third, each a little darker than the last."""
    a, b, c, d = (np.array(corner, np.float32) for corner in corners)
    faces = []
    for number in range(count):
        low, high = number / count, (number + 1) / count
        tone = 1.28 - 0.56 * (low + high) / 2
        ring = np.stack((a + (d - a) * low, b + (c - b) * low, b + (c - b) * high, a + (d - a) * high))
        faces.append(Face(ring, _scaled(colour, tone), np.array(outward, np.float32), shine))
    return faces


def _scaled(colour: Bgr, by: float) -> Bgr:
    return colour[0] * by, colour[1] * by, colour[2] * by


def _block(
    x: tuple[float, float], y: tuple[float, float], z: tuple[float, float], colour: Bgr, shine: float = 0.25
) -> list[Face]:
    """The faces of a box that a camera before it, above and to its right can see."""
    (x0, x1), (y0, y1), (z0, z1) = x, y, z
    cut = min(0.6, (x1 - x0) / 6, (y1 - y0) / 6, (z1 - z0) / 6)  # edges are broken, and catch the light
    return [
        *_strips([(x0, y0, z1), (x1, y0, z1), (x1, y1, z1), (x0, y1, z1)], colour, (0, 0, 1), shine, 1),
        *_strips([(x1, y0, z1), (x1, y1, z1), (x1, y1, z0), (x1, y0, z0)], colour, (1, 0, 0), shine),
        *_strips([(x0, y0, z1), (x1, y0, z1), (x1, y0, z0), (x0, y0, z0)], colour, (0, -1, 0), shine),
        *_strips([(x0, y0, z1), (x0 + cut, y0, z1), (x0 + cut, y0, z0), (x0, y0, z0)], colour, (-0.7, -0.7, 0), shine),
        *_strips([(x1 - cut, y0, z1), (x1, y0, z1), (x1, y0, z0), (x1 - cut, y0, z0)], colour, _CORNER, shine),
        *_strips(
            [(x0, y0, z1), (x1, y0, z1), (x1, y0, z1 - cut), (x0, y0, z1 - cut)], colour, (0, -0.7, 0.7), shine, 1
        ),
    ]


def _turned(
    at: tuple[float, float], low: tuple[float, float], high: tuple[float, float], colour: Bgr, sides: int = 20
) -> list[Face]:
    """The near half of a body of revolution between two (height, radius) pairs."""
    faces = []
    slope = (low[1] - high[1]) / max(high[0] - low[0], 1e-3)
    for number in range(sides):
        a, b = (math.pi + math.pi * 1.15 * (number + k) / sides - 0.1 for k in (0, 1))
        ring = [
            (at[0] + radius * math.cos(angle), at[1] + radius * math.sin(angle), z)
            for angle, (z, radius) in ((a, high), (b, high), (b, low), (a, low))
        ]
        middle = (a + b) / 2
        out = np.array([math.cos(middle), math.sin(middle), slope], np.float32)
        faces.append(Face(np.array(ring, np.float32), colour, out / np.float32(np.linalg.norm(out)), 0.9))
    return faces


def _disc(at: Place, radius: float, colour: Bgr, shine: float = 0.2) -> Face:
    """A round face that looks to the front."""
    turn = np.linspace(0, 2 * math.pi, 48, endpoint=False)
    ring = np.stack((at[0] + radius * np.cos(turn), np.full(48, at[1]), at[2] + radius * np.sin(turn)), axis=1)
    return Face(ring.astype(np.float32), colour, np.array([0, -1, 0], np.float32), shine)


def _fan(x: float, y: float, z: float) -> list[Face]:
    """A fan that spins too fast to be seen but as rings; struts and screws stand still."""
    faces = [_disc((x, y, z), 14.6, _GRAPHITE, 0.9), _disc((x, y, z), 13.9, _BLACK)]
    for number in range(14):
        share = number / 14
        tone = 0.30 + 0.55 * math.sin(math.pi * share) ** 0.7
        faces.append(_disc((x, y, z), 13.4 - 7.8 * share, _scaled(_GRAPHITE, tone), 0.3 * tone))
    for strut in range(3):
        turn = 2 * math.pi * strut / 3 + 0.5
        along, aside = (math.cos(turn), math.sin(turn)), (-math.sin(turn) * 0.7, math.cos(turn) * 0.7)
        ring = [
            (x + along[0] * far + aside[0] * side, y, z + along[1] * far + aside[1] * side)
            for far, side in ((4, -1.3), (14, -0.8), (14, 0.8), (4, 1.3))
        ]
        faces.append(Face(np.array(ring, np.float32), _BLACK, np.array([-0.2, -0.95, 0.25], np.float32), 0.4))
    faces += [
        _disc((x, y, z), 5.6, _BLACK, 0.5),
        _disc((x, y, z), 5.1, _GRAPHITE, 0.5),
        _disc((x, y, z), 3.9, _PAPER, 0.2),
    ]
    for a, b in ((-1, -1), (-1, 1), (1, -1), (1, 1)):
        screw = (x + a * 13.6, y, z + b * 13.6)
        faces += [_disc(screw, 1.9, _BLACK, 0.1), _disc(screw, 1.6, _STEEL, 0.9), _disc(screw, 0.8, _BLACK, 0.1)]
    return faces


def _duct(side: int) -> list[Face]:
    """The air duct on one side: it leans in towards the nozzle."""
    out, near = side * 21.0, side * 6.5
    front = [(out - side * 9, -12, 24), (out, -12, 24), (near + side * 4, -6, 2.2), (near, -6, 2.2)]
    flank = [(out, -12, 24), (out, 4, 24), (near + side * 4, 4, 2.2), (near + side * 4, -6, 2.2)]
    faces = _strips([front[0], front[1], front[2], front[3]], _GRAPHITE, (0, -0.92, -0.3), 0.35)
    if side > 0:
        faces = _strips([flank[0], flank[1], flank[2], flank[3]], _GRAPHITE, (0.85, 0, -0.5), 0.35) + faces
    return faces


def _head() -> list[Face]:
    """The head about the tip of its nozzle, from far to near."""
    faces = _block((-24, 24), (13, 18), (14, 60), _SHELL)
    faces += _turned((0, 0), (60, 2.1), (160, 2.1), _TUBE, 10)
    for fin in range(9):
        z = 20 + 3.0 * fin
        faces += _block((-12, 12), (-10, 12), (z, z + 1.2), _ALUMINIUM, 0.8)
    faces += _turned((0, 0), (16, 1.6), (20, 1.6), _STEEL, 10)
    faces += _turned((0, 0), (0.0, 0.55), (2.3, 3.0), _BRASS)
    faces += _turned((0, 0), (2.3, 3.4), (5.2, 3.6), _BRASS)
    faces += _block((-9, 12), (-8, 9), (5.2, 16), _SOCK, 0.15)
    faces += _duct(-1) + _duct(1)
    faces += _block((-17, 17), (-21, -11), (19, 53), _BLACK, 0.35)
    return faces + _fan(0, -21, 36)


def _beam(x0: float, x1: float) -> list[Face]:
    """The beam across the machine with its slot and rail, about the nozzle's Y and Z."""
    faces = _block((x0, x1), (20, 40), (22, 42), _ALUMINIUM, 0.6)
    faces += _strips([(x0, 19.9, 35), (x1, 19.9, 35), (x1, 19.9, 29), (x0, 19.9, 29)], _BLACK, (0, -1, 0), 0.1, 3)
    faces += _block((x0, x1), (17.5, 20), (37, 41), _STEEL, 1.0)
    return faces


class Head:
    """The head of a machine whose beam spans X `across`; its drawings begin and end at multiples of `grid` pixels."""

    def __init__(self, lens: Lens, across: tuple[float, float], grid: int) -> None:
        self._lens = lens
        self._grid = grid
        beam, head = _beam(*across), _head()
        faces = beam + head
        self._corners = np.concatenate([face.corners for face in faces])
        self._rides = np.repeat(  # the beam goes with the head in Y and Z alone
            np.array([[0, 1, 1], [1, 1, 1]], np.float32),
            [sum(len(face.corners) for face in group) for group in (beam, head)],
            axis=0,
        )
        self._ends = np.cumsum([len(face.corners) for face in faces])[:-1]
        self._colours = [_lit(face, lens) for face in faces]

    def draw(self, at: Place) -> tuple[Bytes, tuple[int, int]]:
        """The head with the tip of its nozzle at `at` and its beam: premultiplied BGRA, and its top left corner.

        Empty where nothing of it is in sight.
        """
        lens, grid, tip = self._lens, self._grid, np.array(at, np.float32)
        places, _ = lens.project(self._corners + self._rides * tip)
        blur = float(lens.defocus_px(np.maximum((tip - lens.eye) @ lens.axes[2], 1.0)))
        margin = math.ceil(blur * 3) + 2
        size = np.array([lens.width_px, lens.height_px])
        low = np.clip(np.floor((places.min(axis=0) - margin) / grid) * grid, 0, size).astype(int)
        high = np.clip(np.ceil((places.max(axis=0) + margin) / grid) * grid, 0, size).astype(int)
        wide, tall = (high - low).tolist()
        if wide <= 0 or tall <= 0:
            return np.zeros((0, 0, 4), np.uint8), (0, 0)
        # What is out of focus anyway is drawn small and enlarged: a wide blur of a large picture takes long.
        shrink = 1 if blur < 3 else 2 if blur < 6 else 4
        picture = np.zeros((tall // shrink, wide // shrink, 4), np.uint8)
        fixed = np.round((places - low) * ((1 << _SHIFT) / shrink)).astype(np.int32)
        for ring, colour in zip(np.split(fixed, self._ends), self._colours, strict=True):
            cv2.fillConvexPoly(picture, ring, colour, cv2.LINE_8, _SHIFT)
            cv2.polylines(picture, [ring], isClosed=True, color=colour, lineType=cv2.LINE_AA, shift=_SHIFT)
        soft = cv2.GaussianBlur(picture, (0, 0), max(0.6, blur / shrink))
        if shrink > 1:
            soft = cv2.resize(soft, (wide, tall), interpolation=cv2.INTER_LINEAR)
        return np.asarray(soft, np.uint8), (int(low[0]), int(low[1]))

    def shadow(self, at: Place) -> tuple[Singles, float]:
        """Where on the plate the head's shadow falls, as corners (4, 3), and how soft its edge is, mm."""
        box = [(at[0] + x, at[1] + y, at[2] + 12) for x, y in ((-22, -22), (22, -22), (22, 16), (-22, 16))]
        corners = np.zeros((4, 3), np.float32)
        corners[:, :2] = fallen(np.array(box, np.float32))
        return corners, 5 + 0.14 * max(at[2], 0.0)


def _lit(face: Face, lens: Lens) -> tuple[int, int, int, int]:
    out = face.outward
    view = -lens.axes[2]
    light = 0.22 + 0.12 * float(out[2]) + 1.1 * max(0.0, float(out @ KEY)) + 0.16 * max(0.0, float(out @ FILL))
    light += 0.5 * max(0.0, float(out @ RIM))
    gloss = 0.0
    for towards, strength in ((KEY, 0.32), (RIM, 0.3), (FILL, 0.08)):
        half = view + towards
        gloss += strength * max(0.0, float(out @ half) / float(np.linalg.norm(half))) ** 12
    linear = np.array(face.colour, np.float32) * light + np.float32(gloss * face.shine * 0.5) * np.array(
        [1.05, 1, 0.95], np.float32
    )
    blue, green, red = encode(linear).tolist()
    return blue, green, red, 255
