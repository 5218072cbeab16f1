"""What is looked for in the frames before they are stitched, and how far they may be corrected."""

from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from lapsed.settings.base import Part, Share


def _region(value: tuple[float, float, float, float]) -> tuple[float, float, float, float]:
    left, top, right, bottom = value
    if left >= right or top >= bottom:
        raise ValueError("a region is left, top, right and bottom as shares of the picture, such as [0.1, 0.2, 0.9, 1]")
    return value


Region = Annotated[tuple[Share, Share, Share, Share], AfterValidator(_region)]

Fault = Literal["broken", "black", "repeated", "stranger", "exposure", "soft", "dropped"]
"""What may be wrong with a frame; `stranger` is something that neither neighbour shows."""

Droppable = Literal["black", "repeated", "stranger", "exposure", "soft"]


class Judge(Part):
    """How frames are judged, evened out and held steady."""

    on: bool = Field(
        True,
        description="false looks at no frame before stitching; then nothing is evened or steadied, and left out is "
        "only what can't be used or is dropped by hand",
    )
    leave_out: tuple[Droppable, ...] = Field(
        ("black", "repeated"),
        description="faults that keep a frame out of the clips unasked, as long as few frames have them; what else is "
        "found is only proposed",
    )
    region: Region = Field(
        (0.0, 0.0, 1.0, 1.0),
        description="where light and sharpness are measured: left, top, right and bottom as shares of the picture; "
        "leave out a window or a screen that changes by itself",
    )
    even_span_frames: Annotated[int, Field(ge=5, le=999)] = Field(
        49, description="light that changes over more frames than these is real and stays; more frames hold it steadier"
    )
    even_limit_ev: Annotated[float, Field(gt=0, le=1)] = Field(0.5, description="the most that a frame is evened by")
    steady_region: Region = Field(
        (0.0, 0.0, 1.0, 1.0),
        description="what is to stand still: the bed where it moves against the room, the whole picture otherwise",
    )
    steady_limit: Annotated[float, Field(gt=0, le=0.2)] = Field(
        0.03, description="the most that a frame is moved, as a share of the longer side; it bounds what the crop loses"
    )
