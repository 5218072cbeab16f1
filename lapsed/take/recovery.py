"""What a daemon finds after it was stopped at any instant: open takes, put in order and gone on with, or closed."""

import json
import re
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping
from collections.abc import Set as AbstractSet
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from os import close as close_handle
from pathlib import Path
from typing import Any, TypeVar

from lapsed.clock import Stamp, utc_text
from lapsed.errors import LapsedError, TakeEndedError, UserError
from lapsed.model import Missed, Note, OnCard, Outcome, PrintInfo, Why
from lapsed.take import schema
from lapsed.take.frames import Found, tidy, whole_frames
from lapsed.take.journal import RIGHT_WITHIN, boot_id
from lapsed.take.reader import cameras_of, list_takes, meta_of, print_of, reading
from lapsed.take.records import CameraNoted, Kept, Noted, Row, TakeEnded, landed_row, rows
from lapsed.take.space import lock

T = TypeVar("T")

STOPPED = "the daemon was stopped during this shot"
GONE = "its file is no longer in the take"
UNTOLD = "the journal could not be written, and what became of this shot was lost with it"

CARD_KINDS = frozenset({"release"})
"""Kinds of cameras, by the configuration's word, whose pictures are out of reach until their card is ingested."""

LONGEST_OFF_S = 7 * 86_400.0
"""A machine that was off for longer in mid-print has a wrong clock instead."""

Key = tuple[int, str]
"""The number of a shot and the name of a camera."""


@dataclass(frozen=True, slots=True)
class OpenHold:
    """The shot that held the print when the daemon was stopped; `come_back` brings the head back, empty if not away."""

    shot: int
    phase: str
    come_back: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Recovered:
    """What the director needs in order to go on with a take.

    `cues` is the number of the last cue; `since_s` and `first_cue_s` are on the monotonic clock of this boot, reckoned
    by UTC if the machine was started anew; `top_mm` is the greatest height of a cue or kept as "printed_top_mm";
    `marked` is true once a cue line was heard, `ended` once the frame after the end was cued.
    `meta` is all that was kept with the take. `unfilmed` are the cues of
    which the main camera has no frame, `held_s` is how long all holds took, `cued_s` when the last cue was, None if in
    another boot.
    """

    folder: Path
    print: PrintInfo
    meta: Mapping[str, Any]
    cues: int
    since_s: float
    first_cue_s: float | None
    first_layer: int | None
    layer: int | None
    top_mm: float
    marked: bool
    ended: bool
    hold: OpenHold | None
    adopted: tuple[Key, ...]
    missed: tuple[Key, ...]
    unfilmed: frozenset[int] = frozenset()
    held_s: float = 0.0
    cued_s: float | None = None


@dataclass(frozen=True, slots=True)
class Mending:
    """What has to be written so that rows and files tell the same."""

    cues: tuple[int, ...] = ()
    adopt: dict[Key, Found] = field(default_factory=dict)
    miss: dict[Key, str] = field(default_factory=dict)
    card: tuple[Key, ...] = ()


def reconcile(
    cues: set[int],
    cameras: tuple[str, ...],
    shots: Mapping[Key, bool | None],
    gone: set[Key],
    files: Mapping[Key, Found],
    *,
    fired: AbstractSet[Key],
) -> Mending:
    """Every cue accounted for at every camera; pure.

    `shots` are the rows: True landed, False missed or on the card, None under way; `gone` the landed ones that
    lack a file; `files` the whole frames on disk; `fired` the shots released at cameras that keep pictures on their
    cards: there they are, if anywhere.
    """
    adopt = {key: found for key, found in files.items() if shots.get(key) is not True or key in gone}
    known = cues | {shot for shot, _ in files} | {shot for shot, _ in shots}
    # Cues are numbered from 1: a later one tells of those that a disk which refused has kept from the journal.
    numbers = set(range(1, max(known, default=0) + 1))
    every = {(shot, camera) for shot in numbers for camera in cameras} | set(shots)
    ended = {key for key in every - set(adopt) if shots.get(key) is None}
    miss = {(shot, camera): STOPPED if shot in known else UNTOLD for shot, camera in sorted(ended - fired)}
    miss |= dict.fromkeys(sorted(gone - set(adopt)), GONE)
    return Mending(tuple(sorted(numbers - cues)), adopt, miss, tuple(sorted(ended & fired)))


def find_open(store: Path) -> list[Path]:
    """The takes in `store` that were not closed, oldest first; what was cut short in making or closing one is tidied.

    Damaged takes and those of a newer lapsed are passed over. Raises UserError for the store.
    """
    takes = [take for take in list_takes(store) if take.problem is None]
    for take in takes:
        if take.outcome is not None and any(take.folder.glob(f"{schema.DB_NAME}-*")):
            with suppress(LapsedError):  # it is whole as it is, though in several files
                _writing(take.folder, lambda _: None, for_good=True)
    for folder in store.iterdir() if store.is_dir() else ():
        if re.match(r"[0-9]{4}-[0-9]{2}-[0-9]{2}_[0-9]{6}_", folder.name) and not (folder / schema.DB_NAME).exists():
            with suppress(LapsedError, OSError):  # another process is making it, or the disk can't be written
                _discarding(folder)
    return sorted((take.folder for take in reversed(takes) if take.outcome is None), key=_age)


