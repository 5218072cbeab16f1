"""Test frames and looks at the cameras between prints."""

import asyncio
from collections.abc import Mapping
from pathlib import Path

from lapsed import clock
from lapsed.camera.keeper import Keeper
from lapsed.errors import RetryError, UserError
from lapsed.model import CameraEvent, CameraTold, Check, Landed, Missed, OnCard, Verdict
from lapsed.settings import Printer

INSPECT_WITHIN_S = 15.0
"""How long a camera may take to say how it is set."""

Fate = Landed | OnCard | Missed


class Trials:
    """Orders that belong to no cue, to the cameras of `keepers`; they are numbered from -1 down.

    The owner gives `heard` every event of a shot numbered below 0, and asks for none while a print is filmed.
    """

    def __init__(self, printer: Printer, keepers: Mapping[str, Keeper]) -> None:
        self._printer = printer
        self._keepers = keepers
        self._waiting: dict[int, asyncio.Future[Fate]] = {}

    @property
    def busy(self) -> bool:
        """Whether a test frame is under way."""
        return bool(self._waiting)

    @staticmethod
    def concerns(event: CameraEvent) -> bool:
        """Whether the event belongs to a test frame."""
        return not isinstance(event, CameraTold) and event.shot < 0

    def heard(self, event: CameraEvent) -> None:
        """A camera told of a test frame."""
        future = None if isinstance(event, CameraTold) else self._waiting.get(event.shot)
        if isinstance(event, Fate) and future is not None and not future.done():
            future.set_result(event)

    async def take(self, camera: str, folder: Path, stem: str) -> Fate:
        """One picture, its files named `stem` in `folder`. Raises UserError for a camera that isn't there."""
        part = next((part for part in self._printer.camera if part.name == camera), None)
        if part is None:
            raise UserError(f"{self._printer.name} has no camera {camera}; it has {', '.join(self._keepers)}")
        number = min(self._waiting, default=0) - 1
        future: asyncio.Future[Fate] = asyncio.get_running_loop().create_future()
        self._waiting[number] = future
        self._keepers[camera].order(number, folder, stem, clock.monotonic() + part.expose_within_s)
        try:
            return await future
        finally:
            del self._waiting[number]

    async def inspect(self) -> dict[str, tuple[Check, ...]]:
        """What each camera says when it is looked over between orders, within the time it may take to be ready."""
        return {name: await _inspected(keeper) for name, keeper in self._keepers.items()}


async def _inspected(keeper: Keeper) -> tuple[Check, ...]:
    try:
        async with asyncio.timeout(INSPECT_WITHIN_S):
            return await keeper.inspect()
    except (TimeoutError, RetryError) as error:
        found = str(error) or "the camera did not answer in time"
        advice = "look at its cable, power and sleep timer, then check again"
        return (Check("found", Verdict.FAIL, found, advice),)
