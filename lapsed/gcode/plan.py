"""From a print and a wish to shots: how long, how many, what parking costs, and what will not fit."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from itertools import pairwise

from lapsed.gcode import park
from lapsed.gcode.choice import Wish, choose
from lapsed.gcode.reading import Reading
from lapsed.model import Block, Motion, Position
from lapsed.settings import STANDARD_RATES, Machine

FEED_LATENCY_S = 0.15
RELEASE_LAG_S = 0.15
MARGIN_S = 0.3
"""What a dwell allows for besides settling and exposure: the cue's way to us, the camera's lag, and chance."""


@dataclass(frozen=True, slots=True)
class Camera:
    """The figures of the camera and of where its files go; None where unknown.

    `cycle_s` is the time from one release to when the next is possible: exposure, writing and fetching.
    """

    exposure_s: float = 0.25
    cycle_s: float = 3.0
    file_mb: float = 12.0
    card_mb: float | None = None
    disk_mb: float | None = None
    battery_shots: int | None = None


@dataclass(frozen=True, slots=True)
class Outline:
    """A print as far as a plan needs it; without a file `heights_mm`, `starts` and `tops_mm` are empty."""

    print_s: float
    begins_s: tuple[float, ...]
    heights_mm: tuple[float, ...] = ()
    starts: tuple[tuple[float, float, float], ...] = ()
    tops_mm: tuple[float, ...] = ()
    objects: int = 1
    spiral: bool = False
    heats: int = 0

    @property
    def layer_s(self) -> tuple[float, ...]:
        """How long each layer takes."""
        edges = (*self.begins_s, self.print_s)
        return tuple(end - begin for begin, end in pairwise(edges))


def outline(reading: Reading) -> Outline:
    """A file's outline."""
    return Outline(
        print_s=reading.print_s,
        begins_s=reading.begins_s,
        heights_mm=reading.heights_mm,
        starts=tuple(layer.start for layer in reading.layers),
        tops_mm=tuple(layer.top_mm for layer in reading.layers),
        objects=reading.objects,
        spiral=reading.spiral,
        heats=reading.heats,
    )


def even_outline(print_s: float, layers: int) -> Outline:
    """The outline of a print of which only its time and its layers are known."""
    return Outline(print_s, tuple(print_s * i / layers for i in range(layers)))


@dataclass(frozen=True, slots=True)
class Plan:
    """What a wish comes to. `chosen` are layers from 0; `park_s` is what each shot costs, travel and hold together."""

    outline: Outline
    wish: Wish
    chosen: tuple[int, ...]
    park_s: tuple[float, ...]
    hold_s: float
    clip_s: float
    too_fast: tuple[int, ...]
    data_mb: float
    warnings: tuple[str, ...] = field(default=())

    @property
    def shots(self) -> int:
        """How many frames are shot."""
        return len(self.chosen)

    @property
    def print_with_parking_s(self) -> float:
        """How long the print takes with all parking."""
        return self.outline.print_s + sum(self.park_s)

    @property
    def frames_per_shot(self) -> float:
        """For how many frames of the clip each shot stands, on average."""
        return self.clip_s * float(self.wish.rate) / self.shots if self.shots else 0.0


def dwell_s(exposure_s: float) -> float:
    """How long the head must stay after the cue until the shutter has surely closed."""
    return FEED_LATENCY_S + RELEASE_LAG_S + exposure_s + MARGIN_S


def plan(print_: Outline, wish: Wish, machine: Machine, camera: Camera, *, share_limit: float = 0.25) -> Plan:
    """Plan the shots of a print."""
    chosen = choose(print_.heights_mm, print_.begins_s, wish)
    hold = machine.settle_s + dwell_s(camera.exposure_s)
    costs, refused = _costs(print_, chosen, machine, hold)
    clip_s = wish.length_s if wish.frames is not None and chosen else float(len(chosen) / wish.rate)
    moments = [print_.begins_s[i] for i in chosen]
    gaps = [later - sooner for sooner, later in pairwise(moments)]
    too_fast = tuple(i for i, gap, cost in zip(chosen, gaps, costs, strict=False) if gap + cost < camera.cycle_s)
    made = Plan(
        outline=print_,
        wish=wish,
        chosen=chosen,
        park_s=costs,
        hold_s=hold,
        clip_s=clip_s if clip_s is not None else 0.0,
        too_fast=too_fast,
        data_mb=len(chosen) * camera.file_mb,
    )
    warnings = (*refused, *_warnings(made, camera, share_limit))
    return replace(made, warnings=warnings)


