"""What the settings and supplies that a camera tells of come to before a print; pure.

Each function gives one line of the check, or None where the camera does not tell and a person need not look.
"""

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass

from lapsed.model import Check, Verdict
from lapsed.settings import GphotoCamera

SAME_SHUTTER = 0.15
"""How far two names of one shutter time lie apart at most: cameras call 1/64 s 1/60 s."""

CLOCK_OFF_S = 60.0
"""A camera's clock may be off by so much without a word; matching photos to shots reckons with far more."""


@dataclass(frozen=True, slots=True)
class Told:
    """What a camera told when it was asked, in its own words; None or nothing where it did not tell.

    `sizes` are the picture sizes it offers, `free_mb` the room on each of its stores, `clock_s` how far its clock is
    ahead of ours, `readings` the figures that the configuration asks for by name.
    """

    battery: str | None = None
    modes: tuple[str, ...] = ()
    focus: str | None = None
    white_balance: str | None = None
    quality: str | None = None
    size: str | None = None
    sizes: tuple[str, ...] = ()
    shutter: str | None = None
    target: str | None = None
    free_mb: tuple[float, ...] = ()
    clock_s: float | None = None
    readings: tuple[tuple[str, str], ...] = ()


def checks(told: Told, part: GphotoCamera) -> tuple[Check, ...]:
    """All lines for a camera that tells of its settings."""
    lines = (
        battery(told.battery),
        exposure_mode(told.modes),
        shutter(told.shutter, part.exposure_s),
        focus(told.focus),
        white_balance(told.white_balance),
        file_format(told.quality),
        file_size(told.size, told.sizes),
        target(told.target, keep_on_card=part.keep_on_card),
        card(told.free_mb) if part.keep_on_card else None,
        clock(told.clock_s),
        *(Check(name, Verdict.PASS, figure) for name, figure in told.readings),
    )
    return tuple(line for line in lines if line is not None)


def percent(told: str | None) -> int | None:
    """The percent that a camera tells of its battery; None for words."""
    number = re.fullmatch(r"([0-9]{1,3}) ?%?", told.strip()) if told is not None else None
    return int(number[1]) if number is not None else None


def battery(told: str | None) -> Check | None:
    """Whether the battery lasts, where nothing more is known; a camera on the mains tells so, or a full battery."""
    if told is None:
        return Check("battery", Verdict.WARN, "the camera does not tell", "look at it; best feed it from the mains")
    left = percent(told)
    if left is None:
        bad = re.search(r"low|empty|exhaust", told, re.IGNORECASE)
        verdict = Verdict.FAIL if bad else Verdict.PASS
        return Check("battery", verdict, told, "charge it, or feed it from the mains" if bad else "")
    verdict = floor(left)
    advice = {
        Verdict.PASS: "",
        Verdict.WARN: "may not last a long print: feed it from the mains with a supply made for it",
        Verdict.FAIL: "charge it, or feed it from the mains",
    }
    return Check("battery", verdict, f"{left} %", advice[verdict], charge_percent=left)


def floor(left: int) -> Verdict:
    """What so many percent in a battery are worth, where nothing is known of what it loses; common practice."""
    return Verdict.FAIL if left < 20 else Verdict.WARN if left < 60 else Verdict.PASS


def not_manual(modes: Iterable[str]) -> str | None:
    """The first of the exposure modes that a camera tells of that is not manual; None if there is none."""
    return next((mode for mode in modes if not re.match(r"m\b|manual", mode.strip(), re.IGNORECASE)), None)


def exposure_mode(modes: tuple[str, ...]) -> Check:
    """Whether exposure is manual: automatic exposure makes a clip flicker."""
    told = not_manual(modes)
    if told is not None:
        return Check("exposure mode", Verdict.FAIL, told, "set the camera to manual exposure")
    if not modes:
        advice = "see that it is set to manual, with a fixed ISO"
        return Check("exposure mode", Verdict.WARN, "the camera does not tell", advice)
    return Check("exposure mode", Verdict.PASS, modes[0])


def focus(told: str | None) -> Check:
    """Whether focus is manual: a camera that hunts for focus is late, or does not fire at all."""
    if told is None:
        advice = "see that lens and camera are set to manual focus"
        return Check("focus", Verdict.WARN, "the camera does not tell", advice)
    if re.match(r"m\b|mf\b|manual", told.strip(), re.IGNORECASE):
        return Check("focus", Verdict.PASS, told)
    return Check("focus", Verdict.FAIL, told, "set manual focus, and focus on the part with lapsed shoot --focus")


def white_balance(told: str | None) -> Check | None:
    """Whether white balance is fixed: automatic balance shifts colours from frame to frame."""
    if told is None:
        return None
    if re.search(r"auto", told, re.IGNORECASE):
        return Check("white balance", Verdict.WARN, told, "set it to a fixed value, or colours shift between frames")
    return Check("white balance", Verdict.PASS, told)


