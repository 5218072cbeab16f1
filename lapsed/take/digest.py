"""What the daemon asks about a take, told row by row: a take of ten thousand shots costs it next to no memory.

What takes an open database is for `reader.reading`, and reads nothing before it is iterated.
"""

import sqlite3
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from lapsed.take import reader
from lapsed.take.reader import Frame, ShotView


@dataclass(frozen=True, slots=True)
class Digest:
    """What a take comes to.

    `cues` is the number of its last cue, `cued_utc` when each was; `counts` are by camera and outcome; `newest` holds
    each camera's last landed shot. `charges` are what was left in a camera's battery: camera, UTC and percent.
    """

    cues: int
    began_utc: str | None
    ended_utc: str | None
    cameras: tuple[str, ...]
    counts: Mapping[tuple[str, str], int]
    newest: Mapping[str, ShotView]
    cued_utc: tuple[str | None, ...]
    charges: tuple[tuple[str, str | None, int], ...]


def digest(folder: Path) -> Digest:
    """What the take in `folder` comes to. Raises UserError."""
    return reader.reading(folder, _digest)


def cameras(db: sqlite3.Connection) -> tuple[str, ...]:
    """The take's cameras, the main one first."""
    seen = {str(name) for (name,) in db.execute("SELECT DISTINCT camera FROM shot")}
    return reader.cameras_of(reader.meta_of(db), seen)


def frames(folder: Path, db: sqlite3.Connection, camera: str) -> Iterator[Frame]:
    """The landed pictures of `camera` in the order of their shots."""
    every = reader.cues(db)
    cue = next(every, None)
    for shot in reader.shots(db, "camera = ? AND outcome = 'landed'", camera):
        while cue is not None and cue.number < shot.cue:
            cue = next(every, None)
        if shot.files:
            yield reader.frame_of(folder, shot, cue if cue is not None and cue.number == shot.cue else None)


def _digest(db: sqlite3.Connection) -> Digest:
    meta = reader.meta_of(db)
    of_shots = "SELECT camera, outcome, count(*) FROM shot WHERE outcome IS NOT NULL GROUP BY camera, outcome"
    named = cameras(db)
    landed = "outcome = 'landed' AND camera = ?"
    last = f"{landed} AND cue = (SELECT max(cue) FROM shot WHERE {landed})"  # noqa: S608 - ours
    newest = {name: shot for name in named for shot in reader.shots(db, last, name, name)}
    told = ((event.data, event.utc) for event in reader.events(db))
    return Digest(
        cues=db.execute("SELECT coalesce(max(number), 0) FROM cue").fetchone()[0],
        began_utc=meta.get("created_utc"),
        ended_utc=meta.get("ended_utc"),
        cameras=named,
        counts={(camera, outcome): count for camera, outcome, count in db.execute(of_shots)},
        newest=newest,
        cued_utc=tuple(utc for (utc,) in db.execute("SELECT utc FROM cue ORDER BY number")),
        charges=tuple(
            (str(data.get("camera")), utc, percent)
            for data, utc in told
            if isinstance(percent := data.get("charge_percent"), int)
        ),
    )
