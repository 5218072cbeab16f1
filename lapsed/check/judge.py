"""What the gathered facts come to, one line each; pure."""

import math
from collections.abc import Collection, Iterable, Iterator
from dataclasses import replace

from lapsed.camera.battery import Loss, Wanted, outlook
from lapsed.camera.flicker import flicker
from lapsed.camera.inspection import SAME_SHUTTER
from lapsed.check.facts import Holder, HostFacts, Lately, Light, StoreFacts, TrialFrame, TrialShot, spread
from lapsed.clip.shape import shape
from lapsed.gcode import park
from lapsed.model import Block, Check, Motion, Position, PrintInfo, Refusal, Verdict
from lapsed.settings import Cadence, CameraPart, Clip, Machine, Power, Printer

_MOTION = ("x", "y", "z", "e", "feed_mm_min", "absolute", "absolute_extrusion")
_NICE = frozenset({"file", "identity", "expected_s", "part_height_mm", "layers", "detail", "retracted", "progress"})
_ONLY_PRINTING = frozenset({"layer", "height_mm"})

_LOOK_AT = {
    "url": "look at its power, and open its url in a browser",
    "stream": "look at its power, and open its url in a player",
    "command": "run the program by hand",
}

CLIPPED_MOST = 0.02
"""Share of burnt-out or drowned pixels from which a person should look; a lamp in the picture is less."""


def worst(checks: Iterable[Check]) -> Verdict:
    """The worst verdict among `checks`."""
    order = (Verdict.PASS, Verdict.WARN, Verdict.FAIL)
    return max((check.verdict for check in checks), key=order.index, default=Verdict.PASS)


# ------------------------------------------------------------------------------------------------------- the host


def host(seen: HostFacts, printer: Printer) -> Iterator[Check]:
    """Whether the host answers, and tells what filming needs."""
    if not seen.reached:
        advice = "start the host, and compare the link's url with the host's own reference"
        yield Check("host", Verdict.FAIL, f"{seen.where} cannot be reached: {seen.trouble}", advice)
        return
    if seen.trouble:
        yield Check("host", Verdict.FAIL, seen.trouble, "compare the calls of the link with the host's own reference")
    else:
        now = f", {seen.stage} now" if seen.stage else ""
        yield Check("host", Verdict.PASS, f"{seen.where} answers{now}")
    for name, sample in seen.odd:
        advice = "the pointer leads to something else: compare it with the host's messages"
        yield Check(f"fact {name}", Verdict.WARN, f"found as {sample}, which it can't be", advice)
    yield from _state(seen)
    yield from _head(seen, printer.cadence)
    yield from _progress(seen, printer.cadence)
    rest = [name for name in seen.missing if name in _NICE]
    if rest:
        yield Check("further facts", Verdict.PASS, f"not told at present, and not needed: {', '.join(rest)}")


def _state(seen: HostFacts) -> Iterator[Check]:
    if "state" in seen.missing:
        advice = "give the pointer for state: without it no print is noticed"
        yield Check("state", Verdict.FAIL, "not told", advice)


def _head(seen: HostFacts, cadence: Cadence) -> Iterator[Check]:
    if not cadence.park or cadence.cue_lines_only:
        return
    missing = [name for name in _MOTION if name in seen.missing]
    if missing:
        advice = "give their pointers, or set park = false: without them the head is not moved"
        yield Check("head", Verdict.FAIL, f"not told: {', '.join(missing)}", advice)
    else:
        yield Check("head", Verdict.PASS, "position, feed rate and modes are told")


def _progress(seen: HostFacts, cadence: Cadence) -> Iterator[Check]:
    missing = _ONLY_PRINTING & set(seen.missing)
    if cadence.every_s is not None or cadence.cue_lines_only:
        return
    if len(missing) < 2:
        told = "layer and height are" if not missing else f"{min(_ONLY_PRINTING - missing)} is"
        yield Check("layer changes", Verdict.PASS, f"{told.replace('height_mm', 'height')} told")
    elif seen.stage in ("printing", "paused", "held"):
        advice = "give a pointer for layer or height_mm, or set every_s"
        yield Check("layer changes", Verdict.FAIL, "neither layer nor height is told", advice)
    else:
        advice = "many hosts tell them only while they print: check again during a print"
        yield Check("layer changes", Verdict.WARN, "neither layer nor height is told", advice)


