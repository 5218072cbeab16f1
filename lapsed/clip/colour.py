"""From the colour of JPEG to the colour of video; pure.

JPEG holds full-range Y'CbCr by BT.601 (ITU-T T.871, clause 7), deliveries hold limited-range Y'CbCr by BT.709
(ITU-R BT.709-6, items 3.2 to 3.4). Both are linear in R'G'B', so one matrix leads from the one to the other.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

BT601: Final = (0.299, 0.114)
BT709: Final = (0.2126, 0.0722)
"""The shares of red and blue in luma."""


@dataclass(frozen=True, slots=True)
class Affine:
    """y = matrix x + offset, for (Y', Cb, Cr) on the scale of 8-bit codes."""

    matrix: NDArray[np.float64]
    offset: NDArray[np.float64]

    def after(self, first: "Affine") -> "Affine":
        """Both in one: `first`, then this."""
        return Affine(self.matrix @ first.matrix, self.matrix @ first.offset + self.offset)


def from_rgb(kr: float, kb: float) -> NDArray[np.float64]:
    """R'G'B' to Y'CbCr, all of unit swing (BT.709-6, item 3.2; BT.601-7, 2.5.1)."""
    luma = np.array([kr, 1 - kr - kb, kb])
    cb = (np.array([0, 0, 1]) - luma) / (2 * (1 - kb))
    cr = (np.array([1, 0, 0]) - luma) / (2 * (1 - kr))
    return np.stack([luma, cb, cr])


def full_601_to_limited_709() -> Affine:
    """The way from a JPEG's planes to a delivery's: luma 16 to 235, chroma 16 to 240 (BT.709-6, item 3.4)."""
    matrix = from_rgb(*BT709) @ np.linalg.inv(from_rgb(*BT601))
    matrix = np.diag([219 / 255, 224 / 255, 224 / 255]) @ matrix
    return Affine(matrix, np.array([16.0, 128.0, 128.0]) - matrix @ np.array([0.0, 128.0, 128.0]))
