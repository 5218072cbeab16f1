"""The values that pass between the parts: what the host tells, what is decided, what became of it.

Everything here is frozen and knows no clock, file or socket. Lengths are millimetres, times are seconds on the
monotonic clock unless a name says otherwise, feed rates are millimetres a minute as in G-code.
"""

from dataclasses import dataclass, field
from enum import StrEnum

# --------------------------------------------------------------------------------------------- the machine


@dataclass(frozen=True, slots=True)
class Position:
    """Where the head is and how much filament has gone through it, in the G-code's own coordinates, mm."""

    x: float
    y: float
    z: float
    e: float


@dataclass(frozen=True, slots=True)
class Motion:
    """All that must be known to leave a spot and come back to it exactly.

    `absolute` is G90 (else G91), `absolute_extrusion` is M82 (else M83). `retracted` says whether a firmware
    retraction (G10) is in force, None where the host doesn't tell.
    """

    position: Position
    feed_mm_min: float
    absolute: bool
    absolute_extrusion: bool
    retracted: bool | None = None


@dataclass(frozen=True, slots=True)
class Block:
    """A park written out as G-code.

    `leave` takes the head to the park point, `come_back` undoes all of it. Both are absolute, so running either twice
    does no more than running it once. `leave_s` and `come_back_s` are their expected motion times.
    """

    leave: tuple[str, ...]
    come_back: tuple[str, ...]
    leave_s: float
    come_back_s: float


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why a park is not safe here, as a sentence for the journal."""

    reason: str


# ------------------------------------------------------------------------------------------ what the host says


@dataclass(frozen=True, slots=True)
class PrintInfo:
    """What the host tells about the print that is running; anything but the name may be unknown.

    `identity` tells this run of the file from another run of it, where the host gives such a thing. `height_mm` is the
    height of the finished print, `expected_s` its expected duration.
    """

    name: str
    identity: str | None = None
    layers: int | None = None
    height_mm: float | None = None
    expected_s: float | None = None


@dataclass(frozen=True, slots=True)
class Forecast:
    """What the printed file tells beforehand: seconds of motion in all, and of each layer when it begins and how high.

    `laid_s` is when the last layer is complete, after which a file may still dwell and move away. `climbed_mm` is the
    height built up to each layer, counted on through objects finished one after another. There is at least one layer.
    """

    print_s: float
    laid_s: float
    begins_s: tuple[float, ...]
    heights_mm: tuple[float, ...]
    climbed_mm: tuple[float, ...]
    objects: int = 1


class Outcome(StrEnum):
    """How a print or its take ended."""

    FINISHED = "finished"
    CANCELLED = "cancelled"
    FAILED = "failed"
    LOST = "lost"  # we stopped seeing it: the host never came back, or the daemon was stopped


@dataclass(frozen=True, slots=True)
class LinkUp:
    """The host can be heard; `gap_s` is how long it could not, None at first contact."""

    gap_s: float | None = None


@dataclass(frozen=True, slots=True)
class LinkDown:
    """The host can't be heard any more."""

    reason: str


@dataclass(frozen=True, slots=True)
class PrintStarted:
    """The host prints. `joined` is true if it was already printing when we first looked after (re)connecting."""

    print: PrintInfo
    joined: bool = False


@dataclass(frozen=True, slots=True)
class PrintTold:
    """The host said more about the running print than it had before."""

    print: PrintInfo


@dataclass(frozen=True, slots=True)
class PrintPaused:
    """The print waits. `held` is true where the host's word for it is the one that our own hold brings about."""

    held: bool = False


@dataclass(frozen=True, slots=True)
class PrintResumed:
    """The print goes on after a pause or a hold; `reason` where it is known and not ours."""

    reason: str = "the print was let go on by someone else"


@dataclass(frozen=True, slots=True)
class PrintEnded:
    """The print is over."""

    outcome: Outcome
    detail: str = ""


@dataclass(frozen=True, slots=True)
class LayerSeen:
    """The host names a layer, counted as it counts; the height of it in mm where told. May repeat or jump."""

    layer: int
    height_mm: float | None = None


