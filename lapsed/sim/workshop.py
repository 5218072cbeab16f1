"""The still part of the picture: the bed of the machine and the workshop of Ottermole behind it, out of focus."""

import itertools
import math
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from lapsed.sim.lens import Lens, Singles
from lapsed.sim.light import encode
from lapsed.sim.shadow import Bed

Bytes = NDArray[np.uint8]
Picture = TypeVar("Picture", Singles, Bytes)

_PITCH_MM = 0.125
_RIM_MM = 6.0
"""How far the plate reaches beyond where the nozzle can print."""

_BENCH_Z_MM = -34.0


def backdrop(lens: Lens, bed: Bed, seed: int) -> Bytes:
    """Everything that stands still, BGR of the lens's size."""
    noise = np.random.default_rng(seed)
    far = lens.smaller(4)  # all of it is blurred
    picture = _wall(far, noise)
    _bench(picture, far, bed)
    picture = _blur(picture, far.width_px / 4320 * 34)
    _posts(picture, far, bed)
    picture = _blur(picture, far.width_px / 4320 * 7)
    size = (lens.width_px, lens.height_px)
    shown = np.asarray(cv2.resize(encode(picture), size, interpolation=cv2.INTER_LINEAR), np.uint8)
    _plate(shown, lens, bed, noise)
    return _focus(shown, lens)


