"""A take as values, for the commands, the page and the stitcher; reading never alters it.

A take may be read while it is written, from media that can't be written to, and after a crash. Whatever stands in the
folder, the answer is a value or a UserError with one sentence.
"""

import json
import shutil
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import ExitStack, closing
from dataclasses import dataclass, fields
from pathlib import Path, PurePosixPath
from tempfile import TemporaryDirectory
from typing import Any, TypeVar

from lapsed.errors import UserError
from lapsed.model import Outcome, PrintInfo, Why
from lapsed.take import schema, wal
from lapsed.take.name import began_by_name

T = TypeVar("T")

_PICTURES = (".jpg", ".jpeg")

_SHOT = (
    "cue, camera, ordered_s, ordered_utc, released_s, released_utc, exposed_s, exposed_utc, ended_s, ended_utc, "
    "outcome, reason, files, size_bytes"
)


@dataclass(frozen=True, slots=True)
class CueView:
    """A cue and when its shot passed the stations that all cameras share; `_s` on the monotonic clock of its boot."""

    number: int
    why: Why | None
    layer: int | None
    height_mm: float | None
    utc: str | None
    mono_s: float | None
    held_s: float | None
    parked_s: float | None
    returned_s: float | None
    resumed_s: float | None


@dataclass(frozen=True, slots=True)
class ShotView:
    """What became of a cue at one camera; `outcome` is "landed", "on card" or "missed", None while it is under way.

    "on card" is a picture that lands when the camera's card is ingested. `ended_s` and `ended_utc` tell when it landed,
    was left on the card or was missed; `files` are relative to the take's folder.
    """

    cue: int
    camera: str
    ordered_s: float | None
    ordered_utc: str | None
    released_s: float | None
    released_utc: str | None
    exposed_s: float | None
    exposed_utc: str | None
    ended_s: float | None
    ended_utc: str | None
    outcome: str | None
    reason: str | None
    files: tuple[str, ...]
    size_bytes: int | None


@dataclass(frozen=True, slots=True)
class EventView:
    """An event that mattered."""

    utc: str | None
    mono_s: float | None
    kind: str
    text: str
    data: Mapping[str, object]


@dataclass(frozen=True, slots=True)
class Frame:
    """A landed picture; the times are those of the closed shutter, or of landing where that isn't known."""

    path: Path
    shot: int
    layer: int | None
    height_mm: float | None
    utc: str | None
    mono_s: float | None


@dataclass(frozen=True, slots=True)
class TakeView:
    """A whole take; `outcome` is None while it is open."""

    name: str
    folder: Path
    print: PrintInfo
    meta: Mapping[str, object]
    started_utc: str | None
    ended_utc: str | None
    outcome: Outcome | None
    reason: str
    cameras: tuple[str, ...]
    cues: tuple[CueView, ...]
    shots: tuple[ShotView, ...]
    events: tuple[EventView, ...]

    def frames(self, camera: str) -> tuple[Frame, ...]:
        """The landed pictures of `camera` in the order of their shots; of a raw and JPEG pair, the JPEG."""
        cues = {cue.number: cue for cue in self.cues}
        landed = (shot for shot in self.shots if shot.camera == camera and shot.outcome == "landed" and shot.files)
        return tuple(frame_of(self.folder, shot, cues.get(shot.cue)) for shot in landed)


@dataclass(frozen=True, slots=True)
class TakeSummary:
    """A take in a line; where it can't be read, `problem` says why and the figures are 0."""

    name: str
    folder: Path
    print_name: str = ""
    started_utc: str | None = None
    ended_utc: str | None = None
    outcome: Outcome | None = None
    cues: int = 0
    landed: int = 0
    missed: int = 0
    on_card: int = 0
    problem: str | None = None


def read_take(folder: Path) -> TakeView:
    """The whole take. Raises UserError."""
    return reading(folder, lambda db: _view(folder, db))


def list_takes(store: Path) -> list[TakeSummary]:
    """The takes in `store`, newest first; a damaged one is listed with its problem. Raises UserError for the store.

    Newest by the record and not by the name, whose local time goes back for an hour each autumn.
    """
    try:
        folders = sorted((path for path in store.iterdir() if (path / schema.DB_NAME).is_file()), reverse=True)
    except FileNotFoundError:
        return []
    except OSError as error:
        raise UserError(f"cannot list the takes in {store}: {error.strerror}") from error
    return sorted(map(_summary, folders), key=_began, reverse=True)


