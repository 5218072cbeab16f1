"""What a gain in linear light does to the planes of a picture; pure.

Above its short straight foot the sRGB curve turns a gain g into an affine step: code' = k code + FOOT (k - 1) with
k = g^(1/2.4), for red, green and blue alike. So a common gain is a curve for luma and the factor k for both chroma
planes, exactly so for every colour above code 10 of 255. Gains that differ from channel to channel take a matrix.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from lapsed.clip.colour import BT601, Affine, from_rgb
from lapsed.clip.srgb import EXPONENT, FOOT, LIGHT, to_code, to_light

KNEE: Final = 0.7
"""The light, after the gain, from which on highlights are bent towards white instead of clipped."""

Gain = tuple[float, float, float]
"""Factors for red, green and blue in linear light."""

NEUTRAL: Final[Gain] = (1.0, 1.0, 1.0)


@dataclass(frozen=True, slots=True)
class Tone:
    """First each luma sample becomes `curve` of it, then (Y', Cb, Cr) become `chroma` of them, on 8-bit codes.

    `fine` is the curve for codes of 10 bits, four times those of 8. Neither is rounded.
    """

    curve: NDArray[np.float32]
    fine: NDArray[np.float32]
    chroma: Affine
    coloured: bool


def tone(gain: Gain) -> Tone:
    """The step for `gain` on full-range planes by BT.601; `coloured` tells whether luma reaches into chroma."""
    common = float(np.prod(np.power(gain, _LUMA)))
    scale = common ** (1 / EXPONENT)
    # What is left beside the common gain, as factors of codes.
    own = np.power(np.asarray(gain) / common, 1 / EXPONENT)
    coloured = bool(np.ptp(own) > 1e-6)
    matrix = _TO_YCC @ np.diag(own) @ np.linalg.inv(_TO_YCC) if coloured else np.eye(3)
    offset = _TO_YCC @ (255 * FOOT * (own - 1)) if coloured else np.zeros(3)
    scaled = matrix @ np.diag([1, scale, scale])
    middle = np.array([0.0, 128.0, 128.0])
    return Tone(*_curves(common), Affine(scaled, offset + middle - scaled @ middle), coloured)


def _curves(gain: float) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Luma's codes after `gain`, coarse and fine; what was not clipped stays apart from white."""
    codes = 255 * _bent(LIGHT, gain)
    codes[:255] = np.minimum(codes[:255], 254)
    fine = 4 * 255 * _bent(_FINE_LIGHT, gain)
    fine[:1020] = np.minimum(fine[:1020], 1019)
    return codes.astype(np.float32), fine.astype(np.float32)


def _bent(light: NDArray[np.float64], gain: float) -> NDArray[np.float64]:
    """Codes of `light` after `gain`, from 0 to 1: highlights meet white at white."""
    knee = min(KNEE, KNEE / gain)
    start = gain * knee
    rest = (1 - np.clip((light - knee) / (1 - knee), 0, 1)) ** (gain * (1 - knee) / (1 - start))
    return to_code(np.where(knee >= light, gain * light, 1 - (1 - start) * rest))


_FINE_LIGHT: Final = to_light(np.arange(1021) / 1020)
_TO_YCC: Final = from_rgb(*BT601)
_LUMA: Final = np.array([BT601[0], 1 - sum(BT601), BT601[1]])
