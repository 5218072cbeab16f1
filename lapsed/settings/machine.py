"""The printer's mechanics and how its firmware reads G-code."""

from typing import Annotated, Literal, Self

from pydantic import Discriminator, Field, Tag, model_validator

from lapsed.settings.base import NonNegativeMm, Part, Point, PositiveMm


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

    narrows_from_mm: PositiveMm | None = Field(
        None,
        description="height from which on the head reaches less and less far, down to the centre alone at height_mm; "
        "left out, it reaches the whole circle at any height",
    )

    def reach_mm(self, at_mm: float, height_mm: float) -> float:
        """How far from the centre the head may go at a height, on a machine that ends at `height_mm`.

        The reach of three arms is a dome; the cone within it is the careful reading of it.
        """
        begins = self.narrows_from_mm
        if begins is None or at_mm <= begins:
            return self.radius_mm
        return self.radius_mm * max(height_mm - at_mm, 0.0) / max(height_mm - begins, 1e-9)

    def holds(self, point: Point) -> bool:
        """Whether the head may stand at `point`, mm, low above the bed."""
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
        (),
        description="rectangles [least X, least Y, greatest X, greatest Y] that parking must keep clear of, for clips; "
        "make them wider than the clips by what the head is wider than its nozzle",
    )
    detour_s: Annotated[float, Field(ge=0, le=30)] = Field(
        0.7,
        description="how much longer the way to the park point may take to lead round the part instead of over it, "
        "where its outline is known; drops of filament then fall beside it",
    )
    heating_s: Annotated[float, Field(ge=0, le=3600)] = Field(
        120.0, description="allowed in a plan for each wait for heat, whose length no file tells"
    )
    settle_s: Annotated[float, Field(ge=0, le=30)] = Field(
        0.3, description="rest at the park point before the shutter opens; more for a machine that rings on"
    )
    cue_latency_s: Annotated[float, Field(ge=0, le=30)] = Field(
        0.15, description="marked files: from a cue line until the camera is told; more for a host that answers slowly"
    )
    cue_margin_s: Annotated[float, Field(ge=0, le=30)] = Field(
        0.3, description="marked files: how much longer than reckoned the head waits for the shutter"
    )
    light_on: tuple[str, ...] = Field((), description="G-code lines sent at the park point before the shot, for a lamp")
    light_off: tuple[str, ...] = Field((), description="G-code lines sent when the head goes back")

    @model_validator(mode="after")
    def _park_point_reachable(self) -> Self:
        if not self.bed.holds(self.park_point_mm):
            x, y = self.park_point_mm
            raise ValueError(f"park_point_mm {x:g}, {y:g} lies outside the bed; choose a point the head can reach")
        for x0, y0, x1, y1 in self.keep_out_mm:
            if not (x0 < x1 and y0 < y1):
                raise ValueError("a rectangle of keep_out_mm is [least X, least Y, greatest X, greatest Y], in order")
        if any(x0 <= x <= x1 and y0 <= y <= y1 for x0, y0, x1, y1 in self.keep_out_mm for x, y in [self.park_point_mm]):
            raise ValueError("park_point_mm lies within a rectangle of keep_out_mm; move the one or the other")
        if self.lift_mm + self.clearance_mm > self.height_mm:
            raise ValueError("lift_mm and clearance_mm together exceed height_mm")
        return self
