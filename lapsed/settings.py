"""The TOML file as frozen values; unknown keys are refused.

Every field carries its unit in its name or type and a sentence that says why one would change it.
"""

import re
from fractions import Fraction
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Discriminator,
    Field,
    Tag,
    model_validator,
)

Name = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]{0,39}$")]
"""A name that is also a folder's: small letters, digits and hyphens, 40 at most."""

PositiveS = Annotated[float, Field(gt=0, le=3600)]
NonNegativeMm = Annotated[float, Field(ge=0, le=10_000)]
PositiveMm = Annotated[float, Field(gt=0, le=10_000)]
Point = tuple[float, float]
Share = Annotated[float, Field(ge=0, le=1)]


def _pointer(text: str) -> str:
    # RFC 6901, section 3: a JSON Pointer is empty or starts with "/"; "~" is only followed by 0 or 1.
    if text and (not text.startswith("/") or re.search(r"~(?![01])", text)):
        raise ValueError(f"{text!r} is not a JSON Pointer (RFC 6901): it starts with / and writes ~ as ~0")
    return text


Pointer = Annotated[str, AfterValidator(_pointer)]

STANDARD_RATES: dict[str, Fraction] = {
    "23.976": Fraction(24000, 1001),
    "24": Fraction(24),
    "25": Fraction(25),
    "29.97": Fraction(30000, 1001),
    "30": Fraction(30),
    "50": Fraction(50),
    "59.94": Fraction(60000, 1001),
    "60": Fraction(60),
}
"""The frame rates of film and television, by the name people use (SMPTE ST 428-11, ITU-R BT.2020 table 2)."""


def parse_rate(value: object) -> Fraction:
    """A frame rate in frames a second from `25`, `"29.97"` or `"30000/1001"`; ValueError for anything else."""
    text = str(value).strip()
    known = STANDARD_RATES.get(text)
    try:
        rate = known if known is not None else Fraction(text)
    except (ValueError, ZeroDivisionError):
        rate = Fraction(0)
    if not 1 <= rate <= 240:
        raise ValueError(f"{text!r} is not a frame rate: write {', '.join(STANDARD_RATES)} or a fraction from 1 to 240")
    return rate


Rate = Annotated[Fraction, BeforeValidator(parse_rate)]


class Part(BaseModel):
    """Base of every part of the configuration: frozen, and a key it doesn't know is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=False)


# --------------------------------------------------------------------------------------------------- the machine


class RectBed(Part):
    """A rectangular bed, in the coordinates that G-code uses."""

    shape: Literal["rectangle"] = Field("rectangle", description="delta machines have a circle")
    x_mm: tuple[float, float] = Field((0.0, 220.0), description="least and greatest X the head may go to")
    y_mm: tuple[float, float] = Field((0.0, 220.0), description="least and greatest Y the head may go to")

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if not (self.x_mm[0] < self.x_mm[1] and self.y_mm[0] < self.y_mm[1]):
            raise ValueError("x_mm and y_mm are [least, greatest], and the least comes first")
        return self

    def holds(self, point: Point) -> bool:
        """Whether the head may stand at `point`, mm."""
        return self.x_mm[0] <= point[0] <= self.x_mm[1] and self.y_mm[0] <= point[1] <= self.y_mm[1]


class RoundBed(Part):
    """A round bed, as delta machines have."""

    shape: Literal["circle"]
    centre_mm: Point = Field((0.0, 0.0), description="where the circle's centre lies in G-code coordinates")
    radius_mm: PositiveMm = Field(description="how far from the centre the head may go")

    def holds(self, point: Point) -> bool:
        """Whether the head may stand at `point`, mm."""
        dx, dy = point[0] - self.centre_mm[0], point[1] - self.centre_mm[1]
        return dx * dx + dy * dy <= self.radius_mm * self.radius_mm


def _shape(value: object) -> object:
    return value.get("shape", "rectangle") if isinstance(value, dict) else getattr(value, "shape", None)


Bed = Annotated[Annotated[RectBed, Tag("rectangle")] | Annotated[RoundBed, Tag("circle")], Discriminator(_shape)]


class Retraction(Part):
    """How filament is drawn back before the head leaves, so that it doesn't ooze over the part."""

    kind: Literal["none", "filament", "firmware"] = Field(
        "filament", description="'filament' moves the extruder, 'firmware' sends G10 and G11, 'none' does neither"
    )
    length_mm: Annotated[float, Field(ge=0, le=20)] = Field(
        1.0, description="how much is drawn back; long guide tubes want more, direct drives less"
    )
    speed_mm_s: Annotated[float, Field(gt=0, le=200)] = Field(30.0, description="how fast; too fast grinds filament")


