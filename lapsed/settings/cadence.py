"""The rule that says where frames are wanted."""

from fractions import Fraction
from typing import Annotated, ClassVar, Literal, Self

from pydantic import Field, model_validator

from lapsed.settings.base import Part, PositiveMm, PositiveS, Rate


class Cadence(Part):
    """The rule that turns layer changes, heights or time into cues; give one of every_* and length_s.

    Cue lines of a marked file always work, and from the first of them on they alone count.
    """

    every_layers: Annotated[int, Field(ge=1, le=100_000)] | None = Field(None, description="a frame every n-th layer")
    every_mm: PositiveMm | None = Field(None, description="a frame each so much height, for spiral prints")
    every_s: PositiveS | None = Field(None, description="a frame each so many seconds, layers or not")
    length_s: PositiveS | None = Field(
        None,
        description="as many frames as a clip of this length needs, one shot each; how long a clip's first and last "
        "frame stand (hold_start_s, hold_end_s) and a last_frame come on top",
    )
    rate: Rate = Field(Fraction(25), description="frame rate that length_s is reckoned with")
    spread: Literal["height", "time"] = Field(
        "height", description="what length_s is even in, where the printed file is at hand and tells both"
    )
    fill: Literal["hold", "between"] = Field(
        "hold",
        description="what is done where length_s needs more frames than there are layers: 'hold' shoots each layer and "
        "leaves it to the clip to show frames longer; 'between' has the clock make up for them, and such a shot stops "
        "the nozzle in the middle of a layer, which may leave a mark on the part",
    )
    last_frame: bool = Field(
        True,
        description="one more frame when the host says that the print is finished: the whole part, the head where "
        "the file has sent it. Marked files bring a last shot of their own; prints that were broken off get none",
    )
    cue_lines_only: bool = Field(False, description="true where only marked files are to be filmed")
    hold_limit_s: Annotated[float, Field(ge=1, le=120)] = Field(
        12.0, description="the longest a shot may keep the print waiting, from hold to going on"
    )
    park: bool = Field(True, description="false shoots without holding the print or moving the head")
    one_after_another: bool = Field(
        True,
        description="false if you never print objects one after another: then a print joined late or heard again after "
        "a gap needs no travel above all that might have been finished meanwhile",
    )

    rules: ClassVar[tuple[str, ...]] = ("every_layers", "every_mm", "every_s", "length_s")

    @model_validator(mode="after")
    def _one_rule(self) -> Self:
        given = [name for name in self.rules if getattr(self, name) is not None]
        if len(given) > 1:
            raise ValueError(f"{' and '.join(given)} are two rules; keep one")
        if self.cue_lines_only and given:
            raise ValueError(f"cue_lines_only leaves no room for {given[0]}")
        if not given and not self.cue_lines_only:
            raise ValueError(f"give one of {', '.join(self.rules)}, or cue_lines_only = true")
        return self
