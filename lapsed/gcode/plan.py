"""From a print and a wish to shots: how long, how many, what parking costs, and what will not fit."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

from lapsed.gcode.bedding import Place
from lapsed.gcode.choice import Wish, choose, moments
from lapsed.gcode.cue import RELEASE_LAG_S, Dwell, cue_block, dwell_of
from lapsed.gcode.hull import Hull
from lapsed.gcode.park import number
from lapsed.gcode.reading import Reading, read
from lapsed.gcode.seeking import Found, Seeker
from lapsed.gcode.setup import setup_of
from lapsed.gcode.standing import standing
from lapsed.gcode.state import State
from lapsed.gcode.timing import Limits
from lapsed.model import Position, Refusal
from lapsed.settings import Machine


@dataclass(frozen=True, slots=True)
class Camera:
    """The figures of the camera and of where its files go; None where unknown.

    `cycle_s` is the time from one release to when the next is possible: exposure, writing and fetching.
    """

    exposure_s: float = 0.25
    lag_s: float = RELEASE_LAG_S
    cycle_s: float = 3.0
    file_mb: float = 12.0
    card_mb: float | None = None
    disk_mb: float | None = None
    battery_shots: int | None = None


@dataclass(frozen=True, slots=True)
class Stop:
    """A moment of a print at which a frame can be shot: `layer`, from 0, is complete, or under way if not `complete`.

    `place`, the height of all that is printed by then and its outlines are known where there is a file.
    """

    at_s: float
    layer: int
    complete: bool = True
    place: Place | None = None
    top_mm: float = 0.0
    parts: tuple[Hull, ...] = ()


@dataclass(frozen=True, slots=True)
class Outline:
    """A print as far as a plan needs it; `stops` has one for each layer, when it is complete.

    Without a file `heights_mm` is empty and `limits` None.
    """

    print_s: float
    begin_s: float
    stops: tuple[Stop, ...]
    heights_mm: tuple[float, ...] = ()
    objects: int = 1
    spiral: bool = False
    heats: int = 0
    limits: Limits | None = None

    @property
    def layer_s(self) -> tuple[float, ...]:
        """How long each layer takes."""
        return tuple(end - begin for begin, end in pairwise((self.begin_s, *self.ends_s)))

    @property
    def ends_s(self) -> tuple[float, ...]:
        """When each layer is complete."""
        return tuple(stop.at_s for stop in self.stops)


def outline(reading: Reading) -> Outline:
    """A file's outline."""
    places = [
        Found(layer.begin, at_s, layer.top_mm) for layer, at_s in zip(reading.layers, reading.begins_s, strict=True)
    ]
    ends = [*places[1:], *([reading.end] if reading.end is not None else [])]
    stops = (
        Stop(end.at_s, i, place=end.place, top_mm=end.top_mm, parts=parts)
        for i, (end, parts) in enumerate(zip(ends, standing(reading.layers), strict=True))
    )
    return Outline(
        print_s=reading.print_s,
        begin_s=reading.begins_s[0] if reading.begins_s else 0.0,
        stops=tuple(stops),
        heights_mm=reading.heights_mm,
        objects=reading.objects,
        spiral=reading.spiral,
        heats=reading.heats,
        limits=reading.limits,
    )


def even_outline(print_s: float, layers: int) -> Outline:
    """The outline of a print of which only its time and its layers are known."""
    return Outline(print_s, 0.0, tuple(Stop(print_s * (i + 1) / layers, i) for i in range(layers)))


def seeker_for(print_: Outline, wish: Wish) -> Seeker | None:
    """What must be sought in the file before its shots can be told: lines between layers, or nothing."""
    if not wish.fills(len(print_.stops)) or wish.frames is None:
        return None
    sought = moments(print_.begin_s, print_.stops[-1].at_s, wish.frames)
    return Seeker(sought[:-1], (sought[-1] - print_.begin_s) / wish.frames / 2)


def stops_of(print_: Outline, wish: Wish, between: Sequence[Found] = ()) -> tuple[Stop, ...]:
    """The stops of a wish; `between` is what was found in the file for `seeker_for`."""
    if not wish.fills(len(print_.stops)) or wish.frames is None:
        return tuple(print_.stops[i] for i in choose(print_.heights_mm, print_.ends_s, wish))
    last = print_.stops[-1]
    found: Sequence[Found | float] = between
    if last.place is None:
        found = moments(print_.begin_s, last.at_s, wish.frames)[:-1]
    out, layer = list[Stop](), 0
    for each in found:
        at_s = each if isinstance(each, float) else each.at_s
        while layer < last.layer and at_s >= print_.stops[layer].at_s:
            layer += 1
        begun = print_.stops[layer]
        if isinstance(each, float):
            out.append(Stop(at_s, layer, complete=False))
        elif last.place is not None and each.place.line < last.place.line:
            out.append(Stop(at_s, layer, complete=False, place=each.place, top_mm=each.top_mm, parts=begun.parts))
    return (*out, last)


@dataclass(frozen=True, slots=True)
class Plan:
    """What a wish comes to. `park_s` is what each shot costs, travel and hold together; 0 where it can't be parked."""

    outline: Outline
    wish: Wish
    stops: tuple[Stop, ...]
    park_s: tuple[float, ...]
    hold_s: float
    heating_s: float
    clip_s: float
    too_fast: tuple[int, ...]
    data_mb: float
    warnings: tuple[str, ...] = field(default=())

    @property
    def shots(self) -> int:
        """How many frames are shot."""
        return len(self.stops)

    @property
    def print_with_parking_s(self) -> float:
        """How long the print takes with all parking."""
        return self.outline.print_s + sum(self.park_s)

    @property
    def frames_per_shot(self) -> float:
        """For how many frames of the clip each shot stands, on average."""
        return self.clip_s * float(self.wish.rate) / self.shots if self.shots else 0.0