Axes = tuple[
    Annotated[float, Field(gt=0)],
    Annotated[float, Field(gt=0)],
    Annotated[float, Field(gt=0)],
    Annotated[float, Field(gt=0)],
]
"""One positive figure for each of X, Y, Z and E."""

Rectangle = tuple[float, float, float, float]
"""Least X, least Y, greatest X, greatest Y, mm."""


class Motors(Part):
    """What the motors may do while printing, to reckon how long a file takes; its own M201 to M205 come first."""

    speed_mm_s: Axes = Field((300.0, 300.0, 20.0, 120.0), description="greatest speed of X, Y, Z and E")
    acceleration_mm_s2: Axes = Field((3000.0, 3000.0, 200.0, 5000.0), description="greatest acceleration of each")
    printing_mm_s2: Annotated[float, Field(gt=0)] = Field(1000.0, description="acceleration of moves that extrude")
    travel_mm_s2: Annotated[float, Field(gt=0)] = Field(1500.0, description="acceleration of moves that don't")
    retract_mm_s2: Annotated[float, Field(gt=0)] = Field(1500.0, description="acceleration of the extruder alone")
    deviation_mm: Annotated[float, Field(gt=0, le=1)] = Field(
        0.013, description="junction deviation: the rounder corners may be taken, the faster"
    )
    jerk_mm_s: Axes | None = Field(
        None, description="sudden change of speed allowed for each axis, for firmwares without junction deviation"
    )
    least_move_s: Annotated[float, Field(ge=0, le=1)] = Field(0.0, description="least time that a move takes")


class Firmware(Part):
    """How the printer's firmware reads the lines on which firmwares disagree."""

    lower_case: bool = Field(False, description="true where lower-case commands are carried out")
    extruder_follows: Literal["set", "over", "apart"] = Field(
        "set",
        description="what G90 and G91 do to the extruder: 'set' its mode, 'over': G91 overrides M82, 'apart': nothing",
    )
    bare_g92_zeroes: bool = Field(False, description="true where G92 without words makes all axes zero")
    g10_retracts: bool = Field(True, description="false where G10 sets offsets instead of retracting")
    exponents: bool = Field(False, description="true where numbers may be written like 1e-3")


class Machine(Part):
    """The printer's mechanics: where the head may go and how fast, and where it parks."""

    bed: Bed = Field(default_factory=RectBed)
    height_mm: PositiveMm = Field(250.0, description="the greatest Z the head may go to")
    park_point_mm: Point = Field((0.0, 200.0), description="where the head stands while the shutter is open, X and Y")
    lift_mm: NonNegativeMm = Field(0.5, description="least lift before the head travels; more if parts string")
    clearance_mm: NonNegativeMm = Field(
        2.0, description="how far above the tallest thing on the bed the head travels; more for sagging nozzles"
    )
    travel_mm_s: Annotated[float, Field(gt=0, le=2000)] = Field(150.0, description="speed to the park point and back")
    lift_mm_s: Annotated[float, Field(gt=0, le=500)] = Field(10.0, description="speed of Z; screws are slow")
    acceleration_mm_s2: Annotated[float, Field(gt=0, le=100_000)] = Field(
        1000.0, description="of X and Y, to reckon how long a park takes"
    )
    lift_acceleration_mm_s2: Annotated[float, Field(gt=0, le=100_000)] = Field(100.0, description="of Z, likewise")
    retraction: Retraction = Field(default_factory=Retraction)
    motors: Motors = Field(default_factory=Motors)
    firmware: Firmware = Field(default_factory=Firmware)
    keep_out_mm: tuple[Rectangle, ...] = Field(
        (), description="rectangles [least X, least Y, greatest X, greatest Y] where the head must not park, for clips"
    )
    settle_s: Annotated[float, Field(ge=0, le=30)] = Field(
        0.3, description="rest at the park point before the shutter opens; more for a machine that rings on"
    )
    light_on: tuple[str, ...] = Field((), description="G-code lines sent at the park point before the shot, for a lamp")
    light_off: tuple[str, ...] = Field((), description="G-code lines sent when the head goes back")

    @model_validator(mode="after")
    def _park_point_reachable(self) -> Self:
        if not self.bed.holds(self.park_point_mm):
            x, y = self.park_point_mm
            raise ValueError(f"park_point_mm {x:g}, {y:g} lies outside the bed; choose a point the head can reach")
        if any(x0 <= x <= x1 and y0 <= y <= y1 for x0, y0, x1, y1 in self.keep_out_mm for x, y in [self.park_point_mm]):
            raise ValueError("park_point_mm lies within a rectangle of keep_out_mm; move the one or the other")
        if self.lift_mm + self.clearance_mm > self.height_mm:
            raise ValueError("lift_mm and clearance_mm together exceed height_mm")
        return self


