"""Which of the frames go into the clips, by what their headers say; pure.

One camera on a tripod makes frames of one kind, size and orientation, so what differs from most of them is a stray.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from lapsed.clip.footage import LeftOut
from lapsed.clip.probe import Flaw, Picture

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Sifted:
    """The frames that are kept, in order, with what they have in common; `remarks` are sentences."""

    kept: tuple[Picture, ...]
    left_out: tuple[LeftOut, ...]
    orientation: int
    remarks: tuple[str, ...]

    @property
    def stored(self) -> tuple[int, int]:
        """Width and height in the files, before the orientation is applied."""
        return self.kept[0].width, self.kept[0].height


def sift(looks: Sequence[Picture | Flaw]) -> Sifted:
    """Keep the frames of the commonest kind and size; among equals the first seen wins.

    The orientation is the commonest too: a camera that looks down can't tell which way is up and changes its mind
    from one frame to the next, though nothing has turned.
    """
    pictures = [look for look in looks if isinstance(look, Picture)]
    common = _commonest(((picture.kind, picture.width, picture.height) for picture in pictures), ("jpeg", 0, 0))
    kept: list[Picture] = []
    left_out: list[LeftOut] = []
    for look in looks:
        if isinstance(look, Flaw):
            left_out.append(LeftOut(str(look.path), look.reason))
        elif (look.kind, look.width, look.height) != common:
            is_a = f"{look.kind.upper()} of {look.width}x{look.height}"
            left_out.append(
                LeftOut(str(look.path), f"is a {is_a}, most are {common[0].upper()} of {common[1]}x{common[2]}")
            )
        else:
            kept.append(look)
    orientation = _commonest((picture.orientation for picture in kept), 1)
    return Sifted(tuple(kept), tuple(left_out), orientation, tuple(_remarks(kept, orientation)))


def _commonest(values: Iterable[T], default: T) -> T:
    ranked = Counter(values).most_common(1)
    return ranked[0][0] if ranked else default


def _remarks(kept: Sequence[Picture], orientation: int) -> Iterable[str]:
    other = sum(picture.orientation != orientation for picture in kept)
    if other:
        yield f"{_frames(other)} claimed another orientation than most; all are shown the way most are"
    cmyk = sum(picture.components == 4 for picture in kept)
    if cmyk:
        yield f"{_frames(cmyk)} in CMYK: their colours are approximate, and few players show them in a master"
    progressive = sum(picture.progressive for picture in kept)
    if progressive:
        yield f"{_frames(progressive)} progressive: some players and editors can't show them in a master"
    profiles = Counter((picture.profile, picture.components == 3) for picture in kept if picture.profile)
    for (profile, colour), count in profiles.items():
        done = "converted to sRGB in deliveries, while players show a master as if it were" if colour else "shown as if"
        yield f"{_frames(count)} with the colour profile {profile!r}, {done} sRGB; set the camera to sRGB"


def _frames(count: int) -> str:
    return "1 frame" if count == 1 else f"{count} frames"
