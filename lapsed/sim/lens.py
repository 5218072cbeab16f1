"""A perspective camera: from places in the machine to places in the picture."""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Singles = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Lens:
    """Where the camera stands and how it sees.

    Millimetres in the machine's coordinates, pixels from the top left. The rows of `axes` point right, down and ahead.
    A point at distance d before the camera is enlarged `focal_px` / d, and sharp where d is `focus_mm`.
    """

    eye: Singles
    axes: Singles
    focal_px: float
    width_px: int
    height_px: int
    focus_mm: float

    def project(self, points: Singles) -> tuple[Singles, Singles]:
        """Picture places (..., 2) and distances ahead (...) of `points` (..., 3)."""
        seen = (points - self.eye) @ self.axes.T
        ahead = np.maximum(seen[..., 2], np.float32(1))  # what is behind the camera lands far outside the picture
        centre = np.array([self.width_px / 2, self.height_px / 2], np.float32)
        return (seen[..., :2] * (np.float32(self.focal_px) / ahead)[..., None] + centre).astype(np.float32), ahead

    def smaller(self, by: int) -> "Lens":
        """The same view on a picture of fewer pixels."""
        return replace(self, focal_px=self.focal_px / by, width_px=self.width_px // by, height_px=self.height_px // by)

    def defocus_px(self, ahead: Singles) -> Singles:
        """How far things `ahead` mm before the camera are blurred, as the sigma of a Gaussian."""
        blur: Singles = np.abs(1 / ahead - np.float32(1 / self.focus_mm)) * np.float32(
            self.width_px / 4320 * 25 * self.focus_mm
        )
        return blur

    def bed_to_picture(self, origin_mm: tuple[float, float], pitch_mm: float) -> NDArray[np.float64]:
        """The homography from a drawing of the bed to the picture.

        Its pixel (0, 0) lies at `origin_mm`; columns run along X and rows along Y, `pitch_mm` each.
        """
        spread = np.array([[pitch_mm, 0, origin_mm[0]], [0, pitch_mm, origin_mm[1]], [0, 0, 0], [0, 0, 1]], np.float64)
        place = np.hstack((self.axes, -(self.axes @ self.eye)[:, None])).astype(np.float64)
        view = np.array([[self.focal_px, 0, self.width_px / 2], [0, self.focal_px, self.height_px / 2], [0, 0, 1]])
        home: NDArray[np.float64] = view @ place @ spread
        return home


def aim(low: Singles, high: Singles, width_px: int, height_px: int) -> Lens:
    """A camera on a tripod before the machine that frames the box from `low` to `high`, mm.

    It stands a little to the right and above the top of the box, so that nothing printed later is hidden by what was
    printed before.
    """
    size = high - low
    tall = max(float(size[2]), 0.75 * float(max(size[0], size[1])), 8.0)
    turn, tilt = math.radians(19), math.radians(12.5)
    away = 7.6 * tall
    target = np.array([(low[0] + high[0]) / 2, (low[1] + high[1]) / 2, low[2] + 0.53 * tall], np.float32)
    ahead = np.array([-math.sin(turn) * math.cos(tilt), math.cos(turn) * math.cos(tilt), -math.sin(tilt)], np.float32)
    right = np.array([math.cos(turn), math.sin(turn), 0], np.float32)
    axes = np.stack((right, np.cross(ahead, right), ahead)).astype(np.float32)
    share = min(height_px, width_px * 0.66)  # an upright picture must still hold the width
    return Lens(target - ahead * np.float32(away), axes, away * share / (1.75 * tall), width_px, height_px, away)
