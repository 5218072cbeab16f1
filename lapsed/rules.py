"""What the configuration of a printer lays down for its director."""

from lapsed import forecaster
from lapsed.decide.state import Rules
from lapsed.settings import BridgeLink, FeedLink, Printer


def rules_of(printer: Printer) -> Rules:
    """The director's rules for `printer`."""
    cameras = tuple(camera.name for camera in printer.camera)
    required = frozenset(camera.name for camera in printer.camera if camera.required)
    return Rules(
        cadence=printer.cadence,
        cameras=cameras,
        required=required or frozenset(cameras),
        settle_s=printer.machine.settle_s,
        # What does its best takes what time there is.
        exposure_s=max(camera.least_s for camera in printer.camera if camera.name in required or not required),
        tallest_mm=printer.machine.height_mm,
        held_word=not isinstance(printer.link, FeedLink) or bool(printer.link.states.held),
        held_at_rest=isinstance(printer.link, BridgeLink),
        reads_file=forecaster.reads(printer),
    )