def _began(take: TakeSummary) -> str:
    """When the take began, as texts that sort; a damaged one by its name, which is right to the hour or so."""
    named = began_by_name(take.name)
    return take.started_utc or (named.isoformat() if named is not None else "")


def last_s(db: sqlite3.Connection) -> float | None:
    """When the last cue or event was, on the monotonic clock of the take's time."""
    row = db.execute("SELECT max(mono_s) FROM (SELECT mono_s FROM cue UNION ALL SELECT mono_s FROM event)").fetchone()
    return None if row[0] is None else float(row[0])


def reading(folder: Path, work: Callable[[sqlite3.Connection], T]) -> T:
    """What `work` makes of one unchanging state of the take's journal. Raises UserError."""
    try:
        if not (folder / schema.DB_NAME).is_file():
            raise UserError(f"{folder} is not a take: it has no {schema.DB_NAME}")
        try:
            uri = f"{(folder / schema.DB_NAME).absolute().as_uri()}?mode=ro"
            with closing(sqlite3.connect(uri, uri=True, isolation_level=None)) as db:
                if schema.check(db, folder) == schema.VERSION:
                    db.execute("BEGIN")
                    return work(db)
        except sqlite3.OperationalError as error:
            if not _needs_writing(error):
                raise
        return _reading_a_copy(folder, work)
    except sqlite3.Error as error:
        flaw = (
            f"the disk refuses ({error}); free or mend it"
            if _refused(error)
            else f"its {schema.DB_NAME} is damaged ({error})"
        )
        raise UserError(f"cannot read the take {folder}: {flaw}") from error
    except OSError as error:
        raise UserError(f"cannot read the take {folder}: {error.strerror}") from error
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError) as error:
        raise UserError(f"cannot read the take {folder}: its {schema.DB_NAME} holds what no take holds") from error


def meta_of(db: sqlite3.Connection) -> dict[str, Any]:
    """The values kept with a take."""
    return {key: json.loads(value) for key, value in db.execute("SELECT key, value FROM meta")}


def print_of(meta: Mapping[str, Any]) -> PrintInfo:
    """The print as a take's meta tells it; fields that this version of lapsed doesn't know are passed over."""
    known = {field.name for field in fields(PrintInfo)}
    return PrintInfo(**{key: value for key, value in meta["print"].items() if key in known})


def shots(db: sqlite3.Connection, where: str = "true", *values: str) -> Iterator[ShotView]:
    """The shots, or those that a clause of SQL picks, by cue and camera."""
    sql = f"SELECT {_SHOT} FROM shot WHERE {where} ORDER BY cue, camera"  # noqa: S608 - every clause is ours
    return (ShotView(*(*row[:12], _files(row[12]), row[13])) for row in db.execute(sql, values))


def cues(db: sqlite3.Connection) -> Iterator[CueView]:
    """The cues by their numbers."""
    whys = {str(why): why for why in Why}
    rows = db.execute(
        "SELECT number, why, layer, height_mm, utc, mono_s, held_s, parked_s, returned_s, resumed_s "
        "FROM cue ORDER BY number"
    )
    return (CueView(row[0], whys.get(row[1]), *row[2:]) for row in rows)


def events(db: sqlite3.Connection) -> Iterator[EventView]:
    """The events in their order."""
    rows = db.execute("SELECT utc, mono_s, kind, text, data FROM event ORDER BY id")
    return (EventView(*(*row[:4], json.loads(row[4]))) for row in rows)


def news(events: Iterable[EventView]) -> Iterator[EventView]:
    """The events but those in which a camera that was ready is still so, with less in its battery, say."""
    ready: dict[object, object] = {}
    for event in events:
        camera, now = event.data.get("camera"), event.data.get("ready")
        if event.kind != "camera" or not (now and ready.get(camera)):
            yield event
        if event.kind == "camera":
            ready[camera] = now


def frame_of(folder: Path, shot: ShotView, cue: CueView | None) -> Frame:
    """The picture of a landed shot; of a raw and JPEG pair, the JPEG."""
    name = next((name for name in shot.files if name.lower().endswith(_PICTURES)), shot.files[0])
    return Frame(
        path=folder / name,
        shot=shot.cue,
        layer=cue.layer if cue else None,
        height_mm=cue.height_mm if cue else None,
        utc=shot.exposed_utc or shot.ended_utc,
        mono_s=shot.exposed_s if shot.exposed_s is not None else shot.ended_s,
    )


