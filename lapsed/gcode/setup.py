"""What the configuration says of the machine, as reading needs it."""

from lapsed.gcode.dialect import Dialect
from lapsed.gcode.reading import Setup
from lapsed.gcode.span import Firmware
from lapsed.gcode.timing import Limits
from lapsed.settings import Machine


def dialect_of(machine: Machine) -> Dialect:
    """How the machine's firmware reads lines."""
    firmware = machine.firmware
    return Dialect(
        lower_case=firmware.lower_case,
        extruder_follows=firmware.extruder_follows,
        bare_g92_zeroes=firmware.bare_g92_zeroes,
        g10_retracts=firmware.g10_retracts,
        exponents=firmware.exponents,
    )


def setup_of(machine: Machine) -> Setup:
    """Dialect, limits and firmware retraction of the machine."""
    motors = machine.motors
    limits = Limits(
        speed=motors.speed_mm_s,
        acceleration=motors.acceleration_mm_s2,
        printing=motors.printing_mm_s2,
        travel=motors.travel_mm_s2,
        retract=motors.retract_mm_s2,
        deviation_mm=motors.deviation_mm,
        jerk=motors.jerk_mm_s,
        least_s=motors.least_move_s,
    )
    retraction = machine.retraction
    return Setup(dialect_of(machine), limits, Firmware(retraction.length_mm, retraction.speed_mm_s * 60))
