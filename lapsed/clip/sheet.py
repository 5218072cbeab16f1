"""The contact sheet: the frames of a take at a glance, as one JPEG."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from lapsed.clip import raw
from lapsed.clip.arithmetic import spread
from lapsed.clip.orient import turned
from lapsed.clip.partial import whole_or_nothing
from lapsed.clip.planes import upright
from lapsed.clip.probe import RAW_SUFFIXES

Image = NDArray[np.uint8]

_COLUMNS: Final = 5
_MOST: Final = 30
_CELL: Final = 384  # the longer side of a small picture, px
_GAP: Final = 12
_CAPTION: Final = 26
_PAPER: Final = (24, 24, 24)
_INK: Final = (208, 208, 208)
# Reduced decoding averages blocks inside the JPEG's transform, which is many times faster than decoding it whole.
_REDUCED: Final = {8: cv2.IMREAD_REDUCED_COLOR_8, 4: cv2.IMREAD_REDUCED_COLOR_4, 2: cv2.IMREAD_REDUCED_COLOR_2}


@dataclass(frozen=True, slots=True)
class Captioned:
    """A frame's file and the words below it."""

    path: Path
    caption: str


def write(frames: Sequence[Captioned], stored: tuple[int, int], orientation: int, out: Path) -> None:
    """Write a sheet of at most 30 of `frames`, evenly chosen, first and last among them. Raises UserError."""
    shown = [frame for frame, shows in zip(frames, spread(len(frames), min(len(frames), _MOST)), strict=True) if shows]
    width, height = turned(stored, orientation)
    scale = _CELL / max(width, height)
    cell = max(1, round(width * scale)), max(1, round(height * scale))
    columns = min(_COLUMNS, len(shown))
    rows = -(-len(shown) // columns)
    step = cell[0] + _GAP, cell[1] + _CAPTION + _GAP
    paper = np.full((rows * step[1] + _GAP, columns * step[0] + _GAP, 3), _PAPER, np.uint8)
    for index, frame in enumerate(shown):
        row, column = divmod(index, columns)
        x, y = _GAP + column * step[0], _GAP + row * step[1]
        picture = _small(frame.path, frames[0].path, stored, orientation, cell)
        if picture is not None:
            paper[y : y + cell[1], x : x + cell[0]] = picture
        paper[y + cell[1] : y + cell[1] + _CAPTION, x : x + cell[0]] = _words(frame.caption, cell[0])
    _, data = cv2.imencode(".jpg", paper, [cv2.IMWRITE_JPEG_QUALITY, 90])
    with whole_or_nothing(out) as draft:
        draft.write_bytes(data.tobytes())


def _small(path: Path, first: Path, stored: tuple[int, int], orientation: int, cell: tuple[int, int]) -> Image | None:
    """The whole frame, upright, at the size of a cell; None where it can't be decoded."""
    picture = _developed(path, first) if path.suffix.lower() in RAW_SUFFIXES else _reduced(path, stored)
    if picture is None:
        return None
    small = cv2.resize(picture, turned(cell, orientation), interpolation=cv2.INTER_AREA)
    return upright(np.asarray(small, np.uint8), orientation)


def _developed(path: Path, first: Path) -> Image | None:
    try:
        picture = raw.develop(path, raw.development(first), half=True)
    except ValueError:
        return None
    return np.ascontiguousarray((picture >> 8).astype(np.uint8)[:, :, ::-1])


def _reduced(path: Path, stored: tuple[int, int]) -> Image | None:
    reduced = next((kind for by, kind in _REDUCED.items() if max(stored) >= by * _CELL), cv2.IMREAD_COLOR)
    data = np.frombuffer(path.read_bytes(), np.uint8)
    picture = cv2.imdecode(data, reduced | cv2.IMREAD_IGNORE_ORIENTATION)
    return None if picture is None else np.asarray(picture, np.uint8)


def _words(text: str, width: int) -> Image:
    """A caption drawn at four times its size and averaged down, as the stroke font is coarse at its own."""
    fine = 4
    strip = np.full((_CAPTION * fine, width * fine, 3), _PAPER, np.uint8)
    plain = text.encode("ascii", "replace").decode()
    cv2.putText(strip, plain, (2, 18 * fine), cv2.FONT_HERSHEY_SIMPLEX, 0.42 * fine, _INK, fine + 1, cv2.LINE_AA)
    return np.asarray(cv2.resize(strip, (width, _CAPTION), interpolation=cv2.INTER_AREA), np.uint8)
