"""The edit list: which frames a clip shows, for how long and which part of them; pure.

It is a value: the same edit list over the same frames gives the same clip, and it survives a round trip through JSON.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from pydantic import TypeAdapter, ValidationError

from lapsed.clip.arithmetic import conform, seconds_of
from lapsed.clip.orient import Rect
from lapsed.clip.shape import Shape
from lapsed.errors import UserError
from lapsed.settings import Clip, CodecName


@dataclass(frozen=True, slots=True)
class Piece:
    """One frame, by its name in the source folder, shown for `shows` output frames; `crop` in upright pixels.

    `gain` is the factor for red, green and blue in linear light that evens the frame out. `shift_px` is how far the
    picture stands to the right and downwards of where it should, in upright pixels.
    """

    frame: str
    shows: int
    crop: Rect
    gain: tuple[float, float, float] = (1.0, 1.0, 1.0)
    shift_px: tuple[float, float] = (0.0, 0.0)

    @property
    def window(self) -> Rect:
        """What is cut out of this very frame: the crop, moved along with the picture."""
        return replace(self.crop, x=self.crop.x + self.shift_px[0], y=self.crop.y + self.shift_px[1])


@dataclass(frozen=True, slots=True)
class EditList:
    """All that is needed to stitch one clip from a folder of frames.

    `size` is the clip's, upright; `stored` is the size in the frames' files and `orientation` the Exif value that
    makes them upright. `quality` and `preset` are the encoder's.
    """

    clip: str
    codec: CodecName
    size: tuple[int, int]
    rate: Fraction
    stored: tuple[int, int]
    orientation: int
    quality: int
    preset: str
    pieces: tuple[Piece, ...]

    @property
    def frames(self) -> int:
        """How many output frames there are."""
        return sum(piece.shows for piece in self.pieces)

    @property
    def seconds(self) -> Fraction:
        """How long the clip lasts."""
        return seconds_of(self.frames, self.rate)


def edit(frames: Sequence[str], stored: tuple[int, int], orientation: int, shape: Shape, clip: Clip) -> EditList:
    """The edit list that `clip` asks for, from frames in the order they are to be shown, all of one size.

    Raises UserError where the length and the holds don't go together.
    """
    counts = conform(len(frames), clip.rate, clip.length_s, clip.hold_start_s, clip.hold_end_s)
    return EditList(
        clip=clip.name,
        codec=clip.codec,
        size=shape.size,
        rate=clip.rate,
        stored=stored,
        orientation=orientation,
        quality=clip.quality,
        preset=clip.preset,
        pieces=tuple(Piece(frame, shows, shape.crop) for frame, shows in zip(frames, counts, strict=True) if shows),
    )


_ADAPTER = TypeAdapter(EditList)


def to_json(edit_list: EditList) -> str:
    """The edit list as indented JSON; the rate is written as a fraction such as 24000/1001."""
    return _ADAPTER.dump_json(edit_list, indent=1).decode()


def from_json(text: str) -> EditList:
    """The edit list that `to_json` wrote. Raises UserError."""
    try:
        return _ADAPTER.validate_json(text)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        place = ".".join(map(str, first["loc"])) or "the text"
        raise UserError(f"not an edit list: {place}: {first['msg']}") from error
