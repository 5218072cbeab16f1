"""The cameras, one class for each kind; the kinds without a cable for data stand in files of their own."""

from typing import Annotated, Literal

from pydantic import Field

from lapsed.settings.base import Name, Part, address
from lapsed.settings.camera_part import CameraPart
from lapsed.settings.capture import CaptureCamera, StreamCamera
from lapsed.settings.release_line import ReleaseCamera
from lapsed.settings.requested import CommandCamera, UrlCamera


class Reading(Part):
    """A figure that a `gphoto` camera tells among its settings, such as its heat, which no standard has a name for."""

    entry: Annotated[str, Field(min_length=1)] = Field(
        description="what libgphoto2 calls it for this camera; for a wrong name the message lists those that there are"
    )
    name: Name = Field(description="what to call it, such as temperature")
    unit: str = Field("", description="its unit, such as °C")


class GphotoCamera(CameraPart):
    """A still camera on USB, through libgphoto2."""

    kind: Literal["gphoto"] = "gphoto"
    serial: str | None = Field(None, description="serial number, to find it again; needed with more than one camera")
    keep_on_card: bool = Field(False, description="true leaves a copy on the camera's card as well")
    settings: dict[str, str] = Field(
        default_factory=dict, description="libgphoto2 settings set when it is opened, such as iso = '100'"
    )
    reading: tuple[Reading, ...] = Field(
        (), description="figures that are looked at each minute, told beside the camera and journaled"
    )
    require_manual: bool = Field(True, description="refuse a camera that tells its exposure is not manual")


class SceneCamera(CameraPart):
    """The simulator's camera: it draws what a camera on a tripod beside the simulated machine would see."""

    kind: Literal["scene"]
    url: Annotated[str, address("ws")] = Field(description="ws:// address of the simulated host")
    width_px: Annotated[int, Field(ge=64, le=12_000)] = Field(4320, description="smaller draws faster")
    height_px: Annotated[int, Field(ge=64, le=12_000)] = Field(2880, description="likewise")


Camera = Annotated[
    GphotoCamera | ReleaseCamera | CaptureCamera | StreamCamera | UrlCamera | CommandCamera | SceneCamera,
    Field(discriminator="kind"),
]
