"""What the page and the API may ask of the daemon; `app` answers, and nothing else of it is reachable from here."""

from pathlib import Path
from typing import Protocol

from lapsed.now import Now
from lapsed.web.bell import Bell
from lapsed.web.words import Checks, Clips, Done, SignalWish, StitchWish


class Desk(Protocol):
    """The daemon as seen through the page. Names of printers that aren't there raise UserError."""

    bell: Bell
    """Rings whenever `now` may have changed."""

    @property
    def store(self) -> Path:
        """The folder of all takes."""

    def now(self) -> Now:
        """What everything is doing now."""

    def clips(self) -> Clips:
        """The clips of the configuration."""

    def skip(self, printer: str, *, on: bool) -> Done:
        """No shots until further notice, or shots again."""

    async def signal(self, printer: str, wish: SignalWish) -> Done:
        """What a host signals; the answer comes when the shutter has closed, or at once. Raises UserError."""

    async def shoot(self, printer: str, camera: str | None) -> Done:
        """A shot at once: of the print while one is filmed, else a test frame."""

    async def check(self, printer: str) -> Checks:
        """Host, machine, disk and cameras looked over."""

    def test_frame(self, name: str) -> Path:
        """The file of a test frame. Raises UserError if it is not there any more."""

    def end_take(self, printer: str) -> Done:
        """End the open take; the print goes on. Raises UserError if none is open."""

    def stitch(self, take: Path, wish: StitchWish) -> Done:
        """Stitch the take when there is time."""

    async def delete(self, take: Path) -> Done:
        """Delete the take and all its frames. Raises UserError while it is filmed or stitched."""
