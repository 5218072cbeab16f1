"""The cameras, one class for each kind."""

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


class GphotoCamera(CameraPart):
    """A still camera on USB, through libgphoto2."""

    kind: Literal["gphoto"] = "gphoto"
    serial: str | None = Field(None, description="serial number, to find it again; needed with more than one camera")
    keep_on_card: bool = Field(False, description="true leaves a copy on the camera's card as well")
    settings: dict[str, str] = Field(
        default_factory=dict, description="libgphoto2 settings set when it is opened, such as iso = '100'"
    )
    require_manual: bool = Field(True, description="refuse a camera that tells its exposure is not manual")


class SceneCamera(CameraPart):
    """The simulator's camera: it draws what a camera on a tripod beside the simulated machine would see."""

    kind: Literal["scene"]
    url: Annotated[str, Field(pattern=r"^ws://")] = Field(description="ws:// address of the simulated host")
    width_px: Annotated[int, Field(ge=64, le=12_000)] = Field(4320, description="smaller draws faster")
    height_px: Annotated[int, Field(ge=64, le=12_000)] = Field(2880, description="likewise")


Camera = Annotated[GphotoCamera | SceneCamera, Field(discriminator="kind")]