@dataclass(frozen=True, slots=True)
class HeightSeen:
    """Material was laid at this height, mm."""

    height_mm: float


@dataclass(frozen=True, slots=True)
class ProgressSeen:
    """How much of the print is done, 0 to 1."""

    fraction: float


@dataclass(frozen=True, slots=True)
class MotionSeen:
    """The host told where the head is and in which modes."""

    motion: Motion


@dataclass(frozen=True, slots=True)
class ConsoleSeen:
    """A line on the host's console."""

    line: str


HostEvent = (
    LinkUp
    | LinkDown
    | PrintStarted
    | PrintTold
    | PrintPaused
    | PrintResumed
    | PrintEnded
    | LayerSeen
    | HeightSeen
    | ProgressSeen
    | MotionSeen
    | ConsoleSeen
)

# ------------------------------------------------------------------------------------------------- cues and shots


class Why(StrEnum):
    """What made a cue."""

    LAYER = "layer"
    HEIGHT = "height"
    TIME = "time"
    LINE = "cue line"
    HAND = "by hand"
    SIGNAL = "signal"
    END = "end of print"


@dataclass(frozen=True, slots=True)
class Cue:
    """The decision that a frame is wanted here; `number` counts from 1 within a take and never falls."""

    number: int
    why: Why
    decided_s: float
    layer: int | None = None
    height_mm: float | None = None


class Step(StrEnum):
    """The stations of a shot, in the order they are passed; RELEASED to LANDED are each camera's own."""

    CUED = "cued"
    HELD = "held"
    PARKED = "parked"
    ORDERED = "ordered"
    RELEASED = "released"
    EXPOSED = "exposed"
    LANDED = "landed"
    RETURNED = "returned"
    RESUMED = "resumed"


@dataclass(frozen=True, slots=True)
class Released:
    """The order to expose left for the camera."""

    shot: int
    camera: str
    at_s: float


@dataclass(frozen=True, slots=True)
class Exposed:
    """The shutter has closed; the head may go."""

    shot: int
    camera: str
    at_s: float


@dataclass(frozen=True, slots=True)
class Landed:
    """The files of a shot are complete, fsynced and renamed in the take's folder; names relative to it."""

    shot: int
    camera: str
    at_s: float
    files: tuple[str, ...]
    size_bytes: int


@dataclass(frozen=True, slots=True)
class OnCard:
    """The picture of a shot stays on the camera's card, where nobody can look: it lands when the card is ingested."""

    shot: int
    camera: str
    at_s: float


@dataclass(frozen=True, slots=True)
class Missed:
    """A shot of this camera has no picture, and why."""

    shot: int
    camera: str
    at_s: float
    reason: str


@dataclass(frozen=True, slots=True)
class CameraTold:
    """News of a camera that belongs to no shot: it is ready, it went away, its battery is lower.

    `charge_percent` is what is left in its battery and `card_mb` the room on its card, where it tells.
    """

    camera: str
    ready: bool
    text: str
    charge_percent: int | None = None
    card_mb: float | None = None


CameraEvent = Released | Exposed | Landed | OnCard | Missed | CameraTold

# ------------------------------------------------------------------------------------------------ before the print


class Verdict(StrEnum):
    """What a check came to."""

    PASS = "pass"  # noqa: S105 - no password
    WARN = "warn"
    FAIL = "fail"


@dataclass(frozen=True, slots=True)
class Check:
    """One thing looked at before a print.

    `what` is the thing in two or three words, `found` a sentence about how it is, `advice` what to do about it, empty
    where nothing is to be done. `free_mb` is the room on a card and `charge_percent` what is left in a battery, for
    whoever knows how much is wanted of them.
    """

    what: str
    verdict: Verdict
    found: str
    advice: str = ""
    free_mb: float | None = None
    charge_percent: int | None = None


# ------------------------------------------------------------------------------------------------------- the record


@dataclass(frozen=True, slots=True)
class Note:
    """An event that mattered, for the journal: `kind` is a short stable word, `text` a sentence."""

    kind: str
    text: str
    data: dict[str, object] = field(default_factory=dict)
