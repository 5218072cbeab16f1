"""What the last take of a camera teaches: how large its frames are, and what its battery loses."""

from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from lapsed.camera import battery
from lapsed.camera.battery import Loss, Reading
from lapsed.errors import UserError
from lapsed.settings import Printer, ReleaseCamera
from lapsed.take import reader, schema
from lapsed.take.reader import TakeView

MOST_LOOKED_AT = 20
"""Newest takes among which one of the printer is looked for."""


@dataclass(frozen=True, slots=True)
class Lately:
    """Bytes that a shot of the camera took, and its battery's loss; None where the last take does not tell."""

    bytes_each: int | None = None
    loss: Loss | None = None


def of_all(store: Path, printer: Printer) -> dict[str, Lately]:
    """What the last take tells of each camera of `printer`; frames that stay on a card take no room on the disk."""
    last = {camera.name: lately(store, printer.name, camera.name) for camera in printer.camera}
    for camera in printer.camera:
        if isinstance(camera, ReleaseCamera):
            last[camera.name] = replace(last[camera.name], bytes_each=None)
    return last


def lately(store: Path, printer: str, camera: str) -> Lately:
    """What the newest take of `printer` with frames of `camera` tells; takes that can't be read are passed over."""
    try:
        folders = sorted((path.parent for path in store.glob(f"*/{schema.DB_NAME}")), reverse=True)
    except OSError:
        return Lately()
    for folder in folders[:MOST_LOOKED_AT]:
        try:
            if reader.reading(folder, reader.meta_of).get("printer") == printer:
                view = reader.read_take(folder)
                if any(shot.camera == camera and shot.outcome for shot in view.shots):
                    return of(view, camera)
        except UserError:
            continue
    return Lately()


def of(view: TakeView, camera: str) -> Lately:
    """What the take tells of `camera`."""
    sizes = [shot.size_bytes for shot in view.shots if shot.camera == camera and shot.size_bytes]
    begun = [at_s for cue in view.cues if (at_s := _seconds(cue.utc)) is not None]
    readings = []
    for event in view.events:
        at_s, percent = _seconds(event.utc), event.data.get("charge_percent")
        if at_s is not None and isinstance(percent, int) and event.data.get("camera") == camera:
            readings.append(Reading(at_s, sum(cue_s <= at_s for cue_s in begun), percent))
    end_s = _seconds(view.ended_utc) or max([*begun, *(reading.at_s for reading in readings)], default=0.0)
    return Lately(sizes[-1] if sizes else None, battery.loss(readings, end_s, len(begun)))


def _seconds(utc: str | None) -> float | None:
    """An instant of the journal in seconds: unlike the monotonic clock it goes on through a restart of the machine."""
    try:
        return datetime.fromisoformat(utc).timestamp() if utc else None
    except ValueError:
        return None