# ------------------------------------------------------------------------------------------------------ the link


class Call(Part):
    """One thing said to the host.

    With JSON-RPC it is a method with its parameters; with plain JSON it is the whole message. In either, the text
    "{lines}" standing alone becomes the list of G-code lines, and inside a longer text the lines joined by newlines.
    """

    method: str | None = Field(None, description="the JSON-RPC 2.0 method")
    params: dict[str, Any] = Field(default_factory=dict, description="its named parameters")
    message: dict[str, Any] | None = Field(None, description="the whole message, for a host that speaks plain JSON")

    @model_validator(mode="after")
    def _one_of_both(self) -> Self:
        if (self.method is None) == (self.message is None):
            raise ValueError("give either method (JSON-RPC) or message (plain JSON)")
        return self


class Facts(Part):
    """Where each fact stands in the host's messages: JSON Pointers, several where it may stand in several places."""

    state: tuple[Pointer, ...] = Field(("/params/job/stage", "/result/job/stage"), description="word for what it does")
    layer: tuple[Pointer, ...] = Field(("/params/job/layer", "/result/job/layer"), description="number of the layer")
    layers: tuple[Pointer, ...] = Field(("/params/job/layers", "/result/job/layers"), description="how many there are")
    height_mm: tuple[Pointer, ...] = Field(
        ("/params/job/height_mm", "/result/job/height_mm"), description="height of the current layer"
    )
    progress: tuple[Pointer, ...] = Field(
        ("/params/job/done", "/result/job/done"), description="share done, from 0 to progress_full"
    )
    file: tuple[Pointer, ...] = Field(("/params/job/file", "/result/job/file"), description="name of the printed file")
    identity: tuple[Pointer, ...] = Field(
        ("/params/job/run", "/result/job/run"), description="anything that differs between two prints of one file"
    )
    expected_s: tuple[Pointer, ...] = Field(
        ("/params/job/expected_s", "/result/job/expected_s"), description="how long the whole print is to take"
    )
    part_height_mm: tuple[Pointer, ...] = Field(
        ("/params/job/part_height_mm", "/result/job/part_height_mm"), description="height of the finished print"
    )
    x: tuple[Pointer, ...] = Field(("/params/head/x", "/result/head/x"), description="commanded X in G-code mm")
    y: tuple[Pointer, ...] = Field(("/params/head/y", "/result/head/y"), description="commanded Y in G-code mm")
    z: tuple[Pointer, ...] = Field(("/params/head/z", "/result/head/z"), description="commanded Z in G-code mm")
    e: tuple[Pointer, ...] = Field(("/params/head/e", "/result/head/e"), description="commanded E in G-code mm")
    feed_mm_min: tuple[Pointer, ...] = Field(
        ("/params/head/feed_mm_min", "/result/head/feed_mm_min"), description="feed rate in force, mm a minute"
    )
    absolute: tuple[Pointer, ...] = Field(
        ("/params/head/absolute", "/result/head/absolute"), description="true while G90 is in force"
    )
    absolute_extrusion: tuple[Pointer, ...] = Field(
        ("/params/head/absolute_extrusion", "/result/head/absolute_extrusion"),
        description="true while M82 is in force",
    )
    retracted: tuple[Pointer, ...] = Field(
        ("/params/head/retracted", "/result/head/retracted"), description="true between G10 and G11"
    )
    console: tuple[Pointer, ...] = Field(("/params/console",), description="lines of the console, one or a list")
    detail: tuple[Pointer, ...] = Field(
        ("/params/job/detail", "/result/job/detail"), description="why a print failed, in the host's words"
    )
    progress_full: Annotated[float, Field(gt=0)] = Field(1.0, description="what progress reads at the end: 1 or 100")


class States(Part):
    """Which of the host's words means what; a word in none of the lists is taken for idle."""

    printing: tuple[str, ...] = ("running",)
    paused: tuple[str, ...] = ("paused",)
    held: tuple[str, ...] = Field(
        ("held",), description="the word, if it is one of its own, that our hold brings about"
    )
    finished: tuple[str, ...] = ("finished",)
    cancelled: tuple[str, ...] = ("abandoned",)
    failed: tuple[str, ...] = ("failed",)

    @model_validator(mode="after")
    def _no_word_twice(self) -> Self:
        seen: dict[str, str] = {}
        for group in type(self).model_fields:
            for word in getattr(self, group):
                if word in seen:
                    raise ValueError(f"the word {word!r} stands in {seen[word]} and in {group}; keep one")
                seen[word] = group
        return self


