"""What may be written into a take's journal, and the rows that each record becomes; pure."""

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import datetime, timedelta

from lapsed.clock import Stamp, utc_text
from lapsed.errors import BugError
from lapsed.model import (
    CameraEvent,
    CameraTold,
    Cue,
    Exposed,
    Landed,
    Missed,
    Note,
    OnCard,
    Outcome,
    PrintInfo,
    Released,
    Step,
)


@dataclass(frozen=True, slots=True)
class Kept:
    """Values to keep with the take under their keys, replacing earlier ones; anything JSON can hold."""

    values: Mapping[str, object]


@dataclass(frozen=True, slots=True)
class PrintNoted:
    """The host told more about the print."""

    print: PrintInfo


@dataclass(frozen=True, slots=True)
class CueNoted:
    """A cue was decided."""

    cue: Cue
    stamp: Stamp


@dataclass(frozen=True, slots=True)
class StepNoted:
    """A shot reached one of the stations that all its cameras share: held, parked, returned, resumed."""

    shot: int
    step: Step
    stamp: Stamp


@dataclass(frozen=True, slots=True)
class ShotOrdered:
    """A camera was told to take the frame of a shot."""

    shot: int
    camera: str
    stamp: Stamp


@dataclass(frozen=True, slots=True)
class CameraNoted:
    """A camera told something; a Landed event may be noted only once its files are safe."""

    event: CameraEvent
    stamp: Stamp


@dataclass(frozen=True, slots=True)
class Noted:
    """An event that mattered."""

    note: Note
    stamp: Stamp


@dataclass(frozen=True, slots=True)
class HoldNoted:
    """A shot holds the print, in `phase`; `come_back` are the lines that bring the head back, where it may be away."""

    shot: int
    phase: str
    come_back: tuple[str, ...]
    stamp: Stamp


@dataclass(frozen=True, slots=True)
class HoldCleared:
    """No shot holds the print."""


@dataclass(frozen=True, slots=True)
class TakeEnded:
    """The take is over."""

    outcome: Outcome
    reason: str
    stamp: Stamp


Record = (
    Kept | PrintNoted | CueNoted | StepNoted | ShotOrdered | CameraNoted | Noted | HoldNoted | HoldCleared | TakeEnded
)


@dataclass(frozen=True, slots=True)
class Row:
    """One SQL statement and its values, all of them of types and ranges that SQLite takes."""

    sql: str
    values: tuple[str | int | float | None, ...] = field(default=())


_KEEP = "INSERT INTO meta (key, value) VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET value = excluded.value"
_EVENT = "INSERT INTO event (utc, mono_s, kind, text, data) VALUES (?, ?, ?, ?, ?)"
_CUE = (
    "INSERT INTO cue (number, why, layer, height_mm, utc, mono_s) VALUES (?, ?, ?, ?, ?, ?) "
    "ON CONFLICT (number) DO UPDATE SET why = excluded.why, layer = excluded.layer, "
    "height_mm = excluded.height_mm, utc = excluded.utc, mono_s = excluded.mono_s"
)
_SHOT = "INSERT INTO shot (cue, camera, {0}_s, {0}_utc) VALUES (?, ?, ?, ?) ON CONFLICT (cue, camera) DO UPDATE SET "
_TIME = _SHOT + "{0}_s = excluded.{0}_s, {0}_utc = excluded.{0}_utc"
_LANDED = (
    "INSERT INTO shot (cue, camera, ended_s, ended_utc, outcome, files, size_bytes) "
    "VALUES (?, ?, ?, ?, 'landed', ?, ?) ON CONFLICT (cue, camera) DO UPDATE SET ended_s = excluded.ended_s, "
    "ended_utc = excluded.ended_utc, outcome = 'landed', reason = NULL, files = excluded.files, "
    "size_bytes = excluded.size_bytes"
)
# A frame that is safe stays landed: a deadline that passes afterwards doesn't take it away.
_MISSED = (
    "INSERT INTO shot (cue, camera, ended_s, ended_utc, outcome, reason) VALUES (?, ?, ?, ?, 'missed', ?) "
    "ON CONFLICT (cue, camera) DO UPDATE SET ended_s = excluded.ended_s, ended_utc = excluded.ended_utc, "
    "outcome = 'missed', reason = excluded.reason WHERE outcome IS NOT 'landed'"
)
# The same goes for one that was ingested already: a row that is written again doesn't take it back.
_ON_CARD = (
    "INSERT INTO shot (cue, camera, ended_s, ended_utc, outcome) VALUES (?, ?, ?, ?, 'on card') "
    "ON CONFLICT (cue, camera) DO UPDATE SET ended_s = excluded.ended_s, ended_utc = excluded.ended_utc, "
    "outcome = 'on card', reason = NULL WHERE outcome IS NOT 'landed'"
)
_HOLD = "INSERT OR REPLACE INTO hold (id, shot, phase, come_back, utc, mono_s) VALUES (1, ?, ?, ?, ?, ?)"
_STEPS = {Step.HELD: "held_s", Step.PARKED: "parked_s", Step.RETURNED: "returned_s", Step.RESUMED: "resumed_s"}