def plan(
    print_: Outline,
    wish: Wish,
    machine: Machine,
    camera: Camera,
    *,
    between: Sequence[Found] = (),
    share_limit: float = 0.25,
) -> Plan:
    """Plan the shots of a print."""
    stops = stops_of(print_, wish, between)
    dwell = dwell_of(machine, camera.exposure_s, camera.lag_s)
    costs, refused = _costs(stops, machine, dwell, print_.limits)
    wished = wish.length_s if wish.frames is not None and stops else None
    gaps = [later.at_s - sooner.at_s for sooner, later in pairwise(stops)]
    too_fast = tuple(
        stop.layer for stop, gap, cost in zip(stops, gaps, costs, strict=False) if gap + cost < camera.cycle_s
    )
    made = Plan(
        outline=print_,
        wish=wish,
        stops=stops,
        park_s=costs,
        hold_s=machine.settle_s + dwell.total_s,
        heating_s=print_.heats * machine.heating_s,
        clip_s=wished if wished is not None else float(len(stops) / wish.rate),
        too_fast=tuple(dict.fromkeys(too_fast)),
        data_mb=len(stops) * camera.file_mb,
    )
    return replace(made, warnings=(*refused, *_warnings(made, camera, share_limit)))


def _costs(
    stops: Sequence[Stop], machine: Machine, dwell: Dwell, limits: Limits | None
) -> tuple[tuple[float, ...], tuple[str, ...]]:
    """What each shot costs, and why some can't be parked for: the blocks are written and timed as any file is."""
    setup = setup_of(machine)
    known = frozenset("XYZE")
    lines, begins, refused = list[str](), list[int](), list[tuple[int, str]]()
    for i, stop in enumerate(stops):
        x, y, z = stop.place.spot if stop.place is not None else (*_middle(machine), 0.0)
        state = State(Position(x, y, z, 0.0), feed_mm_min=1800, known=known)
        made = cue_block(state, stop.top_mm, machine, 1, dialect=setup.dialect, dwell=dwell, parts=stop.parts)
        lines += ["M400", f"G92 X{number(x)} Y{number(y)} Z{number(z)} E0"]
        begins.append(len(lines))
        if isinstance(made, Refusal):
            refused.append((i, made.reason))
        else:
            lines += made
    lines.append("M400")
    found = read(
        ["".join(f"{line}\n" for line in lines).encode()], replace(setup, limits=limits or setup.limits), begins
    )
    times = [*(found.moments_s[line] for line in begins), found.print_s]
    reasons = tuple(_because(stops[i], reason) for i, reason in refused[:1])
    if len(refused) > 1:
        reasons = (f"{reasons[0]}; so at {len(refused)} shots",)
    return tuple(end - begin for begin, end in pairwise(times)), reasons


def _because(stop: Stop, reason: str) -> str:
    return f"no park after layer {stop.layer + 1}: {reason}"


def _middle(machine: Machine) -> tuple[float, float]:
    """The middle of the bed, where parts usually stand."""
    bed = machine.bed
    return bed.centre_mm if bed.shape == "circle" else (sum(bed.x_mm) / 2, sum(bed.y_mm) / 2)


def _warnings(made: Plan, camera: Camera, share_limit: float) -> list[str]:
    out = []
    share = sum(made.park_s) / made.outline.print_s if made.outline.print_s else 0.0
    if share > share_limit:
        out.append(f"parking adds {share:.0%} to the print; shoot fewer layers, or allow more")
    if made.too_fast:
        out.append(
            f"{len(made.too_fast)} layers are over before the camera is ready again after {camera.cycle_s:g} s "
            f"({_ranges(made.too_fast)}); their frames will be late or missed"
        )
    for what, room in (("card", camera.card_mb), ("disk", camera.disk_mb)):
        if room is not None and made.data_mb > room:
            out.append(f"the shots need {made.data_mb:.0f} MB and the {what} has {room:.0f} MB free; make room")
    if camera.battery_shots is not None and made.shots > camera.battery_shots:
        out.append(f"{made.shots} shots are more than the battery's {camera.battery_shots}; use mains power")
    frames, count = made.wish.frames, len(made.outline.stops)
    if frames is not None and 0 < made.shots < frames and made.wish.fill == "hold":
        out.append(
            f"{frames} frames are wished for and there are {count} layers: each frame is held for "
            f"{made.frames_per_shot:.2g} frames on average; --fill between shoots one every "
            f"{made.outline.print_s / frames:.1f} s instead, between layers as well"
        )
    elif frames is not None and 0 < made.shots < frames:
        out.append(f"the file has only {made.shots} lines to shoot at for {frames} frames; the others are held")
    if not made.outline.stops:
        out.append("no layer was found: nothing in the file feeds filament while the head moves")
    return out


def _ranges(numbers: Sequence[int]) -> str:
    """Layers from 1 as people write them: 1-5, 9."""
    parts: list[list[int]] = []
    for each in numbers:
        if parts and parts[-1][1] == each:
            parts[-1][1] = each + 1
        else:
            parts.append([each + 1, each + 1])
    texts = [str(a) if a == b else f"{a}-{b}" for a, b in parts]
    return ", ".join(texts[:6]) + (" and more" if len(texts) > 6 else "")
