"""The park block: leave a spot, stand at the park point, come back as if nothing had been."""

import math

from lapsed.gcode.hull import Hull
from lapsed.gcode.kinematics import rest_to_rest_s
from lapsed.gcode.way import holds, travel_s, way
from lapsed.model import Block, Motion, Position, Refusal
from lapsed.settings import Machine

PARKED = "lapsed parked"
RETURNED = "lapsed returned"

_NOWHERE = Position(0.0, 0.0, 0.0, 0.0)
_TOLERANCE_MM = 0.01


def number(value: float) -> str:
    """A number as G-code takes it: at most five decimals, no exponent, no needless zeros."""
    text = f"{value:.5f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def block(
    motion: Motion,
    machine: Machine,
    printed_top_mm: float,
    shot: int,
    *,
    echo: bool,
    inches: bool = False,
    offset: Position = _NOWHERE,
    parts: tuple[Hull, ...] = (),
) -> Block | Refusal:
    """The park block for the machine in `motion`, or why parking is not safe here.

    `printed_top_mm` is the height of the tallest thing on the bed, machine coordinates. With `echo` a console line ends
    each half. `inches` is true while G20 is in force, `offset` what G92 has shifted the G-code's coordinates by,
    `parts` are the outlines of what is printed, where they are known.
    Every move is absolute, so either half may run twice without harm. The durations reckon each move from rest to rest;
    the retraction at even speed, as no acceleration is known for it.
    """
    here = motion.position
    if refusal := _refusal(motion, machine, offset):
        return refusal
    start = here.x + offset.x, here.y + offset.y
    height = max(here.z + offset.z + machine.lift_mm, printed_top_mm + machine.clearance_mm)
    if height > machine.height_mm:
        return Refusal(
            f"travelling above the print takes a height of {height:.2f} mm and the machine ends at "
            f"{machine.height_mm:g} mm; lower lift_mm or clearance_mm, or shoot without parking"
        )
    if not all(holds(machine, spot, height, _TOLERANCE_MM) for spot in (start, machine.park_point_mm)):
        return Refusal(f"at the height of {height:.2f} mm the head can't reach so far out; park nearer to the centre")
    found = way(start, machine, height, parts)
    if found is None:
        return Refusal("the rectangles of keep_out_mm leave no way to the park point; move it or them")
    spots = (start, *found.turns, machine.park_point_mm)
    named = [(x - offset.x, y - offset.y) for x, y in spots[1:]]
    draw, push, filament_s = _retraction(motion, machine)
    lift, travel = f"F{number(machine.lift_mm_s * 60)}", f"F{number(machine.travel_mm_s * 60)}"
    stated = ("G90", "M82") if not inches else ("G21", "G90", "M82")
    leave = (
        *stated,
        *draw,
        f"G1 Z{number(height - offset.z)} {lift}",
        *(f"G1 X{number(x)} Y{number(y)} {travel}" for x, y in named),
        "M400",
        *machine.light_on,
        *((f"M118 {PARKED} {shot}",) if echo else ()),
    )
    come_back = (
        *stated,
        *machine.light_off,
        # The lift is said again, so that this half alone crosses nothing if the other was lost.
        f"G1 Z{number(height - offset.z)} {lift}",
        *(f"G1 X{number(x)} Y{number(y)} {travel}" for x, y in reversed(named[:-1])),
        f"G1 X{number(here.x)} Y{number(here.y)} {travel}",
        f"G1 Z{number(here.z)} {lift}",
        *push,
        *((f"G1 F{number(motion.feed_mm_min)}",) if motion.feed_mm_min > 0 else ()),
        *(("G20",) if inches else ()),
        "G90" if motion.absolute else "G91",
        "M82" if motion.absolute_extrusion else "M83",
        *((f"M118 {RETURNED} {shot}",) if echo else ()),
    )
    seconds = (
        rest_to_rest_s(height - offset.z - here.z, machine.lift_mm_s, machine.lift_acceleration_mm_s2)
        + travel_s(spots, machine)
        + filament_s
    )
    return Block(leave, come_back, seconds, seconds)


def _refusal(motion: Motion, machine: Machine, offset: Position) -> Refusal | None:
    """Why the place the head stands at is none to leave from."""
    here = motion.position
    if not all(map(math.isfinite, (here.x, here.y, here.z, here.e, motion.feed_mm_min))):
        return Refusal("the position of the head is no number; home the machine before parking")
    x, y, z = here.x + offset.x, here.y + offset.y, here.z + offset.z
    if not holds(machine, (x, y), 0.0, _TOLERANCE_MM) or not -_TOLERANCE_MM <= z <= machine.height_mm + _TOLERANCE_MM:
        return Refusal(
            f"the head stands at {x:.2f}, {y:.2f}, {z:.2f} mm, outside the machine; check bed and height_mm in the "
            "configuration"
        )
    return None


def _retraction(motion: Motion, machine: Machine) -> tuple[tuple[str, ...], tuple[str, ...], float]:
    """The lines that draw filament back and push it forward again, and the seconds each takes."""
    retraction = machine.retraction
    if retraction.kind == "none" or motion.retracted or retraction.length_mm == 0:
        return (), (), 0.0
    seconds = retraction.length_mm / retraction.speed_mm_s
    if retraction.kind == "firmware":
        return (("G10",), ("G11",), seconds) if motion.retracted is False else ((), (), 0.0)
    e, feed = motion.position.e, f"F{number(retraction.speed_mm_s * 60)}"
    return (
        (f"G1 E{number(e - retraction.length_mm)} {feed}",),
        (f"G1 E{number(e)} {feed}",),
        seconds,
    )