# ----------------------------------------------------------------------------------------------- machine and disk


def park_point(machine: Machine, cadence: Cadence, top_mm: float | None = None) -> Check:
    """Whether the head can get to the park point and back within the hold limit, from the farthest spot.

    `top_mm` is how high the part becomes, where that is known.
    """
    x, y = machine.park_point_mm
    where = f"{x:g}, {y:g}"
    if not cadence.park:
        return Check("park point", Verdict.PASS, "not used, as park = false")
    blocks = [_block(machine, corner, top_mm or 0.2) for corner in _corners(machine)]
    longest_s = max((block.leave_s + block.come_back_s for block in blocks if isinstance(block, Block)), default=None)
    if longest_s is None:
        why, _, advice = next(block.reason for block in blocks if isinstance(block, Refusal)).partition("; ")
        above = f", above a part of {top_mm:.1f} mm" if top_mm is not None else ""
        return Check("park point", Verdict.FAIL, f"{where}{above}: {why}", advice or "see [printer.machine]")
    if longest_s + machine.settle_s >= cadence.hold_limit_s:
        found = f"{where}; there and back takes up to {longest_s:.1f} s, hold_limit_s is {cadence.hold_limit_s:g}"
        return Check("park point", Verdict.WARN, found, "park nearer, travel faster or raise hold_limit_s")
    above = f" and above the part's {top_mm:.1f} mm" if top_mm is not None else ""
    return Check(
        "park point", Verdict.PASS, f"{where}, inside the machine{above}; up to {longest_s:.1f} s there and back"
    )


def _corners(machine: Machine) -> Iterator[tuple[float, float]]:
    bed = machine.bed
    if bed.shape == "rectangle":
        yield from ((x, y) for x in bed.x_mm for y in bed.y_mm)
    else:
        for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1)):
            yield bed.centre_mm[0] + dx * bed.radius_mm, bed.centre_mm[1] + dy * bed.radius_mm


def _block(machine: Machine, corner: tuple[float, float], top_mm: float) -> Block | Refusal:
    motion = Motion(Position(*corner, top_mm, 0.0), 1800, absolute=True, absolute_extrusion=True)
    return park.block(motion, machine, top_mm, 1, echo=False)


def store(seen: StoreFacts, min_free_mb: int, wanted: int | None, frame_bytes: int | None) -> Iterator[Check]:
    """Whether takes can be written, and the room for them: not of a folder that can't be, which may be another disk."""
    yield folder(seen)
    if seen.trouble is None:
        yield disk(seen, min_free_mb, wanted, frame_bytes)


def folder(store: StoreFacts) -> Check:
    """Whether takes can be written."""
    if store.trouble is not None:
        advice = "give yourself the right to write there, or name another folder in [store]"
        return Check("folder", Verdict.FAIL, f"{store.folder}: {store.trouble}", advice)
    return Check("folder", Verdict.PASS, f"{store.folder} can be written")


def frames_wanted(cadence: Cadence, running: PrintInfo | None = None, done: float = 0.0) -> int | None:
    """How many frames the rule still comes to in the running print; None where that depends on one not known yet."""
    layers = running.layers if running is not None else None
    by_rule: float | None = None
    if cadence.length_s is not None:
        by_rule = round(cadence.length_s * cadence.rate)
        if cadence.fill == "hold" and layers:
            by_rule = min(by_rule, layers)
    elif cadence.every_layers is not None and layers:
        by_rule = layers / cadence.every_layers
    elif cadence.every_mm is not None and running is not None and running.height_mm:
        by_rule = running.height_mm / cadence.every_mm
    elif cadence.every_s is not None and running is not None and running.expected_s:
        by_rule = running.expected_s / cadence.every_s
    return None if by_rule is None else math.ceil(by_rule * (1 - done)) + int(cadence.last_frame)


