"""The block that a marked file has at a shot: park, cue, wait for the shutter, come back."""

from dataclasses import dataclass, replace

from lapsed.gcode import park
from lapsed.gcode.dialect import Dialect
from lapsed.gcode.hull import Hull
from lapsed.gcode.state import INCH_MM, State, relative_extrusion
from lapsed.model import Block, Refusal
from lapsed.settings import Machine

BEGIN, END = ";lapsed begin", ";lapsed end"
CUE = "M118 lapsed cue"
RELEASE_LAG_S = 0.15
"""From the order to the opening shutter: 50 to 120 ms with manual focus, as amateurs measured reflex bodies."""


@dataclass(frozen=True, slots=True)
class Dwell:
    """How long the head stays at the park point after the cue, and what that is made of, s.

    `latency_s`: from the cue line to our order. `lag_s`: from the order to the open shutter. `margin_s`: for chance.
    """

    latency_s: float = 0.15
    lag_s: float = RELEASE_LAG_S
    exposure_s: float = 0.25
    margin_s: float = 0.3

    @property
    def total_s(self) -> float:
        """All of it."""
        return self.latency_s + self.lag_s + self.exposure_s + self.margin_s

    def __str__(self) -> str:
        return (
            f"{self.total_s:.2f} s: {self.latency_s:g} until the cue is heard, {self.lag_s:g} release lag, "
            f"{self.exposure_s:g} exposure, {self.margin_s:g} margin"
        )


def dwell_of(machine: Machine, exposure_s: float, lag_s: float = RELEASE_LAG_S) -> Dwell:
    """The dwell that the machine's figures and the camera's come to."""
    return Dwell(machine.cue_latency_s, lag_s, exposure_s, machine.cue_margin_s)


def cue_block(
    state: State,
    top_mm: float,
    machine: Machine,
    number: int,
    *,
    dialect: Dialect,
    dwell: Dwell,
    parts: tuple[Hull, ...] = (),
) -> tuple[str, ...] | Refusal:
    """The lines for a machine in `state`, or why it can't be parked; `parts` are the outlines of what is printed.

    `top_mm` is the height of everything printed so far.
    """
    if not state.known >= frozenset("XYZ"):
        return Refusal("the file has not told by here where the head is; home at its start")
    motion = state.motion()
    named: tuple[str, ...] = ()
    if "E" not in state.known:
        if relative_extrusion(state, dialect):
            # Nothing in the file depends on E's name, so naming it changes nothing.
            named = (f"G92 E{park.number(state.position.e / (INCH_MM if state.inches else 1))}",)
        else:
            motion = replace(motion, retracted=True)
    made = park.block(
        motion, machine, top_mm, number, echo=False, inches=state.inches, offset=state.offset, parts=parts
    )
    if not isinstance(made, Block):
        return made
    settle = round(machine.settle_s * 1000)
    return (
        f"{BEGIN} {number}",
        *named,
        *made.leave,
        *((f"G4 P{settle}",) if settle else ()),
        f"{CUE} {number}",
        f"G4 P{round(dwell.total_s * 1000)}",
        *made.come_back,
        f"{END} {number}",
    )
