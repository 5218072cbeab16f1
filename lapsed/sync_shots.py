"""Shots at odd gaps at both ends of a take, by which photos on a card are matched beyond doubt."""

import asyncio
from collections.abc import Callable, Mapping
from itertools import count
from pathlib import Path

from lapsed import clock
from lapsed.camera.keeper import Keeper
from lapsed.model import CameraEvent, CameraTold, Landed, Missed, Note, OnCard, Released

GAPS_S = (0.0, 2.0, 6.0, 4.0)
"""Pauses before each shot: any two of the four lie another time apart (the shortest Golomb ruler of four marks, 0 1 4
6, at 2 s a unit), so that they fit themselves at one offset only."""

NUMBERS = -1_000_000
"""Sync shots are numbered from here down; they are of no cue, and no test frames either."""

MOST_LATE_S = 5.0
"""How long a sync shot may take to be released."""


class SyncShots:
    """Takes them with the cameras of `keepers` that want them; `busy` says whether a shot of the print is under way.

    The owner gives `heard` every event of a shot numbered from NUMBERS down.
    """

    def __init__(self, keepers: Mapping[str, Keeper], busy: Callable[[], bool]) -> None:
        self._keepers = keepers
        self._busy = busy
        self._numbers = count(NUMBERS, -1)
        self._released: dict[int, float] = {}
        self._pending: set[int] = set()

    def heard(self, event: CameraEvent) -> None:
        """Keep when a sync shot was released, and that it is over."""
        if isinstance(event, Released):
            self._released[event.shot] = event.at_s
        elif isinstance(event, Landed | OnCard | Missed):
            self._pending.discard(event.shot)

    @staticmethod
    def concerns(event: CameraEvent) -> bool:
        """Whether the event belongs to a sync shot."""
        return not isinstance(event, CameraTold) and event.shot <= NUMBERS

    async def take(self, folder: Path) -> tuple[Note, ...]:
        """Take them, and tell for each camera when they were released, for the journal of the take in `folder`.

        A shot of the print goes first: while one is under way the sync shot is left out.
        """
        ordered: dict[int, str] = {}
        for gap_s in GAPS_S if self._keepers else ():
            await asyncio.sleep(gap_s)
            for name, keeper in self._keepers.items():
                if not self._busy():
                    number = next(self._numbers)
                    ordered[number] = name
                    self._pending.add(number)
                    keeper.order(number, folder, f"frames/{name}/sync", clock.monotonic() + MOST_LATE_S)
        while self._pending & ordered.keys():  # noqa: ASYNC110 - twice in a take; a keeper ends every order
            await asyncio.sleep(0.05)
        times: dict[str, list[float]] = {}
        for number, name in ordered.items():
            if number in self._released:
                times.setdefault(name, []).append(self._released.pop(number))
        return tuple(_note(name, released) for name, released in times.items())


def _note(camera: str, released_s: list[float]) -> Note:
    text = f"camera {camera} took {len(released_s)} sync shots"
    return Note("sync", text, {"camera": camera, "released_s": released_s})
