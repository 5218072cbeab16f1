"""The clips, and when they are stitched."""

from fractions import Fraction
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from lapsed.settings.base import Name, Part, PositiveS, Rate, Share

CodecName = Literal["master", "h264", "h265", "av1", "prores", "dnxhr", "dnxhr-hqx", "preview"]


class Clip(Part):
    """One clip that is stitched from a take."""

    name: Name = Field(description="also the name of its file")
    codec: CodecName = Field(
        "h264",
        description="'master' carries the camera's files over untouched; 'h264', 'h265' and 'av1' are for players, "
        "'prores', 'dnxhr' and 'dnxhr-hqx' for editing; 'preview' is a small moving picture for a quick look",
    )
    size_px: tuple[int, int] | None = Field(None, description="width and height; left out, the frame's own")
    focus: tuple[Share, Share] = Field(
        (0.5, 0.5), description="the spot that cropping keeps, as shares of width and height from the top left"
    )
    rate: Rate = Field(Fraction(25), description="frames a second")
    length_s: PositiveS | None = Field(None, description="wished length; left out, each frame is shown once")
    hold_start_s: Annotated[float, Field(ge=0, le=600)] = Field(0.0, description="how long the first frame stands")
    hold_end_s: Annotated[float, Field(ge=0, le=600)] = Field(1.0, description="how long the finished part stands")
    enlarge: bool = Field(False, description="true allows a clip larger than the frames; it gains no detail")
    quality: Annotated[int, Field(ge=0, le=51)] = Field(
        18,
        description="constant rate factor: less is better and larger, 18 is hard to tell from the frames; codecs for "
        "editing have a quality of their own",
    )
    preset: Literal["ultrafast", "veryfast", "fast", "medium", "slow"] = Field(
        "medium", description="how long the encoder thinks; faster presets make larger files"
    )

    @model_validator(mode="after")
    def _size_is_even(self) -> Self:
        # 4:2:0 sampling halves both sides (ITU-T H.264, 6.2).
        if self.size_px is not None and any(side % 2 or not 16 <= side <= 16_384 for side in self.size_px):
            raise ValueError("size_px takes two even numbers from 16 to 16384")
        if self.codec == "master" and self.size_px is not None:
            raise ValueError("a master keeps the frame's size; leave size_px out")
        return self


DEFAULT_CLIPS = (
    Clip(name="master", codec="master"),
    Clip(name="wide", size_px=(3840, 2160)),
)


class Stitch(Part):
    """When and where clips are made."""

    when: Literal["idle", "never"] = Field(
        "idle", description="'idle' stitches after a take, once no printer prints; 'never' leaves it to the command"
    )
