"""A small picture of a workshop bench whose every cause is known: light, flicker, growth, shift and noise."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lapsed.clip.srgb import to_code

Floats = NDArray[np.float32]

FINE = 4
"""Pixels of the drawn world for one of the picture, along one side: shifts by quarters of a pixel are exact."""


@dataclass(frozen=True, slots=True)
class Bench:
    """What lies there, in linear light (BGR), drawn `FINE` times too large and with a margin on all sides."""

    world: Floats
    size: tuple[int, int]
    margin: int = 40

    def seen(
        self,
        part: float = 0.0,
        gain: float | tuple[float, float, float] = 1.0,
        shift_px: tuple[float, float] = (0.0, 0.0),
        noise: np.random.Generator | None = None,
    ) -> NDArray[np.uint8]:
        """The picture with the part grown to the share `part` of its height, and all of it moved right and down.

        Each pixel is the mean of the world before it, as a sensor's is.
        """
        wide, high = self.size
        x, y = (round((self.margin - side) * FINE) for side in shift_px)
        cut = self.world[y : y + high * FINE, x : x + wide * FINE].copy()
        if part:
            base, top = (round((share * high + shift_px[1]) * FINE) for share in (0.9, 0.9 - 0.7 * part))
            left, right = (round((share * wide + shift_px[0]) * FINE) for share in (0.35, 0.65))
            rings = 0.6 + 0.4 * np.sin(np.arange(base - top) / FINE)[::-1, None, None]
            cut[top:base, left:right] = np.array([0.03, 0.08, 0.5]) * rings
        light = cv2.resize(cut, (wide, high), interpolation=cv2.INTER_AREA) * np.asarray(gain)
        code = 255 * to_code(np.clip(light, 0, 1))
        if noise is not None:
            code += noise.normal(0, 1.5, code.shape)
        return np.asarray(np.clip(np.round(code), 0, 255), np.uint8)


def bench(size: tuple[int, int] = (256, 192), seed: int = 1) -> Bench:
    """A bench of soft planks with tools and scratches on it, and a bright window in its corner."""
    rng = np.random.default_rng(seed)
    margin = 40
    wide, high = ((side + 2 * margin) * FINE for side in size)
    world = cv2.resize(rng.uniform(0.05, 0.2, (7, 9, 3)), (wide, high), interpolation=cv2.INTER_CUBIC)
    for _ in range(160):
        x, y = rng.integers(0, (wide, high)).tolist()
        reach = rng.integers(4 * FINE, 18 * FINE, 2).tolist()
        colour = rng.uniform(0.02, 0.45, 3).tolist()
        cv2.ellipse(world, (x, y), reach, float(rng.uniform(0, 180)), 0, 360, colour, -1)
    world[: high // 5, : wide // 5] = 0.85
    return Bench(cv2.GaussianBlur(world, (0, 0), 0.6 * FINE).astype(np.float32), size, margin)
