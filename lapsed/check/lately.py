"""What the last take of a camera teaches: how large its frames are, and what its battery loses."""

from dataclasses import replace
from pathlib import Path

from lapsed import supplies
from lapsed.check.facts import Lately
from lapsed.errors import UserError
from lapsed.settings import Printer, ReleaseCamera
from lapsed.take import reader, schema
from lapsed.take.digest import Digest, digest

MOST_LOOKED_AT = 20
"""Newest takes among which one of the printer is looked for."""


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
                take = digest(folder)
                if any(name == camera for name, _ in take.counts):
                    return of(take, camera)
        except UserError:
            continue
    return Lately()


def of(take: Digest, camera: str) -> Lately:
    """What the take tells of `camera`."""
    newest = take.newest.get(camera)
    return Lately((newest.size_bytes or None) if newest is not None else None, supplies.learnt(take, camera))