def _age(folder: Path) -> tuple[bool, float]:
    """Sorts open takes by their beginning: those of this boot come last, by a clock that nobody sets."""
    with suppress(LapsedError, ValueError, TypeError):
        meta = reading(folder, meta_of)
        if meta.get("boot") == boot_id():
            return True, float(meta["since_s"])
    return False, 0.0


def recover(folder: Path, stamp: Stamp) -> Recovered:
    """Put an open take in order and tell what to go on from; may be cut short and begun again at any instant.

    After this the caller must go on with `Journal.reopen`, or `finish` it. Blocks on the disk. Raises UserError if it
    is no take or another process writes it, TakeEndedError if the disk refuses.
    """
    return _writing(folder, lambda db: _recover(folder, db, stamp))


def glimpse(folder: Path, stamp: Stamp) -> Recovered:
    """What an open take tells to go on from, read only and put in no order, for a disk that refuses. Raises UserError.

    It is for letting go of a print that is still held; the take itself can't be gone on with before `recover`.
    """
    return reading(folder, lambda db: _glimpsed(folder, db, stamp))


def finish(folder: Path, outcome: Outcome, reason: str, stamp: Stamp) -> None:
    """Close a take that is not gone on with, after `recover`. Raises as `recover` does."""
    _writing(folder, lambda db: _write(db, rows(TakeEnded(outcome, reason, stamp))), for_good=True)


def _writing(folder: Path, work: Callable[[sqlite3.Connection], T], *, for_good: bool = False) -> T:
    handle = lock(folder)
    try:
        db = schema.open_for_writing(folder)
        try:
            return work(db)
        finally:
            if for_good:
                schema.close_for_good(db)
            else:
                db.close()
    except (sqlite3.Error, OSError) as error:
        raise TakeEndedError(f"cannot put the take {folder} in order: {error}; free or mend the disk") from error
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        raise UserError(f"cannot read the take {folder}: its {schema.DB_NAME} holds what no take holds") from error
    finally:
        close_handle(handle)


def _discarding(folder: Path) -> None:
    handle = lock(folder)
    try:
        schema.discard_unborn(folder)
    finally:
        close_handle(handle)


def _write(db: sqlite3.Connection, many: Iterable[Row]) -> None:
    db.execute("BEGIN IMMEDIATE")
    for row in many:
        db.execute(row.sql, row.values)
    db.execute("COMMIT")


def _recover(folder: Path, db: sqlite3.Connection, stamp: Stamp) -> Recovered:
    meta = meta_of(db)
    cues = {number for (number,) in db.execute("SELECT number FROM cue")}
    shots: dict[Key, bool | None] = {}
    named: dict[Key, list[str]] = {}
    fired: set[Key] = set()
    card = _card_cameras(meta)
    for cue, camera, outcome, files, released in db.execute("SELECT cue, camera, outcome, files, released_s FROM shot"):
        if camera in card and released is not None:
            fired.add((cue, camera))
        shots[cue, camera] = None if outcome is None else outcome == "landed"
        if outcome == "landed":
            named[cue, camera] = json.loads(files)
    names = tidy(folder)
    gone = {key for key, files in named.items() if not names.issuperset(files)}
    found = whole_frames(folder, names, set(named) - gone)
    cameras = cameras_of(meta, {camera for _, camera in (*shots, *found)})
    mending = reconcile(cues, cameras, shots, gone, found, fired=fired)
    same_boot = meta.get("boot") == boot_id()
    meta |= _times(db, meta, stamp) | {"boot": boot_id()}
    if same_boot:
        # Had the clock been set while no daemon ran, the monotonic one still knows when the take began.
        meta["created_utc"] = _utc_at(meta, stamp)
    _write(db, (*_mended(mending, stamp), *rows(Kept(meta)), *rows(Noted(_note(mending), stamp))))
    return _recovered(folder, db, meta, mending, same_boot=same_boot)


def _glimpsed(folder: Path, db: sqlite3.Connection, stamp: Stamp) -> Recovered:
    meta = meta_of(db)
    same_boot = meta.get("boot") == boot_id()
    return _recovered(folder, db, meta | _times(db, meta, stamp), Mending(), same_boot=same_boot)


def _mended(mending: Mending, stamp: Stamp) -> Iterator[Row]:
    for number in mending.cues:
        utc = min((found.utc for key, found in mending.adopt.items() if key[0] == number), default=stamp.utc)
        yield Row("INSERT INTO cue (number, utc) VALUES (?, ?)", (number, utc))
    for (shot, camera), found in mending.adopt.items():
        yield landed_row(shot, camera, None, found.utc, files=found.files, size_bytes=found.size_bytes)
    for shot, camera in mending.card:
        yield from rows(CameraNoted(OnCard(shot, camera, stamp.mono_s), stamp))
    for (shot, camera), reason in mending.miss.items():
        if reason == GONE:
            yield Row(
                "UPDATE shot SET outcome = NULL, files = NULL, size_bytes = NULL WHERE cue = ? AND camera = ?",
                (shot, camera),
            )
        yield from rows(CameraNoted(Missed(shot, camera, stamp.mono_s, reason), stamp))


