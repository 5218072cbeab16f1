"""The edit list: which frames a clip shows, for how long and which part of them; pure.

It is a value: the same edit list over the same frames gives the same clip, and it survives a round trip through JSON.
"""

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import cached_property
from itertools import accumulate, groupby
from pathlib import PurePosixPath
from typing import Annotated, Final, Literal

from pydantic import ConfigDict, Field, TypeAdapter, ValidationError

from lapsed import refusal
from lapsed.clip.arithmetic import seconds_of
from lapsed.clip.conform import Turn, conform
from lapsed.clip.orient import Rect, stored, turned
from lapsed.clip.shape import Shape
from lapsed.errors import UserError
from lapsed.settings import Clip, CodecName, Colour, Corner, Rate

VERSION: Final = 1
"""Of the JSON; it grows when an older lapsed could no longer make the same clip of it."""

_Factor = Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)]
_Gain = tuple[_Factor, _Factor, _Factor]
_Px = Annotated[float, Field(allow_inf_nan=False)]
_Even = Annotated[int, Field(ge=2, le=65_536, multiple_of=2)]


@dataclass(frozen=True, slots=True)
class Correction:
    """What evens a frame out and holds it steady; see `Piece`."""

    gain: _Gain = (1.0, 1.0, 1.0)
    shift_px: tuple[_Px, _Px] = (0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Mix:
    """A second frame, of which `share` is mixed into the first, in linear light; it has corrections of its own."""

    __pydantic_config__ = ConfigDict(extra="forbid")

    frame: str
    share: Annotated[float, Field(gt=0, lt=1)]
    gain: _Gain = (1.0, 1.0, 1.0)
    shift_px: tuple[_Px, _Px] = (0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Look:
    """One frame as it is seen: the part `window` of it, in upright pixels, with its gain."""

    frame: str
    window: Rect
    gain: _Gain


@dataclass(frozen=True, slots=True)
class Piece:
    """One frame, by its name in the source folder, shown for `shows` output frames; `crop` in upright pixels.

    `gain` is the factor for red, green and blue in linear light that evens the frame out. `shift_px` is how far the
    picture stands to the right and downwards of where it should, in upright pixels. `caption` is burnt in.
    """

    __pydantic_config__ = ConfigDict(extra="forbid")

    frame: str
    shows: Annotated[int, Field(ge=1)]
    crop: Rect
    gain: _Gain = (1.0, 1.0, 1.0)
    shift_px: tuple[_Px, _Px] = (0.0, 0.0)
    mix: Mix | None = None
    caption: str = ""

    @property
    def window(self) -> Rect:
        """What is cut out of this very frame: the crop, moved along with the picture."""
        return _moved(self.crop, self.shift_px)

    @property
    def looks(self) -> tuple[Look, ...]:
        """The frame, and the one mixed in, if there is one."""
        own = Look(self.frame, self.window, self.gain)
        if self.mix is None:
            return (own,)
        return own, Look(self.mix.frame, _moved(self.crop, self.mix.shift_px), self.mix.gain)


@dataclass(frozen=True)  # without slots: each of many segments asks for what all pieces have to be looked at for
class EditList:
    """All that is needed to stitch one clip from a folder of frames.

    `size` is the clip's, upright; `stored` is the size in the frames' files and `orientation` the Exif value that
    makes them upright. `quality` and `preset` are the encoder's. `place` is where in the clip the picture is, all of
    it where None; the rest is of the colour `bars`.
    """

    __pydantic_config__ = ConfigDict(extra="forbid")

    clip: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]{0,39}$")]
    codec: CodecName
    size: tuple[Annotated[int, Field(ge=1, le=65_536)], Annotated[int, Field(ge=1, le=65_536)]]
    rate: Rate
    stored: tuple[Annotated[int, Field(ge=1)], Annotated[int, Field(ge=1)]]
    orientation: Annotated[int, Field(ge=1, le=8)]
    quality: Annotated[int, Field(ge=1, le=51)]
    preset: Literal["ultrafast", "veryfast", "fast", "medium", "slow"]
    pieces: Annotated[tuple[Piece, ...], Field(min_length=1)]
    place: tuple[int, int, _Even, _Even] | None = None
    bars: Colour = "#000000"
    caption_corner: Corner = "bottom left"
    version: int = field(default=VERSION)

    @property
    def frames(self) -> int:
        """How many output frames there are."""
        return sum(piece.shows for piece in self.pieces)

    @property
    def seconds(self) -> Fraction:
        """How long the clip lasts."""
        return seconds_of(self.frames, self.rate)

    @cached_property
    def fine(self) -> bool:
        """Whether it needs cropping on fractions of a pixel: for a move, a shift, or enlarging."""
        inner = self.size if self.place is None else self.place[2:]
        return any(
            window.width < inner[0] or any(side % 2 for side in (window.x, window.y, window.width, window.height))
            for window in self._windows()
        )

    @cached_property
    def least(self) -> tuple[float, float]:
        """The least width and the least height of what is cut out of any frame."""
        return min(window.width for window in self._windows()), min(window.height for window in self._windows())

    @cached_property
    def lowest(self) -> float:
        """The lowest row of the stored frames that can be seen."""
        upright = turned(self.stored, self.orientation)
        parts = (stored(window, upright, self.orientation) for window in self._windows())
        return max(part.y + part.height for part in parts)

    def _windows(self) -> Iterator[Rect]:
        return (look.window for piece in self.pieces for look in piece.looks)

    @property
    def used(self) -> tuple[str, ...]:
        """The frames that can be seen in it, each once, in the order they first appear."""
        return tuple(dict.fromkeys(look.frame for piece in self.pieces for look in piece.looks))


def edit(
    frames: Sequence[str],
    stored: tuple[int, int],
    orientation: int,
    shape: Shape,
    clip: Clip,
    *,
    turns: Sequence[Turn] | None = None,
    captions: Mapping[str, str] | None = None,
    corrections: Mapping[str, Correction] | None = None,
) -> EditList:
    """The edit list that `clip` asks for, from frames in the order they are to be shown, all of one size.

    `turns` say which is shown when; left out, they are spread by their number. Captions and corrections are by frame.
    Raises UserError where the length and the holds don't go together.
    """
    chosen = conform(clip, len(frames)) if turns is None else turns
    fixes = corrections or {}
    whole = shape.place == Rect(0, 0, *shape.size)
    place = shape.place
    return EditList(
        clip=clip.name,
        codec=clip.codec,
        size=shape.size,
        rate=clip.rate,
        stored=stored,
        orientation=orientation,
        quality=clip.quality,
        preset=clip.preset,
        pieces=tuple(_pieces(frames, chosen, shape, captions or {}, fixes)),
        place=None if whole else (int(place.x), int(place.y), int(place.width), int(place.height)),
        bars=clip.bars.lower(),
        caption_corner=clip.burn_in_corner,
    )


def _pieces(
    frames: Sequence[str],
    turns: Sequence[Turn],
    shape: Shape,
    captions: Mapping[str, str],
    corrections: Mapping[str, Correction],
) -> Iterator[Piece]:
    crops = list(shape.crops(sum(turn.shows for turn in turns)))
    starts = accumulate((turn.shows for turn in turns), initial=0)
    for turn, start in zip(turns, starts, strict=False):
        frame, mix = frames[turn.index], None
        own = corrections.get(frame, Correction())
        if turn.share:
            other = frames[turn.index + 1]
            its = corrections.get(other, Correction())
            mix = Mix(other, turn.share, its.gain, its.shift_px)
        seen = mix.frame if mix is not None and mix.share > 0.5 else frame
        for crop, run in groupby(crops[start : start + turn.shows]):
            yield Piece(frame, len(list(run)), crop, own.gain, own.shift_px, mix, captions.get(seen, ""))


def _moved(crop: Rect, by: tuple[float, float]) -> Rect:
    return replace(crop, x=crop.x + by[0], y=crop.y + by[1])


_ADAPTER = TypeAdapter(EditList)
_PIECE = TypeAdapter(Piece)


def to_json(edit_list: EditList) -> str:
    """The edit list as indented JSON; the rate is written as a fraction such as 24000/1001.

    What a piece has nothing of (gain, shift, mix, caption) is left out.
    """
    return "".join(json_lines(edit_list)).removesuffix("\n")


def json_lines(edit_list: EditList) -> Iterator[str]:
    """The same in lines, with an end to the last."""
    plain = _ADAPTER.dump_python(replace(edit_list, pieces=(Piece("", 1, Rect(0, 0, 1, 1)),)), mode="json")
    (neutral,) = plain.pop("pieces")
    head = {"version": plain.pop("version"), **plain}
    yield "{\n"
    yield from (f" {json.dumps(key)}: {json.dumps(value, ensure_ascii=False)},\n" for key, value in head.items())
    between = ' "pieces": [\n'
    for piece in edit_list.pieces:
        fields = _PIECE.dump_python(piece, mode="json").items()
        said = {key: value for key, value in fields if key in ("frame", "shows", "crop") or value != neutral[key]}
        yield f"{between}  {json.dumps(said, ensure_ascii=False)}"
        between = ",\n"
    yield "\n ]\n}\n"


def from_json(text: str) -> EditList:
    """The edit list that `to_json` wrote, or that a person changed by hand. Raises UserError."""
    try:
        plain = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise UserError(f"not an edit list: the text: {error}") from error
    version = plain.get("version", VERSION) if isinstance(plain, dict) else VERSION
    if version != VERSION:
        raise UserError(
            f"an edit list of version {version!r}, and this lapsed reads version {VERSION}; use the newer one"
        )
    try:
        edit_list = _ADAPTER.validate_json(text)
    except ValidationError as error:
        raise UserError(f"not an edit list: {refusal.first(error, 'the text')}") from error
    for place, wrong in _faults(edit_list):
        raise UserError(f"not an edit list that can be stitched: {place}: {wrong}")
    return edit_list


def _faults(edit_list: EditList) -> Iterator[tuple[str, str]]:
    """What no single value shows: the first that is wrong is enough."""
    width, height = edit_list.size
    if edit_list.codec != "master" and (width % 2 or height % 2):
        yield "size", f"{width}x{height} is not even on both sides"
    if edit_list.place is not None:
        x, y, wide, high = edit_list.place
        if x < 0 or y < 0 or x % 2 or y % 2 or x + wide > width or y + high > height:
            yield "place", f"{wide}x{high} at {x}, {y} is not on even pixels within the {width}x{height} of the clip"
    frame = turned(edit_list.stored, edit_list.orientation)
    for number, piece in enumerate(edit_list.pieces):
        for name in (piece.frame, *((piece.mix.frame,) if piece.mix is not None else ())):
            path = PurePosixPath(name)
            if path.is_absolute() or ".." in path.parts or not path.parts or "\0" in name:
                yield f"pieces.{number}.frame", f"{name!r} is not the name of a file in the folder of frames"
        crop = piece.crop
        if not _inside(crop, frame):
            part = f"{crop.width:g}x{crop.height:g} at {crop.x:g}, {crop.y:g}"
            yield f"pieces.{number}.crop", f"{part} is not within the frame's {frame[0]}x{frame[1]}"


def _inside(crop: Rect, frame: tuple[int, int]) -> bool:
    slack = 0.01  # what rounding in JSON may cost
    return (
        crop.width >= 1
        and crop.height >= 1
        and crop.x >= -slack
        and crop.y >= -slack
        and crop.x + crop.width <= frame[0] + slack
        and crop.y + crop.height <= frame[1] + slack
    )
