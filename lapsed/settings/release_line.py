"""A camera that is fired through the contacts of its wired remote."""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from lapsed.settings.base import PositiveS
from lapsed.settings.camera_part import CameraPart

Line = Literal["rts", "dtr"]
ShortS = Annotated[float, Field(ge=0, le=10)]


class ReleaseCamera(CameraPart):
    """A release line: two control lines of a USB-serial adapter close the remote's contacts through optocouplers.

    Its pictures stay on the camera's card until they are ingested.
    """

    kind: Literal["release"]
    port: Annotated[str, Field(min_length=1)] = Field(
        description="the adapter's device, best by its name in /dev/serial/by-id, which stays the same"
    )
    shutter: Line = Field("rts", description="the control line that closes the shutter contact")
    focus: Line | Literal["none"] = Field("dtr", description="the one of the focus contact, where that is wired")
    inverted: tuple[Line, ...] = Field(
        (), description="lines whose contact is closed while they are not asserted, so with the port closed as well"
    )
    require_both: bool = Field(
        False, description="true where the wiring fires only with both lines active, for adapters that raise one"
    )
    half_press_s: ShortS = Field(0.3, description="how long the focus contact is closed before the shutter's")
    full_press_s: Annotated[float, Field(gt=0, le=10)] = Field(
        0.2, description="how long the shutter contact is closed; the least that cameras heed is 0.02 to 0.1 s"
    )
    release_lag_s: ShortS = Field(
        0.15, description="from the closed contact to the open shutter, with manual focus; nothing tells but a test"
    )
    margin_s: ShortS = Field(0.1, description="added to lag and exposure before the shutter counts as closed")
    keep_awake_s: PositiveS | None = Field(
        None, description="a half-press after so long without one, for a camera that falls asleep"
    )

    sync_shots: bool = Field(
        False,
        description="true takes four shots at odd gaps at both ends of a take, to match evenly spaced photos by",
    )

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.focus == self.shutter:
            raise ValueError(f"focus and shutter are both {self.shutter!r}; each contact has a line of its own")
        if self.require_both and self.focus == "none":
            raise ValueError("require_both needs the second line: name it as focus")
        if self.keep_awake_s is not None and self.focus == "none":
            raise ValueError("keep_awake_s half-presses, which needs the focus line")
        if self.least_s >= self.expose_within_s:
            raise ValueError(
                f"presses, lag, exposure and margin take {self.least_s:g} s together, and expose_within_s allows"
                f" {self.expose_within_s:g}; raise it"
            )
        return self

    @property
    def least_s(self) -> float:
        """Half-press, lag, exposure and margin: the clock is all that tells of the closed shutter."""
        held_s = max(self.full_press_s, self.release_lag_s + self.exposure_s + self.margin_s)
        return (0.0 if self.focus == "none" else self.half_press_s) + held_s