def _card_cameras(meta: Mapping[str, Any]) -> set[str]:
    """The cameras of the take's settings whose pictures stay on their cards."""
    listed = meta.get("settings", {}).get("camera", ())
    return {str(camera["name"]) for camera in listed if camera.get("kind") in CARD_KINDS}


def _note(mending: Mending) -> Note:
    text = f"lapsed was started again: {len(mending.adopt)} frames adopted, {len(mending.miss)} shots missed"
    data: dict[str, object] = {
        "adopted": sorted(mending.adopt),
        "missed": sorted(mending.miss),
        "cues_added": mending.cues,
    }
    return Note("recovered", text, data)


def _times(db: sqlite3.Connection, meta: Mapping[str, Any], now: Stamp) -> dict[str, float]:
    """When the take and its first cue began, on the monotonic clock of this boot."""
    times: dict[str, tuple[Any, Any]] = {"since_s": (meta.get("since_s"), meta.get("created_utc"))}
    first = db.execute("SELECT mono_s, utc FROM cue WHERE mono_s IS NOT NULL ORDER BY number LIMIT 1").fetchone()
    if first is not None:
        times["first_cue_s"] = (meta.get("first_cue_s", first[0]), first[1])
    told_s = {key: float(mono_s) for key, (mono_s, utc) in times.items() if mono_s is not None and utc is not None}
    if meta.get("boot") == boot_id():
        return told_s
    last_s, last_utc = _last(db)
    if last_s is None or last_utc is None:
        return dict.fromkeys(told_s, now.mono_s - _gap_s(meta.get("created_utc"), now))
    gap_s = _gap_s(last_utc, now)
    return {key: now.mono_s - gap_s - max(0.0, last_s - mono_s) for key, mono_s in told_s.items()}


def _last(db: sqlite3.Connection) -> tuple[float | None, str | None]:
    """The last row's time, on the monotonic clock of the boot that wrote it and on the wall clock."""
    found: tuple[float | None, str | None] | None = db.execute(
        "SELECT mono_s, utc FROM (SELECT mono_s, utc FROM cue WHERE mono_s IS NOT NULL "
        "UNION ALL SELECT mono_s, utc FROM event WHERE mono_s IS NOT NULL) ORDER BY utc DESC LIMIT 1"
    ).fetchone()
    return found or (None, None)


def _utc_at(meta: Mapping[str, Any], now: Stamp) -> str:
    told = datetime.fromisoformat(meta["created_utc"])
    began = datetime.fromisoformat(now.utc) - timedelta(seconds=now.mono_s - meta["since_s"])
    return str(meta["created_utc"]) if abs(began - told) < RIGHT_WITHIN else utc_text(began)


def _gap_s(utc: object, now: Stamp) -> float:
    """How long ago `utc` was, in an earlier boot: at least as long as this one lasts, where the clock may be wrong."""
    ago_s = (datetime.fromisoformat(now.utc) - datetime.fromisoformat(str(utc))).total_seconds()
    return ago_s if 0 <= ago_s <= now.mono_s + LONGEST_OFF_S else now.mono_s


def _recovered(
    folder: Path, db: sqlite3.Connection, meta: Mapping[str, Any], mending: Mending, *, same_boot: bool
) -> Recovered:
    cues, top_mm, marked, ended = db.execute(
        "SELECT coalesce(max(number), 0), coalesce(max(height_mm), 0.0), coalesce(max(why IS ?), 0), "
        "coalesce(max(why IS ?), 0) FROM cue",
        (str(Why.LINE), str(Why.END)),
    ).fetchone()
    layers = [layer for (layer,) in db.execute("SELECT layer FROM cue WHERE layer IS NOT NULL ORDER BY number")]
    cameras = cameras_of(meta, set())
    unfilmed = db.execute("SELECT cue FROM shot WHERE outcome = 'missed' AND camera = ?", cameras[:1] or ("",))
    held_s, cued_s = db.execute("SELECT total(max(0, resumed_s - held_s)), max(mono_s) FROM cue").fetchone()
    hold = db.execute("SELECT shot, phase, come_back FROM hold").fetchone()
    return Recovered(
        folder=folder,
        print=print_of(meta),
        meta=meta,
        cues=cues,
        since_s=meta["since_s"],
        first_cue_s=meta.get("first_cue_s"),
        first_layer=layers[0] if layers else None,
        layer=layers[-1] if layers else None,
        top_mm=max(top_mm, float(meta.get("printed_top_mm") or 0.0)),
        marked=bool(marked),
        ended=bool(ended),
        hold=None if hold is None else OpenHold(hold[0], hold[1], tuple(json.loads(hold[2]))),
        adopted=tuple(sorted(mending.adopt)),
        missed=tuple(sorted(mending.miss)),
        unfilmed=frozenset(number for (number,) in unfilmed),
        held_s=held_s,
        cued_s=cued_s if same_boot else None,
    )
