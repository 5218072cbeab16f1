"""Cameras of which a moving picture is seen: a capture device, or a stream on the network."""

from typing import Annotated, Literal

from pydantic import Field

from lapsed.settings.base import PositiveS, address, form
from lapsed.settings.camera_part import CameraPart

LagS = Annotated[float, Field(ge=0, le=10)]
SidePx = Annotated[int, Field(ge=16, le=16_384)]
Averaged = Annotated[int, Field(ge=1, le=64)]


class CaptureCamera(CameraPart):
    """A capture device: a webcam, or a stick that takes a camera's HDMI picture (Video4Linux)."""

    kind: Literal["capture"]
    device: Annotated[str, form(r"/.*", "a device: its name begins with /, such as /dev/video0")] = Field(
        "/dev/video0", description="best by its name in /dev/v4l/by-id, which stays the same"
    )
    exposure_s: Annotated[float, Field(gt=0, le=60)] = Field(
        0.02, description="shutter time, set on the device where it has such a control"
    )
    size_px: tuple[SidePx, SidePx] | None = Field(
        None, description="left out, the largest picture that the bus carries"
    )
    pixels: Annotated[str, form(r"[ -~]{4}", 'a pixel format: four characters, such as "MJPG"')] | None = Field(
        None, description='pixel format by its four characters, such as "MJPG" or "YUYV"; left out, chosen by rule'
    )
    least_fps: Annotated[float, Field(gt=0, le=240)] = Field(
        5.0, description="slower than this a raw picture is not chosen before a compressed one of its size"
    )
    lag_s: LagS = Field(
        0.2, description="how late the stream shows the scene: about 0 for a webcam, 0.1 to 0.3 through HDMI"
    )
    warm_up_s: LagS = Field(1.0, description="how long it runs before the first frame counts, after a pause as well")
    standby_s: PositiveS = Field(300.0, description="after so long without a shot the device is let rest")
    average: Averaged = Field(1, description="frames averaged for one picture: four halve the noise")
    raw_as: Literal["png", "jpg"] = Field(
        "png", description="what uncompressed pictures are written as; png loses nothing"
    )
    manual: bool = Field(True, description="false leaves the device's automatic exposure and white balance on")
    white_balance_k: Annotated[int, Field(ge=1000, le=15_000)] | None = Field(
        None, description="colour temperature; left out, it stays where it was when automatic was turned off"
    )
    gain: int | None = Field(None, description="in the device's own steps")
    focus: int | None = Field(None, description="likewise; turns automatic focus off")
    stills_megapixels: Annotated[float, Field(gt=0, le=1000)] | None = Field(
        None, description="what the camera behind the device takes by itself; `check` then says what the stream loses"
    )

    @property
    def least_s(self) -> float:
        """The scene of the order has to come through the stream."""
        return self.lag_s + self.exposure_s


class StreamCamera(CameraPart):
    """A camera that sends a stream by the network: MJPEG over HTTP, or RTSP."""

    kind: Literal["stream"]
    url: Annotated[str, address("rtsp", "rtsps", "http", "https")] = Field(
        description="rtsp://, rtsps://, http:// or https:// address of the stream"
    )
    exposure_s: Annotated[float, Field(gt=0, le=60)] = Field(0.02, description="shutter time set on the camera")
    lag_s: LagS = Field(
        0.8, description="how late the stream shows the scene; film a clock beside its own picture to measure it"
    )
    ca_file: str | None = Field(None, description="certificate (PEM) that https and rtsps are verified against")
    connect_within_s: PositiveS = Field(5.0, description="how long the camera may take to answer")
    silent_after_s: PositiveS = Field(5.0, description="a stream that sends nothing for so long is opened anew")
    picture_as: Literal["png", "jpg"] = Field(
        "png", description="what pictures of a stream other than MJPEG are written as; MJPEG stays as it came"
    )
    stills_megapixels: Annotated[float, Field(gt=0, le=1000)] | None = Field(
        None, description="what the camera takes as stills; `check` then says what the stream loses"
    )

    @property
    def least_s(self) -> float:
        """The scene of the order has to come through the stream."""
        return self.lag_s + self.exposure_s