def rows(record: Record) -> tuple[Row, ...]:
    """The rows that `record` becomes; writing them twice leaves the same as writing them once, but for events.

    Raises BugError for a step that belongs to a camera and not to the whole shot.
    """
    match record:
        case Kept(values):
            return tuple(_row(_KEEP, key, _json(value)) for key, value in values.items())
        case PrintNoted(told):
            return (_row(_KEEP, "print", _json(asdict(told))),)
        case CueNoted(cue, stamp):
            utc = _utc_at(stamp, cue.decided_s)
            return (_row(_CUE, cue.number, str(cue.why), cue.layer, cue.height_mm, utc, cue.decided_s),)
        case StepNoted(shot, step, stamp):
            if step not in _STEPS:
                raise BugError(f"step {step} of shot {shot} is a camera's own, not the whole shot's")
            return (_row(f"UPDATE cue SET {_STEPS[step]} = ? WHERE number = ?", stamp.mono_s, shot),)  # noqa: S608 - a fixed table
        case ShotOrdered(shot, camera, stamp):
            return (_row(_TIME.format("ordered"), shot, camera, stamp.mono_s, stamp.utc),)
        case CameraNoted(event, stamp):
            return (_camera_row(event, stamp),)
        case Noted(note, stamp):
            return (_row(_EVENT, stamp.utc, stamp.mono_s, note.kind, note.text, _json(note.data)),)
        case HoldNoted(shot, phase, come_back, stamp):
            return (_row(_HOLD, shot, phase, _json(come_back), stamp.utc, stamp.mono_s),)
        case HoldCleared():
            return (Row("DELETE FROM hold"),)
        case TakeEnded(outcome, reason, stamp):
            end = {"outcome": str(outcome), "reason": reason, "ended_utc": stamp.utc, "ended_s": stamp.mono_s}
            return (*rows(Kept(end)), Row("DELETE FROM hold"))


def landed_row(shot: int, camera: str, at_s: float | None, utc: str, *, files: tuple[str, ...], size_bytes: int) -> Row:
    """The row of a frame whose files are safe."""
    return _row(_LANDED, shot, camera, at_s, utc, _json(files), size_bytes)


def _camera_row(event: CameraEvent, stamp: Stamp) -> Row:
    match event:
        case CameraTold(camera, ready, text, charge_percent, card_mb):
            data = {"camera": camera, "ready": ready, "charge_percent": charge_percent, "card_mb": card_mb}
            data = {key: value for key, value in data.items() if value is not None}
            return _row(_EVENT, stamp.utc, stamp.mono_s, "camera", text, _json(data))
        case Released(shot, camera, at_s):
            return _row(_TIME.format("released"), shot, camera, at_s, _utc_at(stamp, at_s))
        case Exposed(shot, camera, at_s):
            return _row(_TIME.format("exposed"), shot, camera, at_s, _utc_at(stamp, at_s))
        case Landed(shot, camera, at_s, files, size_bytes):
            return landed_row(shot, camera, at_s, _utc_at(stamp, at_s), files=files, size_bytes=size_bytes)
        case OnCard(shot, camera, at_s):
            return _row(_ON_CARD, shot, camera, at_s, _utc_at(stamp, at_s))
        case Missed(shot, camera, at_s, reason):
            return _row(_MISSED, shot, camera, at_s, _utc_at(stamp, at_s), reason)


def _utc_at(stamp: Stamp, at_s: float) -> str:
    try:
        return utc_text(datetime.fromisoformat(stamp.utc) + timedelta(seconds=at_s - stamp.mono_s))
    except (ValueError, OverflowError):
        return stamp.utc


def _row(sql: str, *values: str | float | None) -> Row:
    return Row(sql, tuple(map(_held, values)))


def _held(value: str | int | float | None) -> str | int | float | None:  # noqa: PYI041 - mypy tells them apart
    """`value` as SQLite can hold it: a host or a camera may have named anything, and no row is lost for it."""
    if isinstance(value, str):
        return value.encode(errors="backslashreplace").decode()  # lone surrogates are no UTF-8
    if isinstance(value, int):
        return max(-(2**63), min(value, 2**63 - 1))
    return value


def _json(value: object) -> str:
    # Half a surrogate pair, which a host's JSON may hold, becomes "?": escaped it would come back and break printing.
    return json.dumps(value, default=str, ensure_ascii=False).encode(errors="replace").decode()
