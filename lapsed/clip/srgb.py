"""The curve between light and the codes of a picture, by IEC 61966-2-1 (sRGB), clause 5.2; pure."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SLOPE_END: Final = 0.0031308
"""Light up to which the curve is a straight line."""

EXPONENT: Final = 2.4
FOOT: Final = 0.055
"""Above the straight part a code is (1 + FOOT) light^(1/EXPONENT) - FOOT."""


def to_light(code: Floats) -> Floats:
    """Linear light from codes, both from 0 to 1."""
    return np.where(code <= 12.92 * SLOPE_END, code / 12.92, ((code + FOOT) / (1 + FOOT)) ** EXPONENT)


def to_code(light: Floats) -> Floats:
    """Codes from linear light, both from 0 to 1."""
    bent = (1 + FOOT) * np.maximum(light, SLOPE_END) ** (1 / EXPONENT) - FOOT
    return np.where(light <= SLOPE_END, 12.92 * light, bent)


LIGHT: Final[Floats] = to_light(np.arange(256) / 255)
"""The light of each 8-bit code."""
LIGHT.setflags(write=False)
