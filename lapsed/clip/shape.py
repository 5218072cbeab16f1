"""Which part of a frame a clip shows, at which size, and how that part moves; pure.

Sizes are upright pixels, those of a clip all even: 4:2:0 sampling halves both sides (ITU-T H.264, 6.2).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

from lapsed.clip.orient import Rect
from lapsed.settings import Clip

Size = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Shape:
    """The part `crop` of a frame, moving to `end` by the last output frame, shown at `place` in a clip of `size`.

    `factor` is the most delivered pixels for each pixel of the frame, along one side; above 1 the picture is enlarged.
    `wanted` is the size that was asked for, None where it follows from the frame.
    """

    crop: Rect
    end: Rect
    size: Size
    place: Rect
    factor: float
    wanted: Size | None

    @property
    def smaller(self) -> bool:
        """Whether the frame had too few pixels for the size that was asked for, and enlarging was not."""
        return self.wanted is not None and self.size != self.wanted

    @property
    def moves(self) -> bool:
        """Whether the crop changes in the course of the clip."""
        return self.crop != self.end

    def crops(self, frames: int) -> Iterator[Rect]:
        """The crop of each of `frames` output frames, setting off and arriving slowly.

        The size grows by the same factor in equal times and the middle keeps in step with it, so that every point of
        the picture travels in a straight line.
        """
        for k in range(frames):
            u = k / (frames - 1) if frames > 1 else 0.0
            yield _between(self.crop, self.end, u * u * (3 - 2 * u)) if self.moves else self.crop


def shape(frame: Size, clip: Clip, most: int | None = None) -> Shape:
    """How a frame of size `frame` is shown in `clip`: filling it, or whole between bars.

    A crop is the largest of its aspect, divided by the zoom, with its middle as near to the focus as the edges allow.
    A frame with too few pixels gives, unless the clip may enlarge, a smaller clip of the same aspect. Where the clip
    asks for no size, its sides are at most `most`. A master shows the whole frame, odd sides and all.
    """
    if clip.codec == "master":
        whole = Rect(0, 0, *frame)
        return Shape(whole, whole, frame, whole, 1.0, None)
    inner = _even(frame[0]), _even(frame[1])
    aim = clip.size_px or clip.aspect_ratio or inner
    aspect = aim if clip.fill else inner
    moves = clip.end_focus is not None or clip.end_zoom is not None
    crop = _framed(frame, aspect, clip.focus, clip.zoom, whole=not moves)
    end = crop
    if moves:
        zoom = clip.zoom if clip.end_zoom is None else clip.end_zoom
        end = _framed(frame, aspect, clip.end_focus or clip.focus, zoom, whole=False)
    least = min(crop.width, end.width), min(crop.height, end.height)
    least_px = _even(int(least[0] + 1e-6)), _even(int(least[1] + 1e-6))
    size, picture = _sized(clip, aim, least_px)
    if most is not None and clip.size_px is None and max(size) > most:
        size = _fit(size, (most, most))
        picture = size if clip.fill else _fit(picture, size)
    place = Rect(_middle(size[0], picture[0]), _middle(size[1], picture[1]), *picture)
    factor = max(picture[0] / least[0], picture[1] / least[1])
    return Shape(crop, end, size, place, factor, clip.size_px)


def _sized(clip: Clip, aim: Size, least: Size) -> tuple[Size, Size]:
    """The clip's size and the picture's within it, for the smallest crop of the clip."""
    if clip.fill:
        fits = clip.size_px is not None and (clip.enlarge or (least[0] >= aim[0] and least[1] >= aim[1]))
        size = aim if fits else least
        return size, size
    if clip.size_px is not None:
        picture = _fit(least, aim)
        if clip.enlarge or (picture[0] <= least[0] and picture[1] <= least[1]):
            return aim, picture
    scale = max(Fraction(least[0], aim[0]), Fraction(least[1], aim[1]))
    size = _even_up(aim[0] * scale), _even_up(aim[1] * scale)
    return size, least


def _framed(frame: Size, aspect: Size, focus: tuple[float, float], zoom: float, *, whole: bool) -> Rect:
    """The crop of one framing; a `whole` one falls on whole chroma samples."""
    if whole:
        within = _even(int(frame[0] / zoom)), _even(int(frame[1] / zoom))
        size = _fit(aspect, within)
        return Rect(_place(focus[0], size[0], frame[0]), _place(focus[1], size[1], frame[1]), *size)
    scale = min(frame[0] / aspect[0], frame[1] / aspect[1]) / zoom
    width, height = aspect[0] * scale, aspect[1] * scale
    x = min(max(focus[0] * frame[0] - width / 2, 0.0), frame[0] - width)
    y = min(max(focus[1] * frame[1] - height / 2, 0.0), frame[1] - height)
    return _rounded(x, y, width, height)


def _between(a: Rect, b: Rect, share: float) -> Rect:
    width = a.width * (b.width / a.width) ** share
    height = a.height * (b.height / a.height) ** share
    # Of the way of the middle, as much is done as of the change in size: only so do lines stay straight.
    done = (width - a.width) / (b.width - a.width) if abs(b.width - a.width) > 1e-6 * a.width else share
    x = a.x + a.width / 2 + done * (b.x + b.width / 2 - a.x - a.width / 2) - width / 2
    y = a.y + a.height / 2 + done * (b.y + b.height / 2 - a.y - a.height / 2) - height / 2
    return _rounded(x, y, width, height)


def _rounded(*sides: float) -> Rect:
    # Far below what can be seen, and short to write.
    return Rect(*(round(side, 4) + 0.0 for side in sides))


def _fit(aspect: Size, inside: Size) -> Size:
    """The largest even size of an aspect ratio that fits inside another size."""
    scale = min(Fraction(inside[0], aspect[0]), Fraction(inside[1], aspect[1]))
    return max(2, _nearest_even(aspect[0] * scale, inside[0])), max(2, _nearest_even(aspect[1] * scale, inside[1]))


def _even(side: int) -> int:
    return side - side % 2


def _even_up(side: Fraction) -> int:
    return 2 * -(-side.numerator // (2 * side.denominator))


def _nearest_even(side: Fraction, most: int) -> int:
    return min(2 * round(side / 2), most)


def _middle(outer: int, inner: int) -> float:
    """Where the smaller of two even sides starts to stand in the middle, on a whole chroma sample."""
    return float(_even((outer - inner) // 2))


def _place(focus: float, crop: int, frame: int) -> float:
    """Where a crop of one side starts: even, so that it falls on whole chroma samples."""
    start = focus * frame - crop / 2
    return float(min(max(2 * round(start / 2), 0), _even(frame - crop)))
