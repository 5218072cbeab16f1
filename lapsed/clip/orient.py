"""The eight orientations of Exif, as what they do to sizes, rectangles and matrices; pure.

Exif (CIPA DC-008, tag 0x0112) says where row 0 and column 0 of the stored picture belong. Here each value is the pair
(mirror, quarter turns): the stored picture is first mirrored left to right, then turned clockwise.
"""

from dataclasses import dataclass

_TURNS: dict[int, tuple[bool, int]] = {
    1: (False, 0),
    2: (True, 0),
    3: (False, 2),
    4: (True, 2),
    5: (True, 3),
    6: (False, 1),
    7: (True, 1),
    8: (False, 3),
}


@dataclass(frozen=True, slots=True)
class Rect:
    """A rectangle in pixels, from the top left."""

    x: float
    y: float
    width: float
    height: float


def mirrored(orientation: int) -> bool:
    """Whether the stored picture is mirrored left to right before it is turned."""
    return _TURNS[orientation][0]


def quarter_turns(orientation: int) -> int:
    """How many quarter turns clockwise make the stored picture upright."""
    return _TURNS[orientation][1]


def turned(size: tuple[int, int], orientation: int) -> tuple[int, int]:
    """The size of the upright picture for a stored one, or the other way round: the same swap serves both."""
    width, height = size
    return (height, width) if quarter_turns(orientation) % 2 else (width, height)


def stored(rect: Rect, upright: tuple[float, float], orientation: int) -> Rect:
    """Where `rect` of the upright picture of size `upright` lies in the stored picture."""
    width, height = upright
    for _ in range(quarter_turns(orientation)):  # one quarter turn anticlockwise each
        rect = Rect(rect.y, width - rect.x - rect.width, rect.height, rect.width)
        width, height = height, width
    if mirrored(orientation):
        rect = Rect(width - rect.x - rect.width, rect.y, rect.width, rect.height)
    return rect


def display_matrix(size: tuple[int, int], orientation: int) -> tuple[int, int, int, int, int, int]:
    """a, b, c, d, tx, ty that take stored pixel coordinates to upright ones: x' = a x + c y + tx, y' = b x + d y + ty.

    This is the order of the transformation matrix in a track header (ISO/IEC 14496-12, 8.3.2). `size` is the stored
    picture's. The offsets bring the picture's corner back to the origin.
    """
    width, height = size
    a, b, c, d, tx, ty = (-1, 0, 0, 1, width, 0) if mirrored(orientation) else (1, 0, 0, 1, 0, 0)
    for _ in range(quarter_turns(orientation)):  # clockwise with y downwards: (x, y) -> (height - y, x)
        a, b, c, d, tx, ty = -b, a, -d, c, height - ty, tx
        width, height = height, width
    return a, b, c, d, tx, ty
