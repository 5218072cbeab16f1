"""The whole ingest: a take and a card are read, shots and photos matched, and what is sure is landed."""

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import datetime
from os import close as close_handle
from pathlib import Path

from lapsed import clock
from lapsed.camera.landing import sweep
from lapsed.errors import ShotMissedError, TakeEndedError, UserError
from lapsed.ingest import card as cards
from lapsed.ingest.copying import bring
from lapsed.ingest.match import DRIFT_MOST, Matching, Near, match
from lapsed.model import Note
from lapsed.take import reader, schema, space
from lapsed.take.name import frame_stem
from lapsed.take.records import Noted, Row, landed_row, rows

SYNC = "sync"
"""The kind of event that keeps the release times of a take's sync shots."""

ON_CARD, MISSED, LANDED = "on card", "missed", "landed"


@dataclass(frozen=True, slots=True)
class Shot:
    """A release that may have left a photo; `number` is None for a sync shot, which belongs to no cue."""

    number: int | None
    at_s: float
    outcome: str | None


@dataclass(frozen=True, slots=True)
class Report:
    """What became of an ingest; `left` tells of each shot that was wanted and is not landed, and why.

    `clock_set` is the first shot after the camera's clock was set in mid-print, and by how many seconds. `settled_by`
    is the take whose clock decided, where more than one way fits.
    """

    take: str
    camera: str
    photos: int
    landed: int
    already: int
    strays: int
    left: tuple[tuple[int, str], ...]
    offset_s: float
    drift_ppm: float
    zoned: bool
    margin: float
    clock_set: tuple[int, float] | None
    settled_by: str | None
    unread: tuple[str, ...]
    files: dict[int, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Job:
    """A take's camera and a card, matched; `wanted` are the outcomes of shots whose photos are to be landed."""

    view: reader.TakeView
    camera: str
    shots: tuple[Shot, ...]
    card: cards.Card
    found: Matching
    wanted: frozenset[str]
    settled_by: str | None

    def todo(self) -> list[tuple[int, cards.Photo]]:
        """The shots whose photos are to be copied."""
        pairs = ((self.shots[pair.shot], self.card.photos[pair.photo]) for pair in self.found.matched)
        return [
            (shot.number, photo) for shot, photo in pairs if shot.number is not None and shot.outcome in self.wanted
        ]

    def report(self, landed: dict[int, tuple[str, ...]], failed: dict[int, str]) -> Report:
        """What became of it; `failed` tells why photos could not be copied."""
        found = self.found
        paired = {pair.shot for pair in found.matched}
        unsure = {pair.shot for pair in found.unsure}
        left = dict(failed)
        for place, shot in enumerate(self.shots):
            if shot.number is None or shot.outcome not in self.wanted or place in paired:
                continue
            if place in unsure:
                left[shot.number] = "two photos or two shots are too close to each other to tell which belongs to which"
            elif shot.outcome == ON_CARD:
                left[shot.number] = "no photo lies near, so the camera may not have fired"
        return Report(
            take=self.view.name,
            camera=self.camera,
            photos=len(self.card.photos),
            landed=len(landed),
            already=sum(shot.outcome == LANDED for shot in self.shots),
            strays=len(self.card.photos) - len(found.matched) - len(found.unsure),
            left=tuple(sorted(left.items())),
            offset_s=found.offset_s,
            drift_ppm=found.drift * 1e6,
            zoned=self.card.zoned,
            margin=found.margin,
            clock_set=self._clock_set(),
            settled_by=self.settled_by,
            unread=self.card.unread,
            files=landed,
        )

    def _clock_set(self) -> tuple[int, float] | None:
        if self.found.set_at is None:
            return None
        numbers = (shot.number for shot in self.shots[self.found.set_at :])
        return next((number for number in numbers if number is not None), 0), self.found.set_s


Tell = Callable[[int, int], None]
"""Hears how many of how many photos are copied."""


def ingest(
    take: Path, folder: Path, camera: str | None, *, near_s: float | None, missed: bool, dry: bool, tell: Tell
) -> Report:
    """Land the photos in `folder` that belong to shots of the take; with `dry` only tell which would be.

    `missed` has photos of missed shots landed as well. Raises UserError where nothing can be matched surely.
    """
    view = reader.read_take(take)
    name = _camera(view, camera)
    shots = shots_of(view, name)
    if not any(shot.outcome in (ON_CARD, MISSED) for shot in shots):
        raise UserError(f"every shot of camera {name!r} in {take} is landed, so there is nothing to ingest")
    card = cards.read(folder)
    found, settled_by = _settled(view, name, [shot.at_s for shot in shots], card, near_s)
    if found.refused is not None:
        raise UserError(f"{folder} can't be matched to {take}: {found.refused}")
    wanted = frozenset({ON_CARD, MISSED} if missed else {ON_CARD})
    job = _Job(view, name, tuple(shots), card, found, wanted, settled_by)
    if dry:
        return job.report({number: photo.files for number, photo in job.todo()}, {})
    return job.report(*_landed(job, tell))


def _settled(
    view: reader.TakeView, camera: str, shots: list[float], card: cards.Card, near_s: float | None
) -> tuple[Matching, str | None]:
    """The matching, and the take whose clock decided where this one's photos alone leave it open."""
    found = _matched(shots, card, None if near_s is None else Near(near_s))
    former = _former(view, camera, zoned=card.zoned) if found.refused is not None and near_s is None else None
    if former is None:
        return found, None
    again = _matched(shots, card, former[1])
    return (again, former[0]) if again.refused is None else (found, None)


def _former(view: reader.TakeView, camera: str, *, zoned: bool) -> tuple[str, Near] | None:
    """The take of this camera, of those beside this one, that was ingested nearest in time, and how its clock was."""
    begun_s = _begun_s(view)
    found: list[tuple[float, str, float]] = []
    for summary in reader.list_takes(view.folder.parent):
        if summary.folder == view.folder or summary.problem is not None or not summary.landed:
            continue
        other = reader.read_take(summary.folder)
        for event in other.events:
            told = event.data.get("offset_s")
            same = event.data.get("camera") == camera and other.meta.get("printer") == view.meta.get("printer")
            if event.kind == "ingested" and same and event.data.get("zoned") == zoned and isinstance(told, int | float):
                found.append((abs(_begun_s(other) - begun_s), other.name, told))
    if not found:
        return None
    since_s, name, offset_s = min(found)
    return name, Near(offset_s, 2.0 + DRIFT_MOST * since_s)


def _begun_s(view: reader.TakeView) -> float:
    return next((_utc_s(shot.released_utc) for shot in view.shots if shot.released_utc), 0.0)


def _matched(shots: list[float], card: cards.Card, near: Near | None) -> Matching:
    """The matching of the one camera whose photos fit."""
    tried = {camera: match(shots, card.times_of(camera), card.step_s, near) for camera in card.cameras}
    fit = [camera for camera, found in tried.items() if found.refused is None]
    if len(fit) > 1:
        names = ", ".join(name or "one without a name" for name in fit)
        raise UserError(
            f"photos of {len(fit)} cameras in {card.folder} fit the shots ({names}): name a folder with those of one"
        )
    return tried[fit[0]] if fit else max(tried.values(), key=lambda found: found.margin)


def shots_of(view: reader.TakeView, camera: str) -> list[Shot]:
    """The releases of a camera in the order of their times, seconds since 1970.

    Within one run of the daemon intervals come from the monotonic clock, as the wall clock may have been set meanwhile.
    """
    released = [shot for shot in view.shots if shot.camera == camera and shot.released_utc and shot.released_s]
    steady = not any(event.kind == "recovered" for event in view.events)
    shots: list[Shot] = []
    if released:
        first_utc, first_s = _utc_s(released[0].released_utc or ""), released[0].released_s or 0.0
        for shot in released:
            since_s = (shot.released_s or 0.0) - first_s
            at_s = first_utc + since_s if steady else _utc_s(shot.released_utc or "")
            shots.append(Shot(shot.cue, at_s, shot.outcome))
        for event in view.events:
            if event.kind == SYNC and event.data.get("camera") == camera:
                shots += _sync(event, first_utc - first_s if steady else None)
    return sorted(shots, key=lambda shot: shot.at_s)


def _sync(event: reader.EventView, from_mono_s: float | None) -> Iterator[Shot]:
    times = event.data.get("released_s")
    base = from_mono_s
    if base is None and event.utc is not None and event.mono_s is not None:
        base = _utc_s(event.utc) - event.mono_s
    if isinstance(times, list) and base is not None:
        yield from (Shot(None, base + time, None) for time in times if isinstance(time, int | float))


def _utc_s(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


def _camera(view: reader.TakeView, name: str | None) -> str:
    if name is None:
        waiting = {shot.camera for shot in view.shots if shot.outcome == ON_CARD}
        if len(waiting) > 1:
            raise UserError(f"{', '.join(sorted(waiting))} have photos on cards; say whose card it is by --camera")
        name = next(iter(waiting), view.cameras[0] if view.cameras else "")
    if name not in view.cameras:
        raise UserError(f"{view.folder} has no camera {name!r}; it has {', '.join(view.cameras) or 'none'}")
    return name


# -------------------------------------------------------------------------------------------------------- landing


def _landed(job: _Job, tell: Tell) -> tuple[dict[int, tuple[str, ...]], dict[int, str]]:
    """The photos that were landed, and why others could not be."""
    take, card, todo = job.view.folder, job.card, job.todo()
    landed: dict[int, tuple[str, ...]] = {}
    failed: dict[int, str] = {}
    with _writing(take) as write:
        frames = take / "frames" / job.camera
        frames.mkdir(parents=True, exist_ok=True)
        sweep(frames)
        _room(take, sum((card.folder / name).stat().st_size for _, photo in todo for name in photo.files))
        for done, (number, photo) in enumerate(todo, 1):
            stem = f"frames/{job.camera}/{frame_stem(number)}"
            try:
                files, size = bring([card.folder / name for name in photo.files], take, stem)
            except ShotMissedError as error:
                failed[number] = str(error)
                continue
            write((landed_row(number, job.camera, None, clock.stamp().utc, files=files, size_bytes=size),))
            landed[number] = photo.files
            tell(done, len(todo))
        if landed:
            write(rows(Noted(_note(job, landed), clock.stamp())))
    return landed, failed


def _note(job: _Job, landed: dict[int, tuple[str, ...]]) -> Note:
    text = f"{len(landed)} photos of camera {job.camera} were ingested"
    data: dict[str, object] = {
        "camera": job.camera,
        "offset_s": round(job.found.offset_s, 3),
        "drift_ppm": round(job.found.drift * 1e6, 1),
        "zoned": job.card.zoned,
        "files": {str(number): list(files) for number, files in landed.items()},
    }
    return Note("ingested", text, data)


def _room(take: Path, size: int) -> None:
    free_mb = space.free_mb(take)
    if free_mb < size / 1e6:
        raise TakeEndedError(
            f"the photos take {size / 1e6:.0f} MB and the disk of {take} has {free_mb:.0f} MB; free some"
        )


@contextmanager
def _writing(take: Path) -> Iterator[Callable[[tuple[Row, ...]], None]]:
    """The take's journal for us alone; what is written is committed and synced when the call returns."""
    handle = space.lock(take)
    try:
        db = schema.open_for_writing(take)

        def write(many: tuple[Row, ...]) -> None:
            db.execute("BEGIN IMMEDIATE")
            try:
                for row in many:
                    db.execute(row.sql, row.values)
                db.execute("COMMIT")
            except sqlite3.Error:
                with suppress(sqlite3.Error):
                    db.execute("ROLLBACK")
                raise

        try:
            yield write
        finally:
            schema.close_for_good(db)
    except (sqlite3.Error, OSError) as error:
        raise TakeEndedError(
            f"cannot write the take {take}: {error}; free or mend the disk, then ingest again"
        ) from error
    finally:
        close_handle(handle)
