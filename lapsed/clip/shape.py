"""Which part of a frame a clip shows, and at which size; pure.

All sizes are upright pixels, all even: 4:2:0 sampling halves both sides (ITU-T H.264, 6.2).
"""

from dataclasses import dataclass
from fractions import Fraction

from lapsed.clip.orient import Rect


@dataclass(frozen=True, slots=True)
class Shape:
    """The part `crop` of a frame, shown at `size`.

    `factor` is delivered pixels for each pixel of the frame, along one side; above 1 the picture is enlarged.
    `wanted` is the size that was asked for, None where the frame's own was.
    """

    crop: Rect
    size: tuple[int, int]
    factor: float
    wanted: tuple[int, int] | None

    @property
    def smaller(self) -> bool:
        """Whether the frame had too few pixels for the size that was asked for, and enlarging was not."""
        return self.wanted is not None and self.size != self.wanted


def shape(
    frame: tuple[int, int], wanted: tuple[int, int] | None, focus: tuple[float, float], *, enlarge: bool
) -> Shape:
    """How a frame of size `frame` fills a clip of size `wanted`, keeping the spot `focus` (shares of both sides).

    The crop is the largest of the wanted aspect, with its middle as near to the focus as the edges allow. A frame
    with too few pixels gives, unless `enlarge` is set, a smaller clip of the same aspect, of as many pixels as there
    are.
    """
    inner = (_even(frame[0]), _even(frame[1]))
    aim = wanted or inner
    crop = _fit(aim, inner)
    size = aim
    if not enlarge and (crop[0] < aim[0] or crop[1] < aim[1]):
        size = crop
    return Shape(
        Rect(_place(focus[0], crop[0], frame[0]), _place(focus[1], crop[1], frame[1]), *crop),
        size,
        max(size[0] / crop[0], size[1] / crop[1]),
        wanted,
    )


def within(most: int, frame: tuple[int, int]) -> tuple[int, int] | None:
    """The size of a frame made small enough for sides of `most`; None where it is that already."""
    return None if max(frame) <= most else _fit(frame, (most, most))


def _fit(aspect: tuple[int, int], inside: tuple[int, int]) -> tuple[int, int]:
    """The largest even size of an aspect ratio that fits inside another size."""
    scale = min(Fraction(inside[0], aspect[0]), Fraction(inside[1], aspect[1]))
    return max(2, _nearest_even(aspect[0] * scale, inside[0])), max(2, _nearest_even(aspect[1] * scale, inside[1]))


def _even(side: int) -> int:
    return side - side % 2


def _nearest_even(side: Fraction, most: int) -> int:
    return min(2 * round(side / 2), most)


def _place(focus: float, crop: int, frame: int) -> float:
    """Where a crop of one side starts: even, so that it falls on whole chroma samples."""
    start = focus * frame - crop / 2
    return float(min(max(2 * round(start / 2), 0), _even(frame - crop)))