class FeedLink(Part):
    """A host that tells what it does over a WebSocket (RFC 6455), in JSON-RPC 2.0 or plain JSON."""

    kind: Literal["feed"] = "feed"
    url: Annotated[str, Field(pattern=r"^wss?://")] = Field(description="ws:// or wss:// address of the host")
    protocol: Literal["json-rpc", "json"] = Field("json-rpc", description="how messages are framed")
    headers: dict[str, str] = Field(default_factory=dict, description="HTTP headers at connecting, such as a key")
    on_connect: tuple[Call, ...] = Field(
        (Call(method="bench.watch"),), description="said on each connecting; replies are read for facts too"
    )
    ask: Call | None = Field(Call(method="bench.tell"), description="asks for all facts, the position before a park")
    run: Call | None = Field(
        Call(method="lines.run", params={"lines": "{lines}"}), description="has G-code lines run between the print's"
    )
    run_reply: Literal["done", "taken"] = Field(
        "done",
        description="'done': the reply to run comes when the lines were carried out; 'taken': when they were queued, "
        "and the console line at the end of our block tells when they were carried out",
    )
    hold: Call | None = Field(Call(method="job.hold"), description="makes the print wait for us between two lines")
    resume: Call | None = Field(Call(method="job.carry-on"), description="lets the print go on after hold")
    facts: Facts = Field(default_factory=Facts)
    states: States = Field(default_factory=States)
    reply_within_s: PositiveS = Field(5.0, description="how long a reply may take before the call counts as failed")
    silent_after_s: PositiveS = Field(
        30.0, description="a host silent for so long is pinged, and without an answer given up and called anew"
    )
    retry_most_s: PositiveS = Field(15.0, description="longest wait between two attempts to connect")

    @model_validator(mode="after")
    def _calls_fit_protocol(self) -> Self:
        for what in ("ask", "run", "hold", "resume"):
            self._fits(what, getattr(self, what))
        for call in self.on_connect:
            self._fits("on_connect", call)
        if (self.hold is None) != (self.resume is None):
            raise ValueError("hold and resume go together: give both or neither")
        return self

    def _fits(self, what: str, call: Call | None) -> None:
        if call is not None and (call.method is None) == (self.protocol == "json-rpc"):
            wanted = "a method" if self.protocol == "json-rpc" else "a message"
            raise ValueError(f"{what} needs {wanted}, as protocol is {self.protocol!r}")

    @property
    def can_park(self) -> bool:
        """Whether the host can be asked to hold, to tell the position, to run a block and to go on."""
        return None not in (self.hold, self.resume, self.ask, self.run)


# ----------------------------------------------------------------------------------------------------- the cadence


class Cadence(Part):
    """The rule that turns layer changes, heights or time into cues; give one of every_* and length_s.

    Cue lines of a marked file always work, and from the first of them on they alone count.
    """

    every_layers: Annotated[int, Field(ge=1, le=100_000)] | None = Field(None, description="a frame every n-th layer")
    every_mm: PositiveMm | None = Field(None, description="a frame each so much height, for spiral prints")
    every_s: PositiveS | None = Field(None, description="a frame each so many seconds, layers or not")
    length_s: PositiveS | None = Field(None, description="as many frames as a clip of this length needs")
    rate: Rate = Field(Fraction(25), description="frame rate that length_s is reckoned with")
    cue_lines_only: bool = Field(False, description="true where only marked files are to be filmed")
    hold_limit_s: Annotated[float, Field(ge=1, le=120)] = Field(
        12.0, description="the longest a shot may keep the print waiting, from hold to going on"
    )
    park: bool = Field(True, description="false shoots without holding the print or moving the head")
    one_after_another: bool = Field(
        True,
        description="false if you never print objects one after another: then a print joined late or heard again after "
        "a gap needs no travel above all that might have been finished meanwhile",
    )

    rules: ClassVar[tuple[str, ...]] = ("every_layers", "every_mm", "every_s", "length_s")

    @model_validator(mode="after")
    def _one_rule(self) -> Self:
        given = [name for name in self.rules if getattr(self, name) is not None]
        if len(given) > 1:
            raise ValueError(f"{' and '.join(given)} are two rules; keep one")
        if self.cue_lines_only and given:
            raise ValueError(f"cue_lines_only leaves no room for {given[0]}")
        if not given and not self.cue_lines_only:
            raise ValueError(f"give one of {', '.join(self.rules)}, or cue_lines_only = true")
        return self


