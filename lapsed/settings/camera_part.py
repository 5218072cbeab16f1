"""What every camera has, whatever its kind."""

from typing import Annotated, Literal

from pydantic import Field

from lapsed.settings.base import Name, Part, PositiveS


class CameraPart(Part):
    """What every camera has, whatever its kind."""

    name: Name = Field("main", description="also the name of its folder in the take")
    exposure_s: Annotated[float, Field(gt=0, le=60)] = Field(
        0.25, description="the shutter time set on the camera; deadlines are reckoned from it"
    )
    expose_within_s: PositiveS = Field(
        6.0, description="from the order to the closed shutter, past which the shot is missed and the worker ended"
    )
    fetch_within_s: PositiveS = Field(
        20.0, description="from the closed shutter to the safe file, past which the worker is ended"
    )
    ready_within_s: PositiveS = Field(20.0, description="how long finding and opening the camera may take")
    mains_hz: Literal[50, 60] | None = Field(
        None, description="frequency of the mains that the lamps hang on, for the check of flicker; left out, both"
    )
    required: bool = Field(
        True, description="false for a second camera that does its best: its failures never hold the print"
    )

    @property
    def least_s(self) -> float:
        """The least time from the order to the closed shutter."""
        return self.exposure_s
