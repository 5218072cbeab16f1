"""Whether disk, cards and batteries last until the end of a print, as the take itself shows; pure."""

from bisect import bisect
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime

from lapsed.camera import battery
from lapsed.camera.battery import Loss, Outlook, Reading, Wanted
from lapsed.model import CameraTold, Landed, Verdict
from lapsed.take.digest import Digest

LEAST_APART_S = 60.0
"""A battery that wavers between two readings does so every few seconds, for days."""

MOST_READINGS = 2000
"""And while nothing is filmed for months: of so many every second one is let go."""


@dataclass(slots=True)
class Supplies:
    """What the take of now has used, and what the one before it taught.

    `told` is asked for sentences after each frame; of each thing that runs short it tells once in a take.
    """

    readings: dict[str, list[Reading]] = field(default_factory=dict)
    card_mb: dict[str, float] = field(default_factory=dict)
    sizes: dict[str, tuple[int, int]] = field(default_factory=dict)
    taught: dict[str, Loss] = field(default_factory=dict)
    short: set[str] = field(default_factory=set)

    def begin(self, now_s: float, shots: int = 0) -> None:
        """A take begins, or goes on, after so many shots of it."""
        self.sizes.clear()
        self.short.clear()
        self.readings = {
            camera: [Reading(now_s, shots, readings[-1].percent)] for camera, readings in self.readings.items()
        }

    def end(self, now_s: float, shots: int) -> None:
        """The take is over: the next one begins with what it taught."""
        for camera in self.readings:
            lost = self.lost(camera, now_s, shots)
            if lost is not None:
                self.taught[camera] = lost

    def camera(self, event: CameraTold, now_s: float, shots: int) -> None:
        """A camera told what it has left."""
        if event.card_mb is not None:
            self.card_mb[event.camera] = event.card_mb
        if event.charge_percent is not None:
            readings = self.readings.setdefault(event.camera, [])
            if len(readings) > 1 and now_s - readings[-1].at_s < LEAST_APART_S:
                readings.pop()
            readings.append(Reading(now_s, shots, event.charge_percent))
            if len(readings) > MOST_READINGS:
                del readings[1:-1:2]

    def landed(self, event: Landed) -> None:
        """A frame took its room."""
        frames, taken = self.sizes.get(event.camera, (0, 0))
        self.sizes[event.camera] = frames + 1, taken + event.size_bytes

    def lost(self, camera: str, now_s: float, shots: int) -> Loss | None:
        """What the camera's battery loses: as in this take, and until that shows, as in the one before."""
        shown = battery.loss(self.readings.get(camera, ()), now_s, shots)
        return shown if shown is not None else self.taught.get(camera)

    def outlook(self, camera: str, wanted: Wanted, now_s: float, shots: int) -> Outlook | None:
        """Whether the camera's battery lasts; None where the camera does not tell."""
        readings = self.readings.get(camera)
        return battery.outlook(readings[-1].percent, self.lost(camera, now_s, shots), wanted) if readings else None

    def told(self, room_mb: float | None, wanted: Wanted, now_s: float, shots: int) -> Iterator[str]:
        """What won't last, each once: the disk with `room_mb` left for frames, cards, batteries."""
        yield from (text for what, text in self._all(room_mb, wanted, now_s, shots) if self._new(what))

    def _new(self, what: str) -> bool:
        is_new = what not in self.short
        self.short.add(what)
        return is_new

    def _all(self, room_mb: float | None, wanted: Wanted, now_s: float, shots: int) -> Iterator[tuple[str, str]]:
        each = {camera: taken / frames for camera, (frames, taken) in self.sizes.items() if taken}
        if room_mb is not None and wanted.shots is not None:
            yield from _room("disk", "the disk", room_mb, each.values(), wanted.shots)
        for camera, free_mb in self.card_mb.items():
            if camera in each and wanted.shots is not None:
                named = f"the card of camera {camera}"
                yield from _room(f"card {camera}", named, free_mb, (each[camera],), wanted.shots)
        for camera, readings in self.readings.items():
            seen = self.outlook(camera, wanted, now_s, shots)
            if seen is not None and seen.verdict is Verdict.FAIL:
                told = f"the battery of camera {camera} is at {readings[-1].percent} %"
                yield f"battery {camera}", ", ".join(filter(None, (told, seen.text)))


def _room(what: str, named: str, room_mb: float, bytes_each: Iterable[float], wanted: int) -> Iterator[tuple[str, str]]:
    shot_mb = sum(bytes_each) / 1e6
    if shot_mb and room_mb < wanted * shot_mb:
        fits = max(0, int(room_mb / shot_mb))
        yield what, f"{named} has room for {fits} more shots of {shot_mb:.1f} MB, and {wanted} are still to come"


def learnt(take: Digest, camera: str) -> Loss | None:
    """What a take tells of the loss of the camera's battery."""
    begun = [at_s for utc in take.cued_utc if (at_s := _seconds(utc)) is not None]
    readings = []
    for charged, utc, percent in take.charges:
        at_s = _seconds(utc)
        if at_s is not None and charged == camera:
            readings.append(Reading(at_s, bisect(begun, at_s), percent))
    end_s = _seconds(take.ended_utc) or max([*begun, *(reading.at_s for reading in readings)], default=0.0)
    return battery.loss(readings, end_s, len(begun))


def _seconds(utc: str | None) -> float | None:
    """An instant of the journal in seconds: unlike the monotonic clock it goes on through a restart of the machine."""
    try:
        return datetime.fromisoformat(utc).timestamp() if utc else None
    except ValueError:
        return None
