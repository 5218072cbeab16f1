"""What goes over the API: requests as strict models, answers as values; the OpenAPI description is made from them."""

from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from lapsed.settings import CodecName, Name


class Word(BaseModel):
    """Base of every request and answer; a key it doesn't know is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Done(Word):
    """What was done, in a sentence; `frame` is the test frame's name where one was taken."""

    text: str
    frame: str | None = None


class Problem(Word):
    """What went wrong, in a sentence."""

    error: str


class LogIn(Word):
    """The token that was made at first start."""

    token: Annotated[str, Field(max_length=200)]


class Nothing(Word):
    """An empty object: the path says it all."""


class SkipWish(Word):
    """Whether shots are to be skipped until further notice."""

    on: bool


class ShootWish(Word):
    """Which camera takes a test frame; the main one if none is named. During a print all cameras shoot."""

    camera: Name | None = None


class SignalWish(Word):
    """What a host signals; a layer without a number is the one after the last.

    With a `key`, the same signal sent again is not taken for another. `wait` false answers at once.
    """

    signal: Literal["start", "layer", "end", "cue"]
    file: Annotated[str, Field(max_length=1000)] | None = None
    layer: Annotated[int, Field(ge=-1000, le=1_000_000)] | None = None
    layers: Annotated[int, Field(ge=1, le=1_000_000)] | None = None
    height_mm: Annotated[float, Field(ge=0, le=10_000)] | None = None
    outcome: Literal["finished", "cancelled", "failed"] = "finished"
    key: Annotated[str, Field(min_length=1, max_length=200)] | None = None
    wait: bool = True


Shots = Annotated[tuple[Annotated[int, Field(ge=1, le=10**9)], ...], Field(max_length=2000)]
"""Numbers of shots, as many as a command line holds."""


class StitchWish(Word):
    """How the clips are to be made; what is not said is as the configuration has it.

    `keep` and `drop` are shots whose frames are shown or left out whatever judging says.
    """

    clips: Annotated[tuple[Name, ...], Field(max_length=20)] = ()
    size: Annotated[str, Field(pattern=r"^[0-9]{2,5}x[0-9]{2,5}$")] | None = None
    rate: Annotated[str, Field(pattern=r"^[0-9./]{1,12}$")] | None = None
    length_s: Annotated[float, Field(gt=0, le=3600)] | None = None
    codec: CodecName | None = None
    keep: Shots = ()
    drop: Shots = ()


class DeleteWish(Word):
    """The take's own name again, so that none is deleted by a slip."""

    confirm: Annotated[str, Field(max_length=255)]


class CheckLine(Word):
    """One thing that was looked at: what, pass or warn or fail, how it is, and what to do about it.

    Of a card the room on it, MB, and of a battery what is left in it, %, as far as they are told in figures.
    """

    what: str
    verdict: str
    found: str
    advice: str
    free_mb: float | None = None
    charge_percent: int | None = None


class Checks(Word):
    """All that was looked at."""

    checks: tuple[CheckLine, ...]


class Health(Word):
    """Whether the daemon lives; `hosts_heard` and `cameras_ready` tell of how many."""

    status: Literal["ok"] = "ok"
    version: str
    hosts_heard: str
    cameras_ready: str


class ClipShape(Word):
    """A clip of the configuration; size in pixels and focus in shares of the frame, None where it keeps the frame's."""

    name: str
    codec: str
    width_px: int | None
    height_px: int | None
    focus_x: float
    focus_y: float


class Clips(Word):
    """The clips of the configuration."""

    clips: tuple[ClipShape, ...]


class ClipFile(Word):
    """A file that stitching made."""

    name: str
    size_bytes: int


@dataclass(frozen=True, slots=True)
class FrameName:
    """A landed frame; `shot` is the cue's number."""

    shot: int
    layer: int | None
    height_mm: float | None
    utc: str | None


@dataclass(frozen=True, slots=True)
class MissedShot:
    """A shot of the main camera without a picture."""

    shot: int
    reason: str


@dataclass(frozen=True, slots=True)
class JudgedFrame:
    """What the last stitching thought of a frame that sticks out.

    `left_out` says whether it is in no clip, `by_hand` that a person decided so, and `broken` that it can't be kept,
    as it can't be decoded or is not of the others' kind and size.
    """

    shot: int
    left_out: bool
    by_hand: bool
    broken: bool
    reason: str


class TakeLine(Word):
    """A take in a line; `problem` says why it can't be read."""

    name: str
    print_name: str
    began_utc: str | None
    ended_utc: str | None
    outcome: str | None
    cues: int
    landed: int
    missed: int
    problem: str | None


class Takes(Word):
    """All takes, newest first."""

    takes: tuple[TakeLine, ...]


class TakeDetail(Word):
    """One take with its main camera's frames and its clips; `judged` is None where nobody has looked them over."""

    name: str
    print_name: str
    began_utc: str | None
    ended_utc: str | None
    outcome: str | None
    reason: str
    cameras: tuple[str, ...]
    frames: tuple[FrameName, ...]
    missed: tuple[MissedShot, ...]
    judged: tuple[JudgedFrame, ...] | None
    clips: tuple[ClipFile, ...]
    events: tuple[str, ...]
