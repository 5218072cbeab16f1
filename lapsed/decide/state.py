"""What the director knows, what it is told, and what it may ask for."""

from dataclasses import dataclass, field
from enum import StrEnum

from lapsed.decide.pacing import Pace
from lapsed.model import CameraEvent, Cue, Forecast, HostEvent, Motion, Note, Outcome, PrintInfo, Step, Why
from lapsed.settings import Cadence

# ---------------------------------------------------------------------------------------------------- its rules


@dataclass(frozen=True, slots=True)
class Rules:
    """What the configuration lays down for one printer; times in seconds, lengths in mm."""

    cadence: Cadence
    cameras: tuple[str, ...]
    required: frozenset[str]
    settle_s: float = 0.3
    exposure_s: float = 0.25
    tallest_mm: float = 250.0
    held_word: bool = True  # the host has a word of its own for the state that our hold brings about
    held_at_rest: bool = False  # it says so once the machine has come to rest: the print waits only from then on
    reads_file: bool = False  # the shell looks for the printed file and tells of it by FileRead


# ------------------------------------------------------------------------------------------------- what it knows


class Phase(StrEnum):
    """Where the shot under way stands. Up to PARKING nothing has moved; from PARKING to RETURNING the head is ours."""

    HOLDING = "holding"
    ASKING = "asking"
    PLANNING = "planning"
    PARKING = "parking"
    SETTLING = "settling"
    EXPOSING = "exposing"
    RETURNING = "returning"
    RESUMING = "resuming"
    RECOVERING = "recovering"


AWAY = frozenset({Phase.PARKING, Phase.SETTLING, Phase.EXPOSING})
"""The phases in which the head may be at the park point and isn't on its way back."""


@dataclass(frozen=True, slots=True)
class Shot:
    """The shot under way, from its cue until the print goes on (or the shutter has closed, without a hold).

    `limit_at` is when the print must go on; `back_at` when the head must start back for that; `until` when the present
    phase is given up or tried again. `waiting` are the cameras whose shutters haven't closed yet.
    """

    cue: Cue
    phase: Phase
    holds: bool
    limit_at: float
    back_at: float
    until: float
    waiting: frozenset[str] = frozenset()
    left: bool = False  # the block that leaves was sent: the head has to be brought back
    resume: bool = True  # false once someone else paused the print: it is theirs to let go on
    foreign: bool = False  # someone else let the print go on while it was ours
    known: bool = False  # what became of its frames is journaled, or is the cameras' to say
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class Track:
    """What has been seen of the print: layers, heights, time.

    `top_mm` is the greatest height at which material is known to lie; `top_sure` is false when more may stand on the
    bed than was seen. `line` is the number of the last cue line.
    """

    layer: int | None = None
    first_layer: int | None = None
    height_mm: float | None = None
    top_mm: float = 0.0
    top_sure: bool = True
    progress: float | None = None
    line: int | None = None
    cued_layer: int | None = None
    next_mm: float = 0.0
    next_s: float | None = None
    after_gap: bool = False
    gap_s: float = 0.0
    layerless_at: float | None = None  # when to say that the host tells no layers
    layerless: bool = False  # that was said, and nothing else came since
    passed: int = 0  # layers of objects that were finished before this one
    pace: Pace = field(default_factory=Pace)


@dataclass(frozen=True, slots=True)
class Take:
    """The print being filmed.

    `cues` is the number of the last cue, `missed` those of which the main camera has no frame. `held_s` is how long
    our own holds took. `awaits` is true while the printed file is being read; `ended` if an earlier daemon saw
    the print finish, and cued its last frame.
    """

    print: PrintInfo
    since_s: float
    cues: int = 0
    missed: frozenset[int] = frozenset()
    held_s: float = 0.0
    forecast: Forecast | None = None
    awaits: bool = False
    ended: bool = False
    spread_by: str | None = None  # what the frames of a wished length are spread over, as last noted
    paused: bool = False
    paused_s: float = 0.0
    paused_at: float | None = None


@dataclass(frozen=True, slots=True)
class State:
    """All the director knows of one printer."""

    rules: Rules
    link: bool = False
    waits: bool = False  # the host says that the print is paused or held
    take: Take | None = None
    track: Track = field(default_factory=Track)
    shot: Shot | None = None
    loose: Shot | None = None  # its hold was given up unanswered, and may yet come about
    motion: Motion | None = None
    pending: frozenset[tuple[int, str]] = frozenset()  # shots at cameras that have not come to their end
    closing: tuple[Outcome, str] | None = None  # the print is over; the take closes when nothing is pending
    next_print: PrintInfo | None = None  # a print that began while frames of the last one were still coming
    away: frozenset[str] = frozenset()  # cameras that were told not to be ready
    vain: int = 0  # holds, one after another, in which no required camera exposed
    stopped: str | None = None  # why no shot may be begun at present
    skipping: bool = False  # someone asked for no shots until further notice
    unfilmed: PrintInfo | None = None  # the print whose take could not be written any more; it goes on without us
    ended: PrintInfo | None = None  # the print whose take someone ended; it isn't filmed again
    leaving: bool = False  # the daemon is being stopped


# ------------------------------------------------------------------------------------------------ what it is told


