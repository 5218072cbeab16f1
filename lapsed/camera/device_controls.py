"""The controls of a capture device set for steady pictures: manual exposure, gain, focus and white balance."""

from collections.abc import Iterator

from lapsed.camera.v4l2 import Device
from lapsed.model import Check, Verdict
from lapsed.settings import CaptureCamera

_MANUAL = 1  # V4L2_EXPOSURE_MANUAL
_EXPOSURE_STEP_S = 1e-4  # V4L2_CID_EXPOSURE_ABSOLUTE counts units of 100 microseconds
_MAINS = {50: 1, 60: 2}  # V4L2_CID_POWER_LINE_FREQUENCY_50HZ and _60HZ


def set_up(device: Device, part: CaptureCamera) -> tuple[Check, ...]:
    """Set all that does not have to settle; what came of it. Raises OSError."""
    if not part.manual:
        advice = "set manual = true, so that the clip does not flicker"
        return (Check("exposure", Verdict.WARN, "exposure and white balance are left automatic", advice),)
    return tuple(_set_up(device, part))


def _set_up(device: Device, part: CaptureCamera) -> Iterator[Check]:
    yield _exposure(device, part.exposure_s)
    if device.control("auto_gain") is not None:
        device.set_control("auto_gain", 0)
    yield from _value(device, "gain", part.gain)
    if part.focus is not None:
        if device.control("auto_focus") is not None:
            device.set_control("auto_focus", 0)
        yield from _value(device, "focus", part.focus)
    elif device.control("auto_focus") is not None:
        yield Check("focus", Verdict.WARN, "it is left automatic, and may hunt", "set focus, in the device's own steps")
    if part.mains_hz is not None and device.control("mains") is not None:
        device.set_control("mains", _MAINS[part.mains_hz])


def _exposure(device: Device, exposure_s: float) -> Check:
    if device.control("auto_exposure") is not None:
        device.set_control("auto_exposure", _MANUAL)
    there = device.control("exposure")
    if there is None:
        return Check(
            "exposure",
            Verdict.WARN,
            "the device has no control for it",
            "behind an HDMI stick set the camera itself to manual; a webcam without it is not steady",
        )
    got_s = device.set_control("exposure", there.nearest(exposure_s / _EXPOSURE_STEP_S)) * _EXPOSURE_STEP_S
    if abs(got_s - exposure_s) <= 0.1 * exposure_s:
        return Check("exposure", Verdict.PASS, f"manual, {got_s:g} s")
    range_s = f"{there.least * _EXPOSURE_STEP_S:g} to {there.most * _EXPOSURE_STEP_S:g} s"
    return Check("exposure", Verdict.WARN, f"manual, {got_s:g} s; {exposure_s:g} was asked for", f"it can do {range_s}")


def settle(device: Device, part: CaptureCamera) -> tuple[Check, ...]:
    """Fix the white balance, once the device has run warm: at what is set, or where automatic has brought it."""
    if not part.manual:
        return ()
    if device.control("auto_white_balance") is None:
        advice = "set the camera's own to a fixed value"
        return (Check("white balance", Verdict.WARN, "the device has no control for it", advice),)
    device.set_control("auto_white_balance", 0)
    if part.white_balance_k is None:
        return (Check("white balance", Verdict.PASS, "fixed where automatic had brought it"),)
    return tuple(_value(device, "white_balance_k", part.white_balance_k))


def _value(device: Device, name: str, value: int | None) -> Iterator[Check]:
    if value is None:
        return
    what = name.removesuffix("_k").replace("_", " ")
    there = device.control(name)
    if there is None:
        yield Check(what, Verdict.WARN, "the device has no control for it", f"take {name} out of the camera's part")
        return
    got = device.set_control(name, there.nearest(value))
    if got == value:
        yield Check(what, Verdict.PASS, f"fixed at {got}")
    else:
        advice = f"it can do {there.least} to {there.most} in steps of {there.step}"
        yield Check(what, Verdict.WARN, f"fixed at {got}; {value} was asked for", advice)
