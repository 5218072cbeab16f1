"""Raw files: developed with one white balance and one exposure for the whole take, so that nothing changes by itself.

This takes the extra `lapsed[raw]`; without it a raw file is a flaw that says so.
"""

import importlib.util
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from lapsed.clip.probe import Flaw, Picture

# LibRaw's word for how a picture is to be turned, as Exif's orientation.
_ORIENTATION: Final = {0: 1, 3: 3, 5: 8, 6: 6}


@dataclass(frozen=True, slots=True)
class Development:
    """How raw files become pictures: factors for the sensor's four colours."""

    balance: tuple[float, float, float, float]


def look(path: Path) -> Picture | Flaw:
    """What a raw file's headers tell."""
    if importlib.util.find_spec("rawpy") is None:
        return Flaw(path, "is a raw file, and lapsed[raw] is not installed; install it, or let the camera write JPEGs")
    import rawpy  # noqa: PLC0415 - an extra, which need not be there

    try:
        size = path.stat().st_size
        with rawpy.imread(str(path)) as raw:
            sizes = raw.sizes
            turn = _ORIENTATION.get(sizes.flip, 1)
            return Picture(path, "raw", sizes.width, sizes.height, turn, size, 3, 16, progressive=False, profile=None)
    except rawpy.LibRawError as error:
        return Flaw(path, f"is a raw file that can't be read ({_text(error)})")
    except OSError as error:
        return Flaw(path, f"can't be read ({error.strerror})")


@lru_cache(maxsize=1)
def development(first: Path) -> Development:
    """One for the whole take, by the white balance that the camera had at its first frame, or that of daylight."""
    import rawpy  # noqa: PLC0415 - an extra, which need not be there

    try:
        with rawpy.imread(str(first)) as raw:
            for found in (raw.camera_whitebalance, raw.daylight_whitebalance):
                red, green, blue, green2 = found
                if min(red, green, blue) > 0:
                    return Development((red, green, blue, green2 or green))
    except rawpy.LibRawError:
        pass  # the frame is broken, which is told when its turn comes
    return Development((1.0, 1.0, 1.0, 1.0))


def develop(path: Path, how: Development, *, half: bool) -> NDArray[np.uint16]:
    """The picture in `path` as R'G'B' by sRGB in 16 bits, as stored, of half the size where `half`.

    Raises ValueError with the end of a sentence.
    """
    import rawpy  # noqa: PLC0415 - an extra, which need not be there

    given: dict[str, Any] = {
        "user_wb": list(how.balance),
        "no_auto_bright": True,
        # The white level is the sensor's, not what the brightest spot of each frame makes it.
        "adjust_maximum_thr": 0.0,
        "output_bps": 16,
        "output_color": rawpy.ColorSpace.sRGB,
        "gamma": (2.4, 12.92),  # IEC 61966-2-1
        "user_flip": 0,
        "half_size": half,
    }
    try:
        with rawpy.imread(str(path)) as raw:
            return np.asarray(raw.postprocess(**given), np.uint16)
    except rawpy.LibRawError as error:
        raise ValueError(f"can't be developed ({_text(error)})") from error


def _text(error: Exception) -> str:
    found = error.args[0] if error.args else ""
    return found.decode("utf-8", "replace") if isinstance(found, bytes) else str(found) or "no reason given"
