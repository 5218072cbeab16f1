"""Takes on disk as the API tells them; what a request names never leads outside the store.

All of it waits for the disk: call it in a thread.
"""

import csv
import sqlite3
from pathlib import Path

from lapsed.errors import UserError
from lapsed.take import digest, reader
from lapsed.take.name import frame_stem
from lapsed.web.words import ClipFile, FrameName, JudgedFrame, MissedShot, TakeDetail, TakeLine, Takes

CLIPS = "clips"
JUDGED = "judged.csv"
"""The table that judging writes beside the clips: `lapsed.clip.chart.Row` names its columns."""

PICTURES = (".jpg", ".jpeg")


class NotHereError(UserError):
    """What was asked for is not there."""


def all_takes(store: Path) -> Takes:
    """All takes, newest first."""
    return Takes(
        takes=tuple(
            TakeLine(
                name=take.name,
                print_name=take.print_name,
                began_utc=take.started_utc,
                ended_utc=take.ended_utc,
                outcome=take.outcome,
                cues=take.cues,
                landed=take.landed,
                missed=take.missed,
                problem=take.problem,
            )
            for take in reader.list_takes(store)
        )
    )


def folder_of(store: Path, name: str) -> Path:
    """The folder of the take named so."""
    if Path(name).name != name or name in ("", ".", "..") or not (store / name / "take.db").is_file():
        raise NotHereError(f"there is no take {name!r}")
    return store / name


def detail(store: Path, name: str) -> TakeDetail:
    """One take."""
    folder = folder_of(store, name)
    return reader.reading(folder, lambda db: _detail(folder, db))


def _detail(folder: Path, db: sqlite3.Connection) -> TakeDetail:
    meta, cameras = reader.meta_of(db), digest.cameras(db)
    main = cameras[0] if cameras else ""
    return TakeDetail(
        name=folder.name,
        print_name=reader.print_of(meta).name,
        began_utc=meta.get("created_utc"),
        ended_utc=meta.get("ended_utc"),
        outcome=meta.get("outcome"),
        reason=meta.get("reason", ""),
        cameras=cameras,
        frames=tuple(
            FrameName(shot=frame.shot, layer=frame.layer, height_mm=frame.height_mm, utc=frame.utc)
            for frame in digest.frames(folder, db, main)
        ),
        missed=tuple(
            MissedShot(shot=shot.cue, reason=shot.reason or "")
            for shot in reader.shots(db, "camera = ? AND outcome = 'missed'", main)
        ),
        judged=judged(folder / CLIPS / JUDGED, f"frames/{main}/"),
        clips=clips(folder),
        events=tuple(f"{event.utc} {event.text}" for event in reader.news(reader.events(db))),
    )


def clips(folder: Path) -> tuple[ClipFile, ...]:
    """What stitching has made of the take in `folder`."""
    inside = folder / CLIPS
    files = [path for path in inside.iterdir() if path.is_file()] if inside.is_dir() else []
    return tuple(
        ClipFile(name=path.name, size_bytes=path.stat().st_size)
        for path in sorted(files)
        if not path.name.startswith(".")
    )


def judged(table: Path, frames: str) -> tuple[JudgedFrame, ...] | None:
    """The frames in the folder `frames` that stick out; None where the table is not there, or is no such table."""
    try:
        with table.open(encoding="utf-8", newline="") as file:
            rows = [row for row in csv.DictReader(file) if row["said"] and row["frame"].startswith(frames)]
        return tuple(_judged(row) for row in rows)
    except (OSError, ValueError, KeyError, TypeError, AttributeError, csv.Error):
        return None  # of another version, or cut short: the next stitching writes it anew


def _judged(row: dict[str, str]) -> JudgedFrame:
    fate, _, reason = row["said"].partition(": ")
    return JudgedFrame(
        shot=int(row["number"]),
        left_out=fate == "left out",
        by_hand="on request" in row["said"],
        broken=row["fault"] in ("broken", "unfit"),
        reason=reason.removeprefix("was dropped on request; it "),
    )


def clip(store: Path, take: str, name: str) -> Path:
    """The file of a clip."""
    path = folder_of(store, take) / CLIPS / name
    if Path(name).name != name or name.startswith(".") or path.is_symlink() or not path.is_file():
        raise NotHereError(f"take {take} has no clip {name!r}")
    return path


def frame(store: Path, take: str, camera: str, shot: int) -> Path:
    """The picture of a landed frame."""
    inside = folder_of(store, take) / "frames" / camera
    stem = frame_stem(shot)
    if Path(camera).name == camera and camera not in ("", ".", "..") and inside.is_dir():
        for path in sorted(inside.glob(f"{stem}.*")):
            if path.suffix.lower() in PICTURES and not path.is_symlink():
                return path
    raise NotHereError(f"take {take} has no picture of shot {shot} from camera {camera!r}")


def spread(shots: list[int], most: int) -> list[int]:
    """At most `most` of the shots, evenly, first and last among them."""
    if len(shots) <= most:
        return shots
    return [shots[round(at * (len(shots) - 1) / (most - 1))] for at in range(most)]