@dataclass(frozen=True, slots=True)
class Recovered:
    """The daemon was started again and found a take open, of which nothing was seen for `silent_s`.

    `holding` is the shot whose hold had not been ended, `left` whether the head may be away for it. `missed`, `held_s`
    `forecast` and `ended` are as in Take; `cued_s` is when the last cue was, None where this boot's clock can't tell.
    """

    print: PrintInfo
    cues: int
    since_s: float
    layer: int | None
    first_layer: int | None
    top_mm: float
    line: int | None
    silent_s: float
    holding: int | None = None
    left: bool = False
    missed: frozenset[int] = frozenset()
    held_s: float = 0.0
    forecast: Forecast | None = None
    cued_s: float | None = None
    ended: bool = False


@dataclass(frozen=True, slots=True)
class FileRead:
    """The file of the print called `name` was read; without a forecast, `reason` is a clause that says why not."""

    name: str
    forecast: Forecast | None
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Done:
    """What was asked for in `phase` of `shot` came about."""

    shot: int
    phase: Phase


@dataclass(frozen=True, slots=True)
class Failed:
    """What was asked for in `phase` of `shot` did not come about. `silent` is true where no answer came at all."""

    shot: int
    phase: Phase
    reason: str
    silent: bool = False


@dataclass(frozen=True, slots=True)
class Planned:
    """The park block of `shot` is written and safe; its motion times in seconds."""

    shot: int
    leave_s: float
    come_back_s: float


@dataclass(frozen=True, slots=True)
class Tick:
    """Time has passed."""


@dataclass(frozen=True, slots=True)
class TakeFailed:
    """The take could not be opened, or can't be written any more."""

    reason: str


@dataclass(frozen=True, slots=True)
class DiskWell:
    """The disk takes writes again, after a take had failed."""


@dataclass(frozen=True, slots=True)
class Stopped:
    """No shot may be begun, because of `reason`; None lifts it."""

    reason: str | None


@dataclass(frozen=True, slots=True)
class Leave:
    """The daemon is being stopped: let go of the print."""


@dataclass(frozen=True, slots=True)
class Skip:
    """Someone asks for no shots until further notice, or for shots again."""

    on: bool


@dataclass(frozen=True, slots=True)
class ShootNow:
    """Someone asks for a shot at this moment, or the host signals one."""

    why: Why = Why.HAND


@dataclass(frozen=True, slots=True)
class EndTake:
    """Someone ends the take; the print goes on without us."""


ByHand = Skip | ShootNow | EndTake

Event = (
    HostEvent
    | CameraEvent
    | Recovered
    | FileRead
    | Done
    | Failed
    | Planned
    | Tick
    | TakeFailed
    | DiskWell
    | Stopped
    | Leave
    | ByHand
)

# --------------------------------------------------------------------------------------------- what it asks for


@dataclass(frozen=True, slots=True)
class OpenTake:
    """Make a take for this print."""

    print: PrintInfo


@dataclass(frozen=True, slots=True)
class CloseTake:
    """The take is over."""

    outcome: Outcome
    reason: str


@dataclass(frozen=True, slots=True)
class WriteCue:
    """Journal this cue."""

    cue: Cue


@dataclass(frozen=True, slots=True)
class WriteStep:
    """Journal that `shot` reached `step` now."""

    shot: int
    step: Step


@dataclass(frozen=True, slots=True)
class WriteMissed:
    """Journal that `shot` has no frame of these cameras, and why."""

    shot: int
    cameras: tuple[str, ...]
    reason: str


@dataclass(frozen=True, slots=True)
class WriteNote:
    """Journal an event that mattered."""

    note: Note


@dataclass(frozen=True, slots=True)
class Hold:
    """Journal the intention, then make the host hold; answer with Done or Failed for HOLDING."""

    shot: int


@dataclass(frozen=True, slots=True)
class Ask:
    """Ask the host for the head's position; answer with Done or Failed for ASKING after the facts."""

    shot: int


@dataclass(frozen=True, slots=True)
class Plan:
    """Write the park block; answer with Planned, or Failed for PLANNING if it would not be safe."""

    shot: int
    motion: Motion
    top_mm: float


@dataclass(frozen=True, slots=True)
class SendLeave:
    """Journal the way back, then have the head moved away; answer with Done or Failed for PARKING."""

    shot: int


@dataclass(frozen=True, slots=True)
class Release:
    """Order one frame of every camera; the shutters must have closed at `by_s`."""

    shot: int
    by_s: float


@dataclass(frozen=True, slots=True)
class SendBack:
    """Have the head moved back; answer with Done or Failed for RETURNING."""

    shot: int


@dataclass(frozen=True, slots=True)
class Resume:
    """Let the print go on; answer with Done or Failed for RESUMING."""

    shot: int


@dataclass(frozen=True, slots=True)
class HoldOver:
    """Journal that `shot` holds the print no more."""

    shot: int


Action = (
    OpenTake
    | CloseTake
    | WriteCue
    | WriteStep
    | WriteMissed
    | WriteNote
    | Hold
    | Ask
    | Plan
    | SendLeave
    | Release
    | SendBack
    | Resume
    | HoldOver
)