# ----------------------------------------------------------------------------------------------------- the cameras


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

# -------------------------------------------------------------------------------------------------------- the clips


class Clip(Part):
    """One clip that is stitched from a take."""

    name: Name = Field(description="also the name of its file")
    codec: Literal["master", "h264"] = Field(
        "h264", description="'master' carries the camera's files over untouched; 'h264' is encoded for delivery"
    )
    size_px: tuple[int, int] | None = Field(None, description="width and height; left out, the frame's own")
    focus: tuple[Share, Share] = Field(
        (0.5, 0.5), description="the spot that cropping keeps, as shares of width and height from the top left"
    )
    rate: Rate = Field(Fraction(25), description="frames a second")
    length_s: PositiveS | None = Field(None, description="wished length; left out, each frame is shown once")
    hold_start_s: Annotated[float, Field(ge=0, le=600)] = Field(0.0, description="how long the first frame stands")
    hold_end_s: Annotated[float, Field(ge=0, le=600)] = Field(1.0, description="how long the finished part stands")
    enlarge: bool = Field(False, description="true allows a clip larger than the frames; it gains no detail")
    quality: Annotated[int, Field(ge=0, le=51)] = Field(
        18, description="constant rate factor: less is better and larger, 18 is hard to tell from the frames"
    )
    preset: Literal["ultrafast", "veryfast", "fast", "medium", "slow"] = Field(
        "medium", description="how long the encoder thinks; faster presets make larger files"
    )

    @model_validator(mode="after")
    def _size_is_even(self) -> Self:
        # 4:2:0 sampling halves both sides (ITU-T H.264, 6.2).
        if self.size_px is not None and any(side % 2 or not 16 <= side <= 16_384 for side in self.size_px):
            raise ValueError("size_px takes two even numbers from 16 to 16384")
        if self.codec == "master" and self.size_px is not None:
            raise ValueError("a master keeps the frame's size; leave size_px out")
        return self


DEFAULT_CLIPS = (
    Clip(name="master", codec="master"),
    Clip(name="wide", size_px=(3840, 2160)),
)


class Stitch(Part):
    """When and where clips are made."""

    when: Literal["idle", "never"] = Field(
        "idle", description="'idle' stitches after a take, once no printer prints; 'never' leaves it to the command"
    )


class Store(Part):
    """Where takes are kept."""

    folder: Path = Field(Path("~/lapsed"), description="on a disk with room: a take is shots times the size of a file")
    min_free_mb: Annotated[int, Field(ge=0)] = Field(500, description="no shot is begun with less space than this left")


# ------------------------------------------------------------------------------------------------------ the whole


class Printer(Part):
    """A printer with the host that runs it and the cameras that look at it."""

    name: Name
    link: FeedLink
    machine: Machine = Field(default_factory=Machine)
    cadence: Cadence = Field(default_factory=lambda: Cadence(every_layers=1))
    camera: tuple[Camera, ...] = Field(min_length=1, description="the first is the main one")
    clips: tuple[Name, ...] | None = Field(None, description="names of the clips to stitch; left out, all of them")

    @model_validator(mode="after")
    def _whole(self) -> Self:
        _unique("camera", [camera.name for camera in self.camera])
        if self.cadence.park and not self.cadence.cue_lines_only and not self.link.can_park:
            raise ValueError("parking needs hold, resume, ask and run in the link; name them, or set park = false")
        return self


class Settings(Part):
    """The whole configuration."""

    store: Store = Field(default_factory=Store)
    stitch: Stitch = Field(default_factory=Stitch)
    printer: tuple[Printer, ...] = Field(min_length=1)
    clip: tuple[Clip, ...] = DEFAULT_CLIPS

    @model_validator(mode="after")
    def _whole(self) -> Self:
        _unique("printer", [printer.name for printer in self.printer])
        _unique("clip", [clip.name for clip in self.clip])
        known = {clip.name for clip in self.clip}
        for printer in self.printer:
            for name in printer.clips or ():
                if name not in known:
                    raise ValueError(f"printer {printer.name!r} wants clip {name!r}, which is not there")
        return self

    def clips_of(self, printer: Printer | None) -> tuple[Clip, ...]:
        """The clips that are stitched from takes of `printer`, or from pictures of no printer of ours."""
        wanted = printer.clips if printer is not None else None
        return tuple(clip for clip in self.clip if wanted is None or clip.name in wanted)


def _unique(what: str, names: list[str]) -> None:
    for name in names:
        if names.count(name) > 1:
            raise ValueError(f"two {what}s are named {name!r}; give each its own name")