def supplies(told: Iterable[Check], last: Lately, wanted: Wanted) -> Iterator[Check]:
    """The lines of a camera, with its card and battery judged by what is wanted of them, and by its last take."""
    for check in told:
        yield battery(card(check, wanted.shots, last.bytes_each), last.loss, wanted)


def battery(told: Check, lost: Loss | None, wanted: Wanted) -> Check:
    """Whether the battery lasts, where it is known what it loses; else as the camera's line."""
    if told.charge_percent is None or lost is None:
        return told
    seen = outlook(told.charge_percent, lost, wanted)
    found = f"{told.charge_percent} %, {seen.text}"
    advice = "" if seen.verdict is Verdict.PASS else "charge it, or feed it from the mains with a supply made for it"
    return replace(told, verdict=seen.verdict, found=found, advice=advice)


def card(told: Check, wanted: int | None, frame_bytes: int | None) -> Check:
    """Whether the card holds the frames of a take, where their number and size are known; else as the camera's line."""
    if told.free_mb is None or wanted is None or not frame_bytes:
        return told
    fits = int(told.free_mb * 1e6 / frame_bytes)
    room = f"room for {fits} shots of {frame_bytes / 1e6:.1f} MB; the rule wants {wanted}"
    found = f"{told.free_mb / 1000:.1f} GB free, {room}"
    if fits < wanted:
        return replace(told, verdict=Verdict.FAIL, found=found, advice="empty the card, or ask for fewer frames")
    return replace(told, verdict=Verdict.PASS, found=found, advice="")


def disk(store: StoreFacts, min_free_mb: int, wanted: int | None, frame_bytes: int | None) -> Check:
    """Whether the disk holds the frames of a take."""
    room_mb = store.free_mb - min_free_mb
    found = f"{store.free_mb / 1000:.1f} GB free"
    if room_mb <= 0:
        advice = f"free some, or no shot is begun (min_free_mb is {min_free_mb})"
        return Check("disk space", Verdict.FAIL, found, advice)
    if frame_bytes is None:
        return Check("disk space", Verdict.PASS, found)
    fits = int(room_mb * 1e6 / max(frame_bytes, 1))
    found += f", room for {fits} shots of {frame_bytes / 1e6:.1f} MB"
    if wanted is None:
        verdict = Verdict.PASS if fits >= 1000 else Verdict.WARN
        return Check("disk space", verdict, found, "" if fits >= 1000 else "compare that with the layers of the print")
    if fits < wanted:
        return Check("disk space", Verdict.FAIL, f"{found}; the rule wants {wanted}", "free some, or ask for fewer")
    return Check("disk space", Verdict.PASS, f"{found}; the rule wants {wanted}")


# -------------------------------------------------------------------------------------------------------- a camera


def away(text: str, kind: str, holders: Collection[Holder]) -> Check:
    """Why a camera of this `kind` is not to be had, and who has it; behind a colon or so `text` may say what to do."""
    if holders:
        named = ", ".join(f"{holder.program} (process {holder.pid})" for holder in holders)
        return Check("found", Verdict.FAIL, text, f"{named} has it open: end that program, then check again")
    says = ": " in text or "; " in text
    advice = "do as it says" if says else _LOOK_AT.get(kind, "look at its cable, power and sleep timer")
    return Check("found", Verdict.FAIL, text, f"{advice}, then check again")


def power(switch: Power, program: str | None) -> Check:
    """Whether the camera's power can be switched; `program` is where the program was found."""
    if program is None:
        advice = "give its whole path in argv, and make it executable (chmod +x)"
        return Check("power", Verdict.FAIL, f"there is no program {switch.argv[0]!r} that may be run", advice)
    found = f"switched by {program}, after {switch.after_failures} failures, at most {switch.most} times in a print"
    return Check("power", Verdict.PASS, found)