def cameras_of(meta: Mapping[str, Any], seen: set[str]) -> tuple[str, ...]:
    """The names of a take's cameras: those it was begun with in their order, then others that left rows."""
    listed = tuple(map(str, meta.get("cameras") or ()))
    return (*listed, *sorted(seen - set(listed)))


# SQLite can't read a take on a read-only or full medium that was left open there, nor one of an older version: the WAL
# needs a shared-memory file beside it, a hot journal has to be rolled back, a migration written ("Write-Ahead Logging",
# section 5). Their files are a few megabytes: a copy is put in order instead, and the take stays untouched. It is made
# in memory, as the disk of the temporary files may be the very one that refuses; only a hot journal needs a disk.
def _reading_a_copy(folder: Path, work: Callable[[sqlite3.Connection], T]) -> T:
    file, hot = folder / schema.DB_NAME, folder / f"{schema.DB_NAME}-journal"
    with ExitStack() as until_read:
        if hot.is_file():
            copied = Path(until_read.enter_context(TemporaryDirectory(prefix="lapsed-")))
            for source in (file, hot):
                shutil.copyfile(source, copied / source.name)
            db = until_read.enter_context(closing(sqlite3.connect(copied / file.name, isolation_level=None)))
        else:
            db = until_read.enter_context(closing(sqlite3.connect(":memory:", isolation_level=None)))
            beside = folder / f"{schema.DB_NAME}-wal"
            db.deserialize(wal.merged(file.read_bytes(), beside.read_bytes() if beside.is_file() else b""))
        schema.check(db, folder)
        schema.migrate(db)
        return work(db)


def _needs_writing(error: sqlite3.OperationalError) -> bool:
    return _name(error).startswith(("SQLITE_CANTOPEN", "SQLITE_READONLY", "SQLITE_FULL", "SQLITE_IOERR_SHM"))


def _refused(error: sqlite3.Error) -> bool:
    return _name(error).startswith(("SQLITE_CANTOPEN", "SQLITE_FULL", "SQLITE_IOERR"))


def _name(error: sqlite3.Error) -> str:
    """Which of SQLite's result codes it is ("Result and Error Codes")."""
    return str(getattr(error, "sqlite_errorname", ""))


def _view(folder: Path, db: sqlite3.Connection) -> TakeView:
    meta, every = meta_of(db), tuple(shots(db))
    return TakeView(
        name=folder.name,
        folder=folder,
        print=print_of(meta),
        meta=meta,
        started_utc=meta.get("created_utc"),
        ended_utc=meta.get("ended_utc"),
        outcome=_outcome(meta),
        reason=meta.get("reason", ""),
        cameras=cameras_of(meta, {shot.camera for shot in every}),
        cues=tuple(cues(db)),
        shots=every,
        events=tuple(events(db)),
    )


def _summary(folder: Path) -> TakeSummary:
    try:
        return reading(folder, lambda db: _summed(folder, db))
    except UserError as error:
        return TakeSummary(folder.name, folder, problem=str(error))


def _summed(folder: Path, db: sqlite3.Connection) -> TakeSummary:
    meta = meta_of(db)
    counts = dict(db.execute("SELECT outcome, count(*) FROM shot GROUP BY outcome"))
    return TakeSummary(
        name=folder.name,
        folder=folder,
        print_name=print_of(meta).name,
        started_utc=meta.get("created_utc"),
        ended_utc=meta.get("ended_utc"),
        outcome=_outcome(meta),
        cues=db.execute("SELECT count(*) FROM cue").fetchone()[0],
        landed=counts.get("landed", 0),
        missed=counts.get("missed", 0),
        on_card=counts.get("on card", 0),
    )


def _outcome(meta: Mapping[str, Any]) -> Outcome | None:
    return Outcome(meta["outcome"]) if "outcome" in meta else None


def _files(text: str | None) -> tuple[str, ...]:
    """The names in a shot's row; a take that came from elsewhere can't point outside its own folder."""
    if text is None:
        return ()
    names = [PurePosixPath(name) for name in json.loads(text)]
    return tuple(str(name) for name in names if not name.is_absolute() and ".." not in name.parts)
