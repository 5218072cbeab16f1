"""Words burnt into a picture: small, clean, legible on light and dark.

The letters are white with a soft shadow around them, of the typeface that Pillow carries. Figures are set one by one,
each as wide as the widest, so that nothing moves while they count.
"""

from functools import lru_cache
from typing import Final

import numpy as np
from av.video.frame import VideoFrame
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFilter, ImageFont

from lapsed.clip.caption import FIGURE_SPACE
from lapsed.clip.planes import like, views
from lapsed.settings import Corner

MARGIN: Final = 0.05
"""Share of each side that stays free: what players and frames may cover (EBU R 95, graphics safe area, 5 %)."""

_HEIGHT: Final = 0.028
"""Of the letters, as a share of the shorter side; small, and still to be read on a telephone."""

_SHADOW: Final = 0.55
_WHITE: Final = 235
Cover = NDArray[np.float32]


def lettered(picture: VideoFrame, words: str, corner: Corner) -> VideoFrame:
    """A copy of `picture`, of BT.709 limited range, with `words` in a corner; what is too long for it is cut off."""
    out = like(picture)
    planes = views(out)
    for plane, source in zip(planes, views(picture), strict=True):
        plane[:] = source
    height, width = planes[0].shape
    ink, shade = _cover(words, max(8, round(_HEIGHT * min(width, height))))
    rows, columns = _place(corner, (width, height), (ink.shape[1], ink.shape[0]))
    ink, shade = ink[: rows.stop - rows.start, : columns.stop - columns.start], shade[: rows.stop - rows.start]
    shade = shade[:, : columns.stop - columns.start]
    fine = 1 << (picture.format.components[0].bits - 8)
    for n, plane in enumerate(planes):
        down, across = (planes[0].shape[axis] // plane.shape[axis] for axis in (0, 1))
        black, white = (16, _WHITE) if n == 0 else (128, 128)
        part = plane[rows.start // down : rows.stop // down, columns.start // across : columns.stop // across]
        seen = part.astype(np.float32)
        for cover, code in ((shade, black), (ink, white)):
            seen += _smaller(cover, down, across) * (code * fine - seen)
        part[:] = np.rint(seen).astype(part.dtype)
    return out


def _place(corner: Corner, size: tuple[int, int], words: tuple[int, int]) -> tuple[slice, slice]:
    """The rows and columns for `words`, on whole chroma samples."""
    spans = []
    for whole, length, far in ((size[1], words[1], "bottom" in corner), (size[0], words[0], "right" in corner)):
        margin = round(MARGIN * whole / 2) * 2
        shown = min(length, whole - 2 * margin) // 2 * 2
        start = whole - margin - shown if far else margin
        spans.append(slice(start // 2 * 2, start // 2 * 2 + shown))
    return spans[0], spans[1]


def _smaller(cover: Cover, down: int, across: int) -> Cover:
    rows, columns = cover.shape
    return np.asarray(cover.reshape(rows // down, down, columns // across, across).mean((1, 3)), np.float32)


@lru_cache(64)
def _cover(words: str, height: int) -> tuple[Cover, Cover]:
    """How much of each pixel the letters and their shadow cover, 0 to 1, on even sides; `height` is a capital's."""
    font = _font(height)
    figure = max(font.getlength(digit) for digit in "0123456789")
    pad = max(2, height // 3)
    ascent, descent = font.getmetrics()
    width = sum(_advance(font, part, figure) for part in _parts(words))
    size = (int(width) + 2 * pad + 2) // 2 * 2, (ascent + descent + 2 * pad + 1) // 2 * 2
    letters = Image.new("L", size, 0)
    draw = ImageDraw.Draw(letters)
    x = float(pad)
    for part in _parts(words):
        advance = _advance(font, part, figure)
        if part != FIGURE_SPACE:
            inset = (advance - font.getlength(part)) / 2 if part.isdecimal() else 0.0
            draw.text((x + inset, pad), part, fill=255, font=font)
        x += advance
    soft = letters.filter(ImageFilter.MaxFilter(3)).filter(ImageFilter.GaussianBlur(max(1.0, height / 7)))
    ink, shade = (np.asarray(np.asarray(image) / 255, np.float32) for image in (letters, soft))
    return ink, np.minimum(shade * np.float32(1.6), np.float32(1)) * np.float32(_SHADOW)


@lru_cache(8)
def _font(height: int) -> ImageFont.FreeTypeFont:
    font = ImageFont.load_default(height)
    if not isinstance(font, ImageFont.FreeTypeFont):  # pragma: no cover - its wheels all have FreeType
        raise TypeError("Pillow was built without FreeType")
    top, bottom = font.getbbox("H")[1::2]
    return font.font_variant(size=height * height / (bottom - top))


def _parts(words: str) -> list[str]:
    """Figures and spaces for figures one by one, and what is between them in one piece, which keeps its kerning."""
    parts: list[str] = []
    for sign in words:
        alone = sign.isdecimal() or sign == FIGURE_SPACE
        if parts and not alone and not parts[-1].isdecimal() and parts[-1] != FIGURE_SPACE:
            parts[-1] += sign
        else:
            parts.append(sign)
    return parts


def _advance(font: ImageFont.FreeTypeFont, part: str, figure: float) -> float:
    return figure if part.isdecimal() or part == FIGURE_SPACE else font.getlength(part)
