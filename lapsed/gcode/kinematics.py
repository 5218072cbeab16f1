"""How long a move takes at bounded speed and acceleration."""

import math


def rest_to_rest_s(length_mm: float, speed_mm_s: float, acceleration_mm_s2: float) -> float:
    """Duration of a straight move that starts and ends at rest, s.

    A trapezoid of speed over time, a triangle where the move is too short to reach `speed_mm_s`. From
    v1^2 = v0^2 + 2 a d and v = a t, motion at constant acceleration as in any handbook of mechanics.
    """
    if length_mm <= 0:
        return 0.0
    peak = min(speed_mm_s, math.sqrt(acceleration_mm_s2 * length_mm))
    return length_mm / peak + peak / acceleration_mm_s2
