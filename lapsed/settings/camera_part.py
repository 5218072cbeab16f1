"""What every camera has, whatever its kind."""

from typing import Annotated, Literal

from pydantic import Field

from lapsed.settings.base import Name, Part, PositiveS


class Power(Part):
    """How a camera's supply is switched off and on again, for one that starting anew doesn't bring back.

    It is done while a print is filmed, and never while a shot is under way.
    """

    argv: tuple[Annotated[str, Field(min_length=1)], ...] = Field(
        min_length=1,
        description="the program that switches off, waits, and switches on again, and its arguments; no shell",
    )
    within_s: PositiveS = Field(
        30.0, description="past this it is ended, maybe with the camera off; cues that fall into its run are missed"
    )
    after_failures: Annotated[int, Field(ge=1, le=100)] = Field(
        3, description="after so many starts of its worker that failed, or shots that it hung in, one after another"
    )
    every_s: PositiveS = Field(120.0, description="the least time between two tries; longer than the camera starts up")
    most: Annotated[int, Field(ge=1, le=100)] = Field(3, description="tries in one print; then it is left alone")


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
    power: Power | None = Field(
        None, description="a program of yours that switches its supply; left out, that is never done"
    )

    @property
    def least_s(self) -> float:
        """The least time from the order to the closed shutter."""
        return self.exposure_s
