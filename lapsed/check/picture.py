"""Looking at a test frame: its size, its light, and how sharp a part of it is. Decodes; never in the daemon."""

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import simplejpeg  # type: ignore[import-untyped]  # ships no types
from numpy.typing import NDArray

from lapsed.check.facts import Light, TrialFrame
from lapsed.clip import exif
from lapsed.clip.orient import turned
from lapsed.clip.planes import upright
from lapsed.clip.probe import Flaw, probe

_BLACK, _WHITE = 2, 253  # JPEG's quantization wavers by a step or two about the end of the scale


@dataclass(frozen=True, slots=True)
class Crop:
    """A part of a frame at its own pixels, magnified, and its sharpness; the larger, the sharper."""

    picture: NDArray[np.uint8]
    sharpness: float


def look(path: Path) -> TrialFrame | None:
    """What the JPEG at `path` tells; None if it is no picture."""
    seen = probe(path)
    if isinstance(seen, Flaw):
        return None
    width, height = turned((seen.width, seen.height), seen.orientation)
    told = exif.read(_head(path))
    return TrialFrame(str(path), seen.size_bytes, width, height, told.exposure_s, light(path))


def light(path: Path) -> Light | None:
    """How bright the pixels of a JPEG are, at full size: an average of neighbours hides what is clipped."""
    try:
        grey = simplejpeg.decode_jpeg(path.read_bytes(), "GRAY")
    except ValueError:
        return None
    counts = np.bincount(grey.ravel(), minlength=256)
    shares = counts / grey.size
    return Light(
        black=float(shares[: _BLACK + 1].sum()),
        white=float(shares[_WHITE:].sum()),
        middle=int(np.searchsorted(np.cumsum(shares), 0.5)),
        bins=tuple(float(share) for share in shares.reshape(16, 16).sum(axis=1)),
    )


def magnified(path: Path, at: tuple[float, float], size: int = 480, factor: int = 2) -> Crop | None:
    """A square of `size` pixels around the spot `at` (shares of width and height), `factor` times as large.

    Sharpness is the standard deviation of the Laplacian over the mean brightness, in percent: it grows with detail,
    and not with the lamps.
    """
    seen = probe(path)
    if isinstance(seen, Flaw):
        return None
    try:
        picture = upright(simplejpeg.decode_jpeg(path.read_bytes(), "BGR"), seen.orientation)
    except ValueError:
        return None
    height, width = picture.shape[:2]
    side = min(size, width, height)
    left = min(max(round(at[0] * width - side / 2), 0), width - side)
    top = min(max(round(at[1] * height - side / 2), 0), height - side)
    part = np.ascontiguousarray(picture[top : top + side, left : left + side])
    grey = cv2.cvtColor(part, cv2.COLOR_BGR2GRAY).astype(np.float32)
    sharpness = 100 * float(cv2.Laplacian(grey, cv2.CV_32F).std()) / max(float(grey.mean()), 1.0)
    larger = cv2.resize(part, None, fx=factor, fy=factor, interpolation=cv2.INTER_NEAREST)
    return Crop(np.asarray(larger, np.uint8), sharpness)


def write(crop: Crop, out: Path) -> None:
    """Write the magnified part as a JPEG, whole at any instant, so that a viewer may watch the file."""
    _, data = cv2.imencode(".jpg", crop.picture, [cv2.IMWRITE_JPEG_QUALITY, 92])
    draft = out.with_name(out.name + ".part")
    draft.write_bytes(data.tobytes())
    draft.replace(out)


def _head(path: Path) -> bytes:
    with path.open("rb") as file:
        return file.read(exif.HEAD_BYTES)