def file_format(told: str | None) -> Check | None:
    """Whether the camera writes a JPEG, which clips are stitched from."""
    if told is None:
        return None
    raw = re.search(r"raw|nef\b", told, re.IGNORECASE)
    both = re.search(r"jpe?g|fine|normal|basic|[+]", told, re.IGNORECASE)
    if raw and not both:
        return Check("file format", Verdict.FAIL, told, "set JPEG, or raw with JPEG: clips are stitched from JPEGs")
    return Check("file format", Verdict.PASS, told)


def pixels(size: str) -> int | None:
    """How many pixels a size such as "6000x4000" has; None for other words."""
    found = re.search(r"([0-9]{2,5}) ?[x*×] ?([0-9]{2,5})", size)  # noqa: RUF001 - cameras write it like this
    return int(found[1]) * int(found[2]) if found else None


def file_size(told: str | None, offered: tuple[str, ...]) -> Check | None:
    """Whether the pictures are as large as the camera can make them, as far as it tells in pixels."""
    if told is None:
        return None
    now = pixels(told)
    largest = max(offered, key=lambda size: pixels(size) or 0, default="")
    if now is not None and now < (pixels(largest) or 0):
        return Check("picture size", Verdict.WARN, told, f"set it to {largest.strip()}, the largest that it offers")
    return Check("picture size", Verdict.PASS, told)


def target(told: str | None, *, keep_on_card: bool) -> Check | None:
    """Whether the pictures go where the configuration wants them."""
    if told is None:
        return None
    on_card = "card" in told.lower()
    if keep_on_card and not on_card:
        return Check("capture target", Verdict.WARN, told, "keep_on_card is true, but nothing is kept on the card")
    if on_card and not keep_on_card:
        return Check("capture target", Verdict.WARN, told, "without a card in it, the camera may refuse to fire")
    return Check("capture target", Verdict.PASS, told)


def card(free_mb: tuple[float, ...]) -> Check | None:
    """Whether the card has room, where pictures stay on it."""
    if not free_mb:
        return None
    most = max(free_mb)
    found = f"{most / 1000:.1f} GB free"
    if most < 100:
        return Check("card space", Verdict.FAIL, found, "empty the card: it holds a few pictures more at most", most)
    if most < 4000:
        return Check("card space", Verdict.WARN, found, "empty the card before a long print", most)
    return Check("card space", Verdict.PASS, found, free_mb=most)


def clock(ahead_s: float | None) -> Check | None:
    """How far the camera's clock is off; its photos carry that time."""
    if ahead_s is None:
        return None
    found = f"{span(abs(ahead_s))} {'ahead of' if ahead_s > 0 else 'behind'} this computer's"
    if abs(ahead_s) < 1:
        return Check("clock", Verdict.PASS, "right to the second")
    if abs(ahead_s) <= CLOCK_OFF_S:
        return Check("clock", Verdict.PASS, found)
    return Check("clock", Verdict.WARN, found, "set the camera's clock, so that its files carry the right time")


def span(seconds: float) -> str:
    """A length of time as a person says it: 0.4 s, 3 min 5 s, 2 h 30 min, 3 days."""
    if seconds < 10:
        return f"{seconds:.1f} s"
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60} s"
    if whole < 172_800:
        return f"{whole // 3600} h {whole % 3600 // 60} min"
    return f"{whole // 86_400} days"


def seconds(told: str) -> float | None:
    """A shutter time such as "1/125", "0.0200s" or "2.5" in seconds; None for words such as "bulb"."""
    found = re.fullmatch(
        r"([0-9]{1,6}(?:\.[0-9]{1,6})?)(?: ?/ ?([0-9]{1,6}(?:\.[0-9]{1,6})?))? ?(?:s|sec)?", told.strip()
    )
    if found is None or (found[2] is not None and float(found[2]) == 0):
        return None
    return float(found[1]) / float(found[2] or 1) or None


def shutter(told: str | None, exposure_s: float) -> Check | None:
    """Whether the shutter time is the one that deadlines and the head's wait are reckoned with."""
    time_s = seconds(told) if told is not None else None
    if told is None or time_s is None:
        return None if told is None else Check("shutter time", Verdict.WARN, told, "set a time in seconds")
    if abs(math.log(time_s / exposure_s)) <= SAME_SHUTTER:
        return Check("shutter time", Verdict.PASS, told)
    found = f"{told}, but exposure_s is {exposure_s:g}"
    if time_s > exposure_s:
        return Check("shutter time", Verdict.FAIL, found, "make both the same, or the head leaves too early")
    return Check("shutter time", Verdict.WARN, found, "make both the same, so that the print doesn't wait for nothing")
