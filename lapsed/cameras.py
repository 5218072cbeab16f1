"""The runner's hand on the cameras of one printer: orders, test frames, sync shots, and which of them are ready."""

import asyncio
from collections.abc import Callable, Mapping
from pathlib import Path

from lapsed.camera.keeper import Keeper, Starts
from lapsed.clock import stamp
from lapsed.model import CameraEvent, CameraTold, Check, Landed, Missed, Note, OnCard, Released
from lapsed.settings import Printer, ReleaseCamera
from lapsed.sync_shots import SyncShots
from lapsed.take.records import Noted, Record, ShotOrdered
from lapsed.trials import Trials


class Cameras:
    """All cameras of `printer`, fired together.

    `kinds` names where each kind of camera lives, `starts` is shared with the other printers, `told` hears of each
    camera and of each shot of a cue, and `shooting` tells whether a shot of the print is under way.
    """

    def __init__(
        self,
        printer: Printer,
        kinds: Mapping[str, str],
        starts: Starts | None,
        told: Callable[[CameraEvent], None],
        shooting: Callable[[], bool],
    ) -> None:
        self._told = told
        self._keepers = {
            camera.name: Keeper(camera, kinds[camera.kind], self._heard, starts) for camera in printer.camera
        }
        self._trials = Trials(printer, self._keepers)
        wanting = {part.name for part in printer.camera if isinstance(part, ReleaseCamera) and part.sync_shots}
        synced = {name: keeper for name, keeper in self._keepers.items() if name in wanting}
        self._sync = SyncShots(synced, shooting)
        self._released: dict[int, list[float]] = {}
        self._ready: set[str] = set()
        self._print = (False, False)

    @property
    def names(self) -> tuple[str, ...]:
        """Their names, the main camera's first."""
        return tuple(self._keepers)

    @property
    def ready(self) -> bool:
        """Whether all of them are."""
        return self._ready == set(self._keepers)

    @property
    def on_trial(self) -> bool:
        """Whether a test frame is under way."""
        return self._trials.busy

    def run(self, group: asyncio.TaskGroup, printer: str) -> None:
        """Look after them in tasks of `group`."""
        for keeper in self._keepers.values():
            group.create_task(keeper.run(), name=f"camera {printer}")

    def meanwhile(self, *, filming: bool, shooting: bool) -> None:
        """What the print is at: whether it is filmed, and whether a shot of it is under way."""
        if self._print != (filming, shooting):
            self._print = (filming, shooting)
            for keeper in self._keepers.values():
                keeper.meanwhile(filming=filming, shooting=shooting)

    def order(self, shot: int, take: Path, by_s: float) -> tuple[Record, ...]:
        """Have all of them expose for a shot of the take in folder `take`, by `by_s`; what the journal is to hold."""
        for name, keeper in self._keepers.items():
            keeper.order(shot, take, f"frames/{name}/{shot:06}", by_s)
        now = stamp()
        return tuple(ShotOrdered(shot, name, now) for name in self._keepers)

    def begin_take(self) -> None:
        """Shots are numbered anew."""
        self._released.clear()

    def spread(self, event: Released) -> tuple[Record, ...]:
        """How far apart the cameras of one shot were released, once the last of them was."""
        if len(self._keepers) < 2:
            return ()
        times = self._released.setdefault(event.shot, [])
        times.append(event.at_s)
        if len(times) < len(self._keepers):
            return ()
        del self._released[event.shot]
        spread_ms = (max(times) - min(times)) * 1000
        note = Note("spread", f"shot {event.shot}: released within {spread_ms:.1f} ms", {"spread_ms": spread_ms})
        return (Noted(note, stamp()),)

    async def sync(self, take: Path) -> tuple[Record, ...]:
        """Take the sync shots of the take in folder `take`, where they are wanted; what the journal is to hold."""
        return tuple(Noted(note, stamp()) for note in await self._sync.take(take))

    async def inspect(self) -> dict[str, tuple[Check, ...]]:
        """What each camera says when it is looked over."""
        return await self._trials.inspect()

    async def test_frame(self, camera: str, folder: Path, stem: str) -> Landed | OnCard | Missed:
        """One picture that belongs to no take, its files named `stem` in `folder`."""
        return await self._trials.take(camera, folder, stem)

    def _heard(self, event: CameraEvent) -> None:
        if SyncShots.concerns(event):
            self._sync.heard(event)
        elif Trials.concerns(event):
            self._trials.heard(event)
        else:
            if isinstance(event, CameraTold):
                (self._ready.add if event.ready else self._ready.discard)(event.camera)
            self._told(event)