def _costs(
    print_: Outline, chosen: Sequence[int], machine: Machine, hold_s: float
) -> tuple[tuple[float, ...], tuple[str, ...]]:
    """What each shot costs, by the park block's own reckoning, and why some can't be parked for."""
    costs, refused = list[float](), list[str]()
    for i in chosen:
        x, y, z = print_.starts[i] if print_.starts else (*machine.park_point_mm, 0.0)
        top = print_.tops_mm[i] if print_.tops_mm else 0.0
        made = park.block(Motion(Position(x, y, z, 0), 1800, True, True, False), machine, top, 1, echo=False)  # noqa: FBT003 - modes that a park may be reckoned with
        if isinstance(made, Block):
            costs.append(made.leave_s + made.come_back_s + hold_s)
        else:
            costs.append(0.0)
            refused.append(f"no park at layer {i + 1}: {made.reason}")
    if len(refused) > 1:
        refused = [f"{refused[0]}; so at {len(refused)} layers"]
    return tuple(costs), tuple(refused)


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
    frames = made.wish.frames
    if frames is not None and 0 < made.shots < frames:
        gap = made.outline.print_s / frames
        out.append(
            f"{frames} frames are wished for and there are {made.shots} layers: each frame stands "
            f"{made.frames_per_shot:.2g} times on average, or shoot every {gap:.1f} s instead of by layers"
        )
    if not made.outline.begins_s:
        out.append("no layer was found: nothing in the file feeds filament while the head moves")
    return out


def _ranges(numbers: Sequence[int]) -> str:
    """Layers from 1 as people write them: 1-5, 9."""
    parts: list[list[int]] = []
    for number in numbers:
        if parts and parts[-1][1] == number:
            parts[-1][1] = number + 1
        else:
            parts.append([number + 1, number + 1])
    texts = [str(a) if a == b else f"{a}-{b}" for a, b in parts]
    return ", ".join(texts[:6]) + (" and more" if len(texts) > 6 else "")


def as_json(made: Plan, *, heights: bool) -> dict[str, object]:
    """The plan as one JSON document; `cadence` is what the configuration's cadence would say."""
    print_, wish = made.outline, made.wish
    cadence: dict[str, object] = (
        {"length_s": wish.length_s} if wish.length_s is not None else {"every_layers": wish.every or 1}
    )
    document: dict[str, object] = {
        "layers": len(print_.begins_s),
        "objects": print_.objects,
        "spiral": print_.spiral,
        "print_s": round(print_.print_s, 3),
        "print_with_parking_s": round(made.print_with_parking_s, 3),
        "heating_waits": print_.heats,
        "shots": made.shots,
        "shot_layers": [i + 1 for i in made.chosen],
        "cadence": cadence,
        "clip_s": round(made.clip_s, 4),
        "rate": _rate_number(wish.rate),
        "frames_per_shot": round(made.frames_per_shot, 4),
        "clip_s_at": {name: round(float(made.shots / rate), 4) for name, rate in STANDARD_RATES.items()},
        "hold_s": round(made.hold_s, 3),
        "park_s": round(sum(made.park_s) / made.shots, 3) if made.shots else 0.0,
        "data_mb": round(made.data_mb, 1),
        "shortest_layer_s": round(min(print_.layer_s), 3) if print_.begins_s else None,
        "too_fast_layers": [i + 1 for i in made.too_fast],
        "warnings": list(made.warnings),
    }
    if heights:
        document["heights_mm"] = [round(height, 4) for height in print_.heights_mm]
    return document


def _rate_number(rate: Fraction) -> float | int:
    return int(rate) if rate.denominator == 1 else float(rate)


def duration(seconds: float) -> str:
    """A time as people say it: 1 h 55 min, 4 min 10 s, 12.3 s."""
    if seconds < 60:
        return f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min {rest:02d} s"


def as_text(made: Plan) -> str:
    """The plan for a person at a glance."""
    print_, wish = made.outline, made.wish
    added = made.print_with_parking_s - print_.print_s
    share = added / print_.print_s if print_.print_s else 0.0
    what = [f"{len(print_.begins_s)} layers"]
    if print_.objects > 1:
        what.append(f"{print_.objects} objects one after another")
    if print_.spiral:
        what.append("a spiral, cut by its turns")
    if print_.heights_mm:
        what.append(f"{max(print_.heights_mm):.2f} mm high")
    each = f"{added / made.shots if made.shots else 0:.1f} s a shot of which {made.hold_s:.1f} s standing"
    stands = f", each frame standing {made.frames_per_shot:.2f} times" if made.frames_per_shot > 1.005 else ""
    lines = [
        f"Print   {duration(print_.print_s)} of motion, {', '.join(what)}",
        f"Shots   {made.shots}{_which(made)}",
        f"Clip    {made.clip_s:.2f} s at {_rate_number(wish.rate):g} frames a second{stands}",
        f"Parking adds {duration(added)} ({share:.0%}): {duration(print_.print_s + added)} in all, {each}",
        "Rates   " + ", ".join(f"{name}: {float(made.shots / rate):.1f} s" for name, rate in STANDARD_RATES.items()),
        f"Data    {made.data_mb:.0f} MB",
    ]
    if print_.heats:
        lines.insert(1, f"        and {print_.heats} waits for heat, whose length no file tells")
    if print_.begins_s:
        lines.append(
            f"Layers  {duration(min(print_.layer_s))} the shortest, {duration(max(print_.layer_s))} the longest"
        )
    return "\n".join(lines + [f"! {warning}" for warning in made.warnings])


def _which(made: Plan) -> str:
    if made.wish.length_s is None:
        every = made.wish.every or 1
        return ", one at every layer" if every == 1 else f", one at every {every} layers"
    if made.shots == len(made.outline.begins_s):
        return ", one at every layer"
    return f", at layers spread evenly by {made.wish.spread}"
