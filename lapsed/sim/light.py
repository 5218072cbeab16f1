"""How the lamps of the workshop fall on plastic."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lapsed.sim.lens import Singles
from lapsed.sim.strands import Strands

KEY = np.array([-0.71, -0.40, 0.58], np.float32)
"""Towards the window, which gives most of the light: from the left, before and above."""

FILL = np.array([0.83, -0.47, 0.30], np.float32)
"""Towards the bench lamp, weak and warm, on the right."""

RIM = np.array([0.76, 0.55, 0.35], np.float32)
"""Towards a second window, behind on the right; it draws the bright edge."""

_KEY_BGR = np.array([1.05, 1.02, 1.0], np.float32) * 1.55
_FILL_BGR = np.array([0.50, 0.78, 1.0], np.float32) * 0.07
_RIM_BGR = np.array([1.0, 0.86, 0.66], np.float32) * 0.48
_SKY_BGR = np.array([1.0, 0.86, 0.72], np.float32) * 0.20
_BED_BGR = np.array([0.30, 0.26, 0.24], np.float32) * 0.22
_PLASTIC_BGR = np.array([0.036, 0.085, 0.70], np.float32)
_VOXEL_MM = 0.5
_MOST_VOXELS = 240  # along the longest side: no print takes more than 55 MB


@dataclass(frozen=True, slots=True)
class Shade:
    """Which places the finished part fills, in voxels, so that its overhangs throw shade on the walls below.

    Shade falls as in the finished part from the first, which spares walls a second painting; an overhang comes a few
    layers after the wall it shades.
    """

    filled: NDArray[np.float32]
    low: Singles
    pitch_mm: float

    def through(self, points: Singles, towards: Singles, reach_mm: float) -> Singles:
        """The share of light that comes to `points` from the direction `towards`, 0 to 1."""
        total = np.zeros(len(points), np.float32)
        step = 0.6
        for number in range(int(reach_mm / step)):
            place = ((points + towards * (0.5 + step * number) - self.low) / self.pitch_mm).astype(np.int32)
            inside = np.all((place >= 0) & (place < self.filled.shape), axis=1)
            held = place[inside]
            total[inside] += self.filled[held[:, 0], held[:, 1], held[:, 2]]
        share: Singles = np.exp(np.float32(-1.1) * total)
        return share


def shade_of(strands: Strands) -> Shade:
    """The voxels of all that `strands` lay down."""
    if not len(strands.line):
        return Shade(np.zeros((1, 1, 1), np.float32), np.zeros(3, np.float32), _VOXEL_MM)
    low = np.minimum(strands.start.min(axis=0), strands.end.min(axis=0)) - 1
    high = np.maximum(strands.start.max(axis=0), strands.end.max(axis=0)) + 1
    pitch = max(_VOXEL_MM, float(np.max(high - low)) / _MOST_VOXELS)
    shape = np.ceil((high - low) / pitch).astype(int) + 1
    filled = np.zeros(shape, np.float32)
    way = strands.end - strands.start
    count = np.maximum(np.ceil(np.linalg.norm(way, axis=1) / pitch).astype(int), 1)
    of = np.repeat(np.arange(len(way)), count)
    share = (np.arange(len(of)) - np.repeat(np.cumsum(count) - count, count) + 0.5) / count[of]
    points = strands.start[of] + way[of] * share[:, None].astype(np.float32)
    place = ((points - low) / pitch).astype(np.int32)
    filled[place[:, 0], place[:, 1], place[:, 2]] = 1.0
    for level in range(filled.shape[2]):
        filled[:, :, level] = cv2.GaussianBlur(np.ascontiguousarray(filled[:, :, level]), (0, 0), 0.9)
    return Shade(filled, low, pitch)


def shade(  # noqa: PLR0917 - arrays of one piece each, all of them needed
    shades: Shade,
    at: Singles,
    normal: Singles,
    cos: Singles,
    sin: Singles,
    towards: Singles,
    grain: Singles,
) -> NDArray[np.uint32]:
    """The colour of each sample of a bead's surface, (pieces, samples), packed as BGRA.

    `normal` is level, `cos` and `sin` turn it up the bead's side; `towards` points from the piece to the camera,
    `grain` sets the pieces of one strand a little apart from the next.
    """
    outside = np.zeros_like(at)
    outside[:, :2] = normal * 0.9
    key_free = shades.through(at + outside, KEY, 14)
    over = np.array([0, 0, 1], np.float32)
    lean = np.concatenate((normal * 0.7, np.full((len(at), 1), 0.7, np.float32)), axis=1)
    open_sky = 0.5 * shades.through(at + outside, over, 9) + 0.5 * shades.through(at + outside, lean, 9)

    rise = 0.5 * sin**3  # beads are pressed flat: their sides stand steeper than a circle's
    size = np.sqrt(cos * cos + rise * rise)
    face = np.empty((*cos.shape, 3), np.float32)
    face[..., :2] = normal[:, None, :] * (cos / size)[..., None]
    face[..., 2] = rise / size
    side = np.clip(1.3 - 1.3 * sin, 0, 1)  # tops are open to the sky when they are painted
    key_free = 1 - side * (1 - key_free[:, None])
    open_sky = 1 - side * (1 - open_sky[:, None])
    crease = 0.56 + 0.44 * np.clip((sin + 0.8) / 0.8, 0, 1) ** 1.3

    view = towards / np.linalg.norm(towards, axis=1, keepdims=True)
    light = np.clip(face @ KEY + 0.03, 0, None)[..., None] * key_free[..., None] * _KEY_BGR
    light += np.clip(face @ FILL, 0, None)[..., None] * _FILL_BGR
    light += (np.clip(face @ RIM, 0, None) ** 2)[..., None] * _RIM_BGR
    light += (open_sky * (0.5 + 0.5 * face[..., 2]))[..., None] * _SKY_BGR
    light += np.clip(0.5 - 0.5 * face[..., 2], 0, None)[..., None] * _BED_BGR
    colour = light * _PLASTIC_BGR * (crease * (1 + 0.012 * grain[:, None]))[..., None]

    gloss = _gloss(face, view, KEY, 26) * key_free * crease
    gloss_rim = _gloss(face, view, RIM, 18)
    colour += gloss[..., None] * _KEY_BGR * 0.09 + gloss_rim[..., None] * _RIM_BGR * 0.10
    return pack(colour)


def _gloss(face: Singles, view: Singles, light: Singles, power: float) -> Singles:
    half = view + light
    half /= np.linalg.norm(half, axis=1, keepdims=True)
    shine: Singles = np.clip(np.einsum("ijk,ik->ij", face, half), 0, None) ** np.float32(power)
    return shine


def pack(linear: Singles) -> NDArray[np.uint32]:
    """Linear light as BGRA of the sRGB curve, highlights rolled off, alpha full."""
    rolled = linear * (1 + linear / 6.0) / (1 + linear * 0.55)
    steps = np.minimum(rolled * 1023, 1023).astype(np.int32)
    code = _CURVE[steps].astype(np.uint32)
    packed: NDArray[np.uint32] = code[..., 0] | code[..., 1] << 8 | code[..., 2] << 16 | np.uint32(0xFF000000)
    return packed


_ramp = np.linspace(0, 1, 1024)
# IEC 61966-2-1 (sRGB), the encoding curve.
_CURVE = np.round(255 * np.where(_ramp <= 0.0031308, 12.92 * _ramp, 1.055 * _ramp ** (1 / 2.4) - 0.055)).astype(
    np.uint8
)


def encode(linear: Singles) -> NDArray[np.uint8]:
    """Linear light as bytes of the sRGB curve, highlights rolled off as `pack` does."""
    rolled = linear * (1 + linear / 6.0) / (1 + linear * 0.55)
    coded: NDArray[np.uint8] = _CURVE[np.clip(rolled * 1023, 0, 1023).astype(np.int32)]
    return coded
