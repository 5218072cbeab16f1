"""What a release line's wiring does for each state of its two control lines; pure."""

from lapsed.camera.flicker import flicker
from lapsed.model import Check, Verdict
from lapsed.settings import ReleaseCamera

LEAST_PRESS_S = 0.1
"""Cameras heed presses from 0.02 to 0.1 s on; common practice, no source."""


def fires(part: ReleaseCamera, *, rts: bool, dtr: bool) -> bool:
    """Whether the shutter contact is closed while the lines are asserted (true) or not."""
    active = _active(part, rts=rts, dtr=dtr)
    return part.shutter in active and (not part.require_both or part.focus in active)


def opening_fires(part: ReleaseCamera) -> bool:
    """Whether opening the port fires: the kernel raises both lines then (serial_core.c, uart_port_startup)."""
    return fires(part, rts=True, dtr=True)


def closing_fires(part: ReleaseCamera) -> bool:
    """Whether a closed port keeps the contact closed: the kernel drops both lines then (termios(3), HUPCL)."""
    return fires(part, rts=False, dtr=False)


def checks(part: ReleaseCamera) -> tuple[Check, ...]:
    """What may be said of this wiring and these times before a print."""
    lines = f"{part.shutter} closes the shutter contact"
    if part.focus != "none":
        lines += f", {part.focus} the focus contact"
    found = [Check("release line", Verdict.PASS, f"{part.port} is open; {lines}"), _opening(part)]
    if closing_fires(part):
        found.append(
            Check(
                "port closed",
                Verdict.FAIL,
                "the shutter contact is closed for as long as the port is not open",
                "wire the shutter's optocoupler so that it conducts while its line is asserted, and take the line out"
                " of inverted",
            )
        )
    if part.full_press_s < LEAST_PRESS_S:
        found.append(
            Check(
                "full press",
                Verdict.WARN,
                f"the shutter contact is closed for {part.full_press_s:g} s, which some cameras don't heed",
                f"set full_press_s to {LEAST_PRESS_S:g} or more",
            )
        )
    wait = f"the print waits {part.least_s:.2f} s for each shot, by the clock: no wire tells of the shutter"
    advice = "see on the card that test shots are sharp and that the head is out of them; else raise release_lag_s"
    return (*found, Check("shutter closed", Verdict.WARN, wait, advice), flicker(part.exposure_s, part.mains_hz))


def _opening(part: ReleaseCamera) -> Check:
    if not opening_fires(part):
        return Check("opening the port", Verdict.PASS, "the lines as the system raises them do not fire the camera")
    return Check(
        "opening the port",
        Verdict.WARN,
        "the system raises both lines for an instant, which may fire the camera once; that picture is no shot",
        "leave it, or wire the optocouplers in series and the focus one the other way round: require_both = true,"
        f' inverted = ["{part.focus if part.focus != "none" else "dtr"}"]',
    )


def _active(part: ReleaseCamera, *, rts: bool, dtr: bool) -> set[str]:
    states = {"rts": rts, "dtr": dtr}
    return {line for line, asserted in states.items() if asserted is not (line in part.inverted)}
