"""One camera for the length of a command: opened as the daemon opens it, asked, and fired."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from lapsed.camera.keeper import Keeper
from lapsed.check.facts import TrialShot
from lapsed.clock import monotonic
from lapsed.errors import RetryError
from lapsed.model import CameraEvent, CameraTold, Check, Exposed, Landed, Missed, OnCard, Released
from lapsed.settings import CameraPart

_MARGIN_S = 1.0


@dataclass(frozen=True, slots=True)
class Taken:
    """A test shot and the files it left, in a folder that is gone with the session; the JPEG first."""

    shot: TrialShot
    files: tuple[Path, ...]


class Session:
    """A camera in our hands; made by `opened`."""

    def __init__(self, part: CameraPart, kind: str, folder: Path) -> None:
        self._part = part
        self._folder = folder
        self._shots = 0
        self._told: asyncio.Queue[CameraEvent] = asyncio.Queue()
        self.keeper = Keeper(part, kind, self._told.put_nowait)

    async def ready(self) -> str:
        """What was found, once the camera is ready. Raises RetryError with why it is not; waits for no second try."""
        try:
            async with asyncio.timeout(self._part.ready_within_s + _MARGIN_S):
                while not isinstance(event := await self._told.get(), CameraTold):
                    pass
        except TimeoutError:
            raise RetryError(f"the camera could not be opened within {self._part.ready_within_s:g} s") from None
        if not event.ready:
            raise RetryError(event.text)
        return event.text

    async def inspect(self) -> tuple[Check, ...]:
        """What the camera tells of its settings and supplies."""
        return await self.keeper.inspect()

    async def shoot(self) -> Taken:
        """Take one frame."""
        self._shots += 1
        shot, stem = self._shots, f"{self._shots:06}"
        begun_s = monotonic()
        self.keeper.order(shot, self._folder, stem, begun_s + self._part.expose_within_s)
        released_s, exposed_s = begun_s, None
        while True:
            event = await self._told.get()
            match event:
                case Released(at_s=at_s):
                    released_s = at_s
                case Exposed(at_s=at_s):
                    exposed_s = at_s - released_s
                case Landed(at_s=at_s, files=files):
                    paths = sorted((self._folder / name for name in files), key=lambda path: path.suffix != ".jpg")
                    return Taken(TrialShot(exposed_s, at_s - released_s), tuple(paths))
                case OnCard():
                    return Taken(TrialShot(exposed_s, on_card=True), ())
                case Missed(reason=reason):
                    return Taken(TrialShot(exposed_s, missed=reason), ())
                case CameraTold():
                    pass


@asynccontextmanager
async def opened(part: CameraPart, kind: str) -> AsyncIterator[Session]:
    """The camera of `part`, looked after until the block ends."""
    with TemporaryDirectory(prefix="lapsed-test-") as folder:
        session = Session(part, kind, Path(folder))
        keeping = asyncio.create_task(session.keeper.run(), name=f"camera {part.name}")
        try:
            await asyncio.sleep(0)
            yield session
        finally:
            await session.keeper.stop()
            with suppress(asyncio.CancelledError):
                await keeping