def _blur(picture: Picture, sigma: float) -> Picture:
    """A Gaussian blur; wide ones are done on a smaller picture."""
    high, wide = picture.shape[:2]
    shrink = max(1, int(sigma / 1.5))
    small = cv2.resize(picture, (max(1, wide // shrink), max(1, high // shrink)), interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), max(0.3, sigma / shrink))
    return np.asarray(cv2.resize(small, (wide, high), interpolation=cv2.INTER_LINEAR), picture.dtype)


def _disc(picture: Singles, x: float, y: float, radius: float, bgr: tuple[float, float, float]) -> None:
    high, wide = picture.shape[:2]
    cv2.circle(picture, (int(x * wide), int(y * high)), max(1, int(radius * wide)), bgr, -1, cv2.LINE_AA)


def _box(
    picture: Singles, x: tuple[float, float], y: tuple[float, float], bgr: tuple[float, float, float], grow: float = 0
) -> None:
    high, wide = picture.shape[:2]
    low = (int((x[0] - grow) * wide), int((y[0] - grow) * high))
    cv2.rectangle(picture, low, (int((x[1] + grow) * wide), int((y[1] + grow) * high)), bgr, -1)


def _wall(lens: Lens, noise: np.random.Generator) -> Singles:
    """The wall with its window on the harbour, a shelf of spools and a string of lamps."""
    high, wide = max(2, lens.height_px), max(2, lens.width_px)
    across = np.linspace(0, 1, wide, dtype=np.float32)[None, :, None]
    down = np.linspace(0, 1, high, dtype=np.float32)[:, None, None]
    tint = np.array([0.105, 0.082, 0.042], np.float32)
    picture: Singles = np.ascontiguousarray(tint * (1.25 - 0.75 * across) * (1.1 - 0.7 * down))
    _box(picture, (0.035, 0.30), (-0.2, 0.27), (0.10, 0.105, 0.10))
    for column in range(2):
        left = 0.05 + 0.122 * column
        _box(picture, (left, left + 0.112), (-0.2, 0.245), (1.05, 0.92, 0.74))
        _box(picture, (left, left + 0.112), (0.13, 0.245), (0.62, 0.52, 0.36))
    for mast, tall in ((0.085, -0.1), (0.125, 0.02), (0.215, -0.06), (0.255, 0.05)):
        _box(picture, (mast, mast + 0.004), (tall, 0.19), (0.16, 0.15, 0.15))
        _box(picture, (mast - 0.022, mast + 0.024), (0.165, 0.195), (0.10, 0.09, 0.30))
    _box(picture, (0.60, 1.1), (0.255, 0.275), (0.055, 0.11, 0.20))
    spools = (
        (0.65, (0.05, 0.16, 0.55)),
        (0.735, (0.42, 0.30, 0.06)),
        (0.825, (0.09, 0.42, 0.62)),
        (0.925, (0.35, 0.38, 0.36)),
    )
    for x, bgr in spools:
        _disc(picture, x, 0.155, 0.038, (0.03, 0.03, 0.03))
        _disc(picture, x, 0.155, 0.034, bgr)
        _disc(picture, x, 0.155, 0.012, (0.02, 0.02, 0.02))
    for number in range(9):
        x = 0.36 + 0.075 * number + 0.008 * float(noise.standard_normal())
        _disc(picture, x, 0.035 + 0.02 * math.sin(number * 1.9), 0.0055, (0.9, 2.2, 3.6))
    return picture


def _bench(picture: Singles, lens: Lens, bed: Bed) -> None:
    """The bench top: everything below where it meets the wall."""
    (x0, x1), (_, y1) = bed
    back = np.array([[(x0 + x1) / 2, y1 + 260, _BENCH_Z_MM]], np.float32)
    edge = max(0, int(lens.project(back)[0][0, 1]))
    rows = picture.shape[0] - edge
    if rows <= 0:
        return
    down = np.linspace(0, 1, rows, dtype=np.float32)[:, None, None]
    across = np.linspace(0, 1, picture.shape[1], dtype=np.float32)[None, :, None]
    wood = np.array([0.040, 0.072, 0.125], np.float32)
    sheen = np.exp(-(((across - 0.2) / 0.22) ** 2)) * np.exp(-down * 5) * np.array([0.30, 0.26, 0.21], np.float32)
    picture[edge:] = wood * (1.15 - 0.6 * across) * (1 - 0.45 * down) + sheen


def _posts(picture: Singles, lens: Lens, bed: Bed) -> None:
    """The two rear uprights of the machine, aluminium sections with a slot."""
    (x0, x1), (_, y1) = bed
    for x in (x0 - 34.0, x1 + 14.0):
        for left, right, grey in ((0, 20, 0.16), (1.5, 5, 0.30), (7, 13, 0.030), (15, 18.5, 0.22), (20, 23, 0.07)):
            corners = [(x + left, -40), (x + right, -40), (x + right, 400), (x + left, 400)]
            points = np.array([[a, y1 + 40, b] for a, b in corners], np.float32)
            cv2.fillConvexPoly(
                picture, np.round(lens.project(points)[0]).astype(np.int32), (grey * 1.05, grey, grey * 0.94)
            )


def _plate(picture: Bytes, lens: Lens, bed: Bed, noise: np.random.Generator) -> None:
    """The print plate with its grid, grain and the sheen of the window, laid into the picture."""
    (x0, x1), (y0, y1) = bed
    low = (x0 - _RIM_MM, y0 - _RIM_MM)
    wide = int((x1 - x0 + 2 * _RIM_MM) / _PITCH_MM)
    deep = int((y1 - y0 + 2 * _RIM_MM) / _PITCH_MM)
    # Great beds are drawn coarser, so that their drawing stays in bounds.
    pitch = _PITCH_MM * max(1.0, max(wide, deep) / 2400)
    wide, deep = int(wide * _PITCH_MM / pitch), int(deep * _PITCH_MM / pitch)
    grain = cv2.GaussianBlur(noise.standard_normal((deep, wide)).astype(np.float32), (0, 0), 0.9)
    cloud = cv2.resize(noise.standard_normal((12, 12)).astype(np.float32), (wide, deep), interpolation=cv2.INTER_CUBIC)
    tone: Singles = (0.034 * (1 + 0.32 * grain + 0.04 * cloud)).astype(np.float32)
    _grid(tone, low, bed, pitch)
    x = (np.arange(wide, dtype=np.float32) / wide)[None, :]
    y = (np.arange(deep, dtype=np.float32) / deep)[:, None]
    sheen = 0.075 * np.exp(-(((x - 0.16) / 0.30) ** 2) - ((y - 0.86) / 0.42) ** 2) * (1 + 0.25 * grain)
    light = 1.25 - 0.55 * x
    plate = np.stack(
        (tone * light * 1.16 + sheen * 1.1, tone * light * 1.02 + sheen, tone * light * 0.94 + sheen * 0.86), 2
    )
    size = (lens.width_px, lens.height_px)
    home = lens.bed_to_picture(low, pitch)
    _edge(picture, lens, bed)
    shown = cv2.warpPerspective(encode(plate.astype(np.float32)), home, size, flags=cv2.INTER_LINEAR)
    clear = cv2.bitwise_not(cv2.warpPerspective(np.full((deep, wide), 255, np.uint8), home, size))
    cv2.multiply(picture, cv2.cvtColor(clear, cv2.COLOR_GRAY2BGR), dst=picture, scale=1 / 255)
    cv2.add(picture, shown, dst=picture)


def _grid(tone: Singles, low: tuple[float, float], bed: Bed, pitch: float) -> None:
    for axis in (0, 1):
        first, last = (math.ceil(end / 10) for end in bed[axis])
        for number in range(first, last + 1):
            strong = number % 5 == 0
            at = (number * 10 - low[axis]) / pitch
            half = (0.34 if strong else 0.2) / pitch / 2
            begin, end = int(at - half), int(at + half) + 1
            ends = [int((bed[1 - axis][side] - low[1 - axis]) / pitch) for side in (0, 1)]
            part = (slice(ends[0], ends[1]), slice(begin, end)) if axis == 0 else (slice(begin, end), slice(*ends))
            tone[part] *= 2.3 if strong else 1.75


def _edge(picture: Bytes, lens: Lens, bed: Bed) -> None:
    """The thickness of the plate, with a bright line where its edge catches the light."""
    (x0, x1), (y0, y1) = (bed[0][0] - _RIM_MM, bed[0][1] + _RIM_MM), (bed[1][0] - _RIM_MM, bed[1][1] + _RIM_MM)
    for ends in (((x0, y0), (x1, y0)), ((x1, y0), (x1, y1))):
        for top, bottom, grey in ((0.0, -1.0, 0.20), (-1.0, -4.0, 0.05), (-4.0, -10.0, 0.02)):
            face = [(*ends[0], top), (*ends[1], top), (*ends[1], bottom), (*ends[0], bottom)]
            points = np.round(lens.project(np.array(face, np.float32))[0]).astype(np.int32)
            colour = encode(np.array([grey * 1.05, grey, grey * 0.95], np.float32)).tolist()
            cv2.fillConvexPoly(picture, points, colour, cv2.LINE_AA)


def _focus(picture: Bytes, lens: Lens) -> Bytes:
    """Blur the plate by its distance from the plane in focus; the rest is blurred already."""
    rows = np.linspace(0, 1, lens.height_px, dtype=np.float32)
    # Along the middle column the plate's distance depends on the row alone: a ray meets z = 0 where it meets it.
    down = (rows - 0.5) * lens.height_px / lens.focal_px
    fall = lens.axes[2, 2] + down * lens.axes[1, 2]
    ahead = np.where(fall < -1e-3, -lens.eye[2] / np.minimum(fall, -1e-3), 1e4)
    sigma = np.minimum(lens.defocus_px(ahead), 26.0 * lens.width_px / 4320)
    scale = lens.width_px / 4320
    shown = picture.copy()
    margin = int(80 * scale)
    for low, high in itertools.pairwise((0.0, 2.0, 5.0, 11.0, 26.0)):
        mix = ((sigma / scale - low) / (high - low)).astype(np.float32)
        for first, last in _runs((mix > 0) & (mix <= 1)):
            begin = max(0, first - margin)
            piece, inner = picture[begin : last + margin], slice(first - begin, last - begin)
            near = _blur(piece, low * scale)[inner] if low else piece[inner]
            far = _blur(piece, high * scale)[inner]
            part = np.repeat(mix[first:last, None], lens.width_px, axis=1)
            shown[first:last] = cv2.blendLinear(np.ascontiguousarray(near), np.ascontiguousarray(far), 1 - part, part)
    return shown


def _runs(held: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Where stretches of true begin and end."""
    steps = np.flatnonzero(np.diff(np.concatenate(([False], held, [False])).astype(np.int8)))
    return [(int(first), int(last)) for first, last in steps.reshape(-1, 2)]