def cycle(shots: Collection[TrialShot], part: CameraPart, cadence: Cadence) -> Iterator[Check]:
    """How long shots take, and whether that fits the deadlines."""
    missed = [shot.missed for shot in shots if shot.missed is not None]
    if missed:
        reason = f"{len(missed)} of {len(shots)} missed: {missed[0]}"
        yield Check("test shots", Verdict.FAIL, reason, "mend that, then check again")
    exposed = spread([shot.exposed_s for shot in shots if shot.exposed_s is not None])
    if exposed is None:
        return
    lag_s = exposed.median_s - part.exposure_s
    text = f"{exposed.median_s:.2f} s after the order, at worst {exposed.worst_s:.2f}; lag {max(lag_s, 0):.2f}"
    if cadence.park and exposed.worst_s > 0.75 * cadence.hold_limit_s:
        advice = "raise hold_limit_s, or find out why the camera is slow"
        yield Check("shutter closed", Verdict.WARN, text, advice)
    elif exposed.worst_s > 0.75 * part.expose_within_s:
        yield Check("shutter closed", Verdict.WARN, text, f"raise expose_within_s, which is {part.expose_within_s:g}")
    else:
        yield Check("shutter closed", Verdict.PASS, text)
    yield from _landed(shots, part)


def _landed(shots: Collection[TrialShot], part: CameraPart) -> Iterator[Check]:
    landed = spread([shot.landed_s for shot in shots if shot.landed_s is not None])
    if landed is not None:
        text = f"{landed.median_s:.2f} s after the order, at worst {landed.worst_s:.2f}"
        if landed.worst_s > 0.75 * part.fetch_within_s:
            yield Check("file safe", Verdict.WARN, text, f"raise fetch_within_s, which is {part.fetch_within_s:g}")
        else:
            yield Check("file safe", Verdict.PASS, text)
    elif any(shot.on_card for shot in shots):
        advice = "after the print: lapsed ingest TAKE FOLDER"
        yield Check("file safe", Verdict.PASS, "the photos stay on the camera's card", advice)


def frame(seen: TrialFrame, part: CameraPart, clips: Iterable[Clip]) -> Iterator[Check]:
    """What the test frame tells: size against the clips, shutter and lamps, light."""
    size = (
        f"{seen.width}x{seen.height}, {seen.width * seen.height / 1e6:.1f} megapixels, {seen.size_bytes / 1e6:.1f} MB"
    )
    yield Check("test frame", Verdict.PASS, f"{size}: {seen.path}")
    for clip in clips:
        made = shape((seen.width, seen.height), clip.model_copy(update={"enlarge": False}))
        if made.smaller and clip.size_px is not None:
            short = f"its {clip.size_px[0]}x{clip.size_px[1]} would be {made.size[0]}x{made.size[1]}"
            advice = "set the camera to larger pictures, or the clip to a smaller size"
            yield Check(f"clip {clip.name}", Verdict.WARN, short, advice)
    shutter_s = seen.shutter_s if seen.shutter_s is not None else part.exposure_s
    if abs(shutter_s / part.exposure_s - 1) > SAME_SHUTTER:
        text = f"the frame tells {shutter_s:g} s, and exposure_s is {part.exposure_s:g}"
        longer = shutter_s > part.exposure_s
        yield Check("exposure_s", Verdict.FAIL if longer else Verdict.WARN, text, "set exposure_s to the camera's time")
    yield flicker(shutter_s, part.mains_hz)
    if seen.light is not None:
        yield light(seen.light)


def light(seen: Light) -> Check:
    """Whether the test frame is exposed well, as far as a machine can tell."""
    text = f"median {seen.middle} of 255, {seen.white:.1%} burnt out, {seen.black:.1%} black"
    if seen.white > CLIPPED_MOST and seen.black > CLIPPED_MOST:
        return Check("exposure", Verdict.WARN, text, "too much contrast: soften or move the lamps")
    if seen.white > CLIPPED_MOST:
        return Check("exposure", Verdict.WARN, text, "close the aperture or lower the ISO: white plastic has no detail")
    if seen.middle < 25 or seen.black > 10 * CLIPPED_MOST:
        return Check("exposure", Verdict.WARN, text, "add light, open the aperture or raise the ISO; is the cap off?")
    return Check("exposure", Verdict.PASS, text)
