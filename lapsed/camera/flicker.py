"""Whether lamps on the mains make frames differ in brightness; pure."""

import math
from collections.abc import Iterable

from lapsed.model import Check, Verdict

RIPPLE_MOST = 0.01
"""Share of its light that a frame may vary by under lamps: less than an eye sees from one frame to the next."""


def ripple(exposure_s: float, mains_hz: int) -> float:
    """The share of its light, at most, that an exposure gains or loses by where in a lamp's flicker it begins.

    Lamps flicker at twice the mains frequency. A sine of full depth, averaged over a time t at frequency f, keeps
    |sin(pi f t)| / (pi f t) of its depth: nothing at whole multiples of 1/f, and little once t is long.
    """
    turns = 2 * mains_hz * exposure_s
    return abs(math.sin(math.pi * turns)) / (math.pi * turns)


def flicker(exposure_s: float, mains_hz: int | None) -> Check:
    """Whether frames stay equally bright under lamps on the mains; both frequencies where `mains_hz` is not told."""
    mains = (mains_hz,) if mains_hz is not None else (50, 60)
    worst = {hz: ripple(exposure_s, hz) for hz in mains}
    unsafe = [hz for hz, share in worst.items() if share > RIPPLE_MOST]
    name = shutter_name(exposure_s)
    if not unsafe:
        return Check("lamp flicker", Verdict.PASS, f"{name}: steady under lamps at {_both(mains)} Hz")
    found = f"{name}: up to {max(worst[hz] for hz in unsafe):.0%} brighter or darker under lamps at {_both(unsafe)} Hz"
    advice = " and ".join(f"a whole multiple of 1/{2 * hz} s at {hz} Hz" for hz in unsafe)
    if len(unsafe) < len(mains):
        return Check("lamp flicker", Verdict.WARN, found, f"use {advice}, or tell your own mains by mains_hz")
    return Check("lamp flicker", Verdict.WARN, found, f"use {advice}, or lamps that don't flicker")


def shutter_name(exposure_s: float) -> str:
    """A shutter time as cameras write it: 1/50 s, 0.4 s, 2 s."""
    return f"1/{1 / exposure_s:.0f} s" if exposure_s <= 0.25 else f"{exposure_s:g} s"


def _both(mains: Iterable[int]) -> str:
    return " and ".join(map(str, mains))
