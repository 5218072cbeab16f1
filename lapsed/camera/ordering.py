"""What is known of one camera's orders, what happens to them, and what the keeper is to do: plain values."""

from dataclasses import dataclass, field
from enum import StrEnum

from lapsed.camera.supply import Supply
from lapsed.camera.wire import Inspect, Inspected, Message, Order
from lapsed.model import CameraEvent, CameraTold
from lapsed.settings import CameraPart


class Phase(StrEnum):
    """What the worker is at."""

    AWAY = "away"  # there is none; `until_s` is when the next is started
    OPENING = "opening"  # finding and opening its camera
    IDLE = "idle"
    INSPECTING = "inspecting"  # it looks its camera over; orders wait
    EXPOSING = "exposing"  # it was given `current`, and the shutter has not closed yet
    FETCHING = "fetching"  # the shutter of `current` has closed
    ENDING = "ending"  # it was killed and is not yet gone
    SWITCHING = "switching"  # there is none: the camera's power is being switched off and on


@dataclass(frozen=True, slots=True)
class State:
    """Everything known about one camera's orders and worker.

    `until_s` is when the phase has lasted too long. `lost` is an order that a worker died of; it has one more try.
    `failures` counts ends of workers in a row, `told` is the last news of the camera. Orders are taken while `open`.
    `asked` is true while someone waits to have the camera looked over, `hears` where Plugged tells what is plugged in.
    """

    part: CameraPart
    open: bool = False
    phase: Phase = Phase.AWAY
    until_s: float = 0.0
    current: Order | None = None
    released: bool = False
    lost: Order | None = None
    waiting: tuple[Order, ...] = ()
    failures: int = 0
    told: CameraTold | None = None
    asked: bool = False
    hears: bool = False
    supply: Supply = field(default_factory=Supply)


@dataclass(frozen=True, slots=True)
class Open:
    """From now on the camera is looked after; Plugged will tell of it if it `hears`."""

    hears: bool = False


@dataclass(frozen=True, slots=True)
class Close:
    """No further order is begun and no worker started."""


@dataclass(frozen=True, slots=True)
class Ordered:
    """A frame is wanted."""

    order: Order


@dataclass(frozen=True, slots=True)
class Asked:
    """The camera is to be looked over, once no order waits."""


@dataclass(frozen=True, slots=True)
class Heard:
    """The worker said this."""

    message: Message


@dataclass(frozen=True, slots=True)
class Ended:
    """The worker's process is gone; `how` is the end of the sentence "the worker ..."."""

    how: str


@dataclass(frozen=True, slots=True)
class Crowded:
    """No worker was started, as many others are starting."""


@dataclass(frozen=True, slots=True)
class Print:
    """Whether a print is filmed now, and whether a shot of it is under way."""

    filming: bool
    shooting: bool


@dataclass(frozen=True, slots=True)
class Switched:
    """The power was switched, or why it was not."""

    trouble: str | None


@dataclass(frozen=True, slots=True)
class Plugged:
    """Something was plugged into the computer, which may be the camera."""


@dataclass(frozen=True, slots=True)
class Passed:
    """Time went by."""


Event = Open | Close | Ordered | Asked | Heard | Ended | Crowded | Print | Switched | Plugged | Passed


@dataclass(frozen=True, slots=True)
class Start:
    """Start a worker."""


@dataclass(frozen=True, slots=True)
class Send:
    """Give this to the worker."""

    message: Order | Inspect


@dataclass(frozen=True, slots=True)
class Kill:
    """End the worker with SIGKILL."""


@dataclass(frozen=True, slots=True)
class Switch:
    """Have the camera's power switched off and on; answered by Switched."""


@dataclass(frozen=True, slots=True)
class Emit:
    """Tell this to whoever watches the camera, or has asked to have it looked over."""

    event: CameraEvent | Inspected


Action = Start | Send | Kill | Switch | Emit
