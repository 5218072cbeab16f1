"""The clips, and when they are stitched."""

import re
from fractions import Fraction
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from lapsed.settings.base import Name, Part, PositiveS, Rate, Share, form

CodecName = Literal["master", "h264", "h265", "av1", "prores", "dnxhr", "dnxhr-hqx", "preview"]
_Seconds = Annotated[float, Field(ge=0, le=600)]
_Zoom = Annotated[float, Field(ge=1, le=20)]
Corner = Literal["top left", "top right", "bottom left", "bottom right"]


def _aspect(text: str) -> str:
    width, _, height = text.partition(":")
    if not re.fullmatch(r"\d{1,4}:\d{1,4}", text) or not 1 <= 20 * int(width) <= 400 * int(height) <= 160_000 * int(
        width
    ):
        raise ValueError(f"{text!r} is not an aspect: write width and height as in 9:16")
    return text


def _sides(size: tuple[int, int]) -> tuple[int, int]:
    # 4:2:0 sampling halves both sides (ITU-T H.264, 6.2).
    if any(side % 2 or not 16 <= side <= 16_384 for side in size):
        raise ValueError(f"{size[0]}x{size[1]} can't be a clip's size: both sides are even numbers from 16 to 16384")
    return size


Aspect = Annotated[str, AfterValidator(_aspect)]
Size = Annotated[tuple[int, int], AfterValidator(_sides)]
Colour = Annotated[str, form(r"#[0-9a-fA-F]{6}", "a colour; write it like #203040")]


class Clip(Part):
    """One clip that is stitched from a take."""

    name: Name = Field(description="also the name of its file")
    codec: CodecName = Field(
        "h264",
        description="'master' carries the camera's files over untouched; 'h264', 'h265' and 'av1' are for players, "
        "'prores', 'dnxhr' and 'dnxhr-hqx' for editing; 'preview' is a small moving picture for a quick look",
    )
    size_px: Size | None = Field(None, description="width and height; left out, the frame's own")
    aspect: Aspect | None = Field(
        None, description="width to height, such as '9:16', in place of size_px: as many pixels as the frames give"
    )
    fill: bool = Field(True, description="true crops what is too wide or too tall; false shows all of it, with bars")
    bars: Colour = Field("#000000", description="the colour of the bars")
    focus: tuple[Share, Share] = Field(
        (0.5, 0.5), description="the spot that cropping keeps, as shares of width and height from the top left"
    )
    zoom: _Zoom = Field(1.0, description="how many times narrower than the largest the crop is")
    end_focus: tuple[Share, Share] | None = Field(
        None, description="the focus at the end of the clip, if it is to move there slowly"
    )
    end_zoom: _Zoom | None = Field(None, description="the zoom at the end of the clip, if it is to get there slowly")
    rate: Rate = Field(Fraction(25), description="frames a second")
    length_s: PositiveS | None = Field(None, description="wished length; left out, each frame is shown once")
    hold_start_s: _Seconds = Field(0.0, description="how long the first frame stands")
    hold_end_s: _Seconds = Field(1.0, description="how long the finished part stands")
    ease_in_s: _Seconds = Field(0.0, description="how long the motion takes to come up to speed")
    ease_out_s: _Seconds = Field(0.0, description="how long it takes to slow down before the end")
    spread: Literal["shots", "height", "time"] = Field(
        "shots", description="what passes evenly: shots, the height of the print, or the time it took"
    )
    every_frame: bool = Field(False, description="true shows each frame at least once, or says that they don't fit")
    choose: Literal["even", "sharpest"] = Field(
        "even", description="which frames are shown where there are too many: evenly, or the sharpest around each place"
    )
    between: Literal["hold", "dissolve"] = Field(
        "hold", description="where there are too few frames, each stands still or dissolves into the next"
    )
    burn_in: tuple[Literal["layer", "height", "elapsed"], ...] = Field(
        (), description="what is written into the picture: layer, height, time since the first shot"
    )
    burn_in_corner: Corner = Field("bottom left", description="where it is written")
    enlarge: bool = Field(False, description="true allows a clip larger than the frames; it gains no detail")
    even: Literal[True, False, "colour"] = Field(
        True,
        description="true takes flicker out of the brightness; 'colour' does so for red, green and blue each, where "
        "lamps drift in colour; false leaves the light as it was shot",
    )
    steady: bool = Field(True, description="true moves frames back that stand off, as after a bump of the tripod")
    quality: Annotated[int, Field(ge=1, le=51)] = Field(
        18,
        description="constant rate factor: less is better and larger, 18 is hard to tell from the frames; codecs for "
        "editing have a quality of their own",
    )
    preset: Literal["ultrafast", "veryfast", "fast", "medium", "slow"] = Field(
        "medium", description="how long the encoder thinks; faster presets make larger files"
    )

    @property
    def aspect_ratio(self) -> tuple[int, int] | None:
        """`aspect` as two numbers."""
        if self.aspect is None:
            return None
        width, height = self.aspect.split(":")
        return int(width), int(height)

    @model_validator(mode="after")
    def _shape_is_said_once(self) -> Self:
        if self.size_px is not None and self.aspect is not None:
            raise ValueError("size_px and aspect both say the shape; leave one of them out")
        return self

    @model_validator(mode="after")
    def _conform_goes_together(self) -> Self:
        if self.every_frame and self.between == "dissolve":
            raise ValueError("a dissolve passes through frames between output frames; leave every_frame out")
        return self

    @model_validator(mode="after")
    def _master_is_untouched(self) -> Self:
        if self.codec != "master":
            return self
        if self.size_px is not None:
            raise ValueError("a master keeps the frame's size; leave size_px out")
        fields = type(self).model_fields
        for name in ("aspect", "fill", "zoom", "end_focus", "end_zoom", "between", "burn_in"):
            if getattr(self, name) != fields[name].default:
                raise ValueError(f"a master carries the camera's files untouched; leave {name} out")
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
