"""What must hold after whatever happened, read from the takes on disk and from the machine's own record."""

import itertools
import sqlite3
from collections.abc import Sequence
from contextlib import closing

from lapsed.model import Why
from lapsed.take import reader
from tests.chaos.camera import read_picture
from tests.chaos.yard import HOLD_LIMIT_S, Yard

STATE = ("at", "absolute", "absolute_extrusion", "feed", "retracted")
OURS = {"G90", "G91", "M82", "M83", "G1", "M400", "M118"}
BUSY_S = 3.0
"""By how much a busy machine may be late: what is asserted is that the print goes on, by whose doing is seen."""


def check(yard: Yard, parts: list[str], *, truthful: bool = True) -> None:
    """Every promise, once all prints of `parts` are over and the last daemon has ended.

    A host that is not `truthful` may have told of a layer twice.
    """
    print_is_untouched(yard.host.log.records, parts)
    holds_are_short(yard)
    takes = yard.takes()
    serials: list[int] = []
    for take in takes:
        assert take.outcome is not None, f"{take.name} is still open"
        cues_are_accounted_for(take, truthful=truthful)
        serials += frames_are_whole(take)
    assert len(serials) == len(set(serials)), "a frame is there twice"
    nothing_safe_is_lost(yard, takes)
    assert list(yard.tmp.iterdir()) == [], "something is left in the folder for temporary files"


def print_is_untouched(records: list[dict], parts: list[str]) -> None:
    """The machine carried out the files line for line, and each of our blocks undid itself."""
    executed = [entry for entry in records if "line" in entry]
    printed = [entry["line"] for entry in executed if entry["from"] == "print"]
    assert printed == [line for text in parts for line in text.splitlines()]
    assert {entry["line"].split()[0] for entry in executed if entry["from"] == "run"} <= OURS
    before = None
    for origin, group in itertools.groupby(executed, lambda entry: entry["from"]):
        lines = list(group)
        if origin == "run" and before is not None:
            left, came = ({key: entry[key] for key in STATE} for entry in (before, lines[-1]))
            assert left == came, [entry["line"] for entry in lines]
        before = lines[-1]


def holds_are_short(yard: Yard) -> float:
    """No hold lasts past the limit, counted from when a daemon could last do nothing about it; the longest, s."""
    longest = longest_hold(yard.host.log.records, (*yard.deaf, *yard.excused))
    assert longest <= HOLD_LIMIT_S + BUSY_S, "a hold lasted past its limit"
    return longest


def longest_hold(records: list[dict], excused: Sequence[tuple[float, float]] = ()) -> float:
    """The longest hold, s; each is counted from the end of the last time that is `excused` in it."""
    events = [entry for entry in records if "event" in entry]
    longest = 0.0
    for at, entry in enumerate(events):
        if entry["event"] != "held":
            continue
        since = entry["mono_s"]
        until = next(e["mono_s"] for e in events[at + 1 :] if e["event"] in ("running", "finished", "abandoned"))
        excuses = [min(end, until) for begin, end in excused if begin < until and end > since]
        longest = max(longest, until - max([since, *excuses]))
    return longest


def cues_are_accounted_for(take: reader.TakeView, *, truthful: bool) -> None:
    """Every cue has a row at the camera, landed or missed with a reason; times go forwards."""
    numbers = [cue.number for cue in take.cues]
    assert numbers == list(range(1, len(numbers) + 1))
    assert [shot.cue for shot in take.shots] == numbers
    for shot in take.shots:
        assert shot.outcome == "landed" or (shot.outcome == "missed" and shot.reason), shot
    layers = [cue.layer for cue in take.cues if cue.why is Why.LAYER]
    assert not truthful or len(layers) == len(set(layers)), "a layer was cued twice"
    times = [cue.mono_s for cue in take.cues if cue.mono_s is not None]
    assert times == sorted(times)
    with closing(sqlite3.connect(take.folder / "take.db")) as db:
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    assert {path.name for path in take.folder.iterdir()} == {"take.db", "frames"}


def frames_are_whole(take: reader.TakeView) -> list[int]:
    """Each frame is whole, of its own shot, and what lies in the folder is what the journal tells; the serials."""
    serials, cued_s = [], {cue.number: cue.mono_s for cue in take.cues}
    for shot in take.shots:
        if shot.outcome != "landed":
            continue
        (file,) = shot.files
        data = (take.folder / file).read_bytes()
        assert len(data) == shot.size_bytes
        serial, exposed_s = read_picture(data)
        serials.append(serial)
        for bound_s in (shot.released_s, cued_s[shot.cue]):
            assert bound_s is None or bound_s <= exposed_s, f"shot {shot.cue} has the picture of an earlier one"
        assert shot.ended_s is None or exposed_s <= shot.ended_s
    assert serials == sorted(serials)
    on_disk = sorted(path.relative_to(take.folder).as_posix() for path in take.folder.glob("frames/*/*"))
    told = [file for shot in take.shots for file in shot.files]
    assert on_disk == told, [(shot.cue, shot.outcome, shot.reason) for shot in take.shots if shot.outcome != "landed"]
    return serials


def nothing_safe_is_lost(yard: Yard, takes: list[reader.TakeView]) -> None:
    """What was once told to be landed is landed, byte for byte."""
    views = {take.meta["since_s"]: take for take in takes}
    for (since_s, number), data in yard.safe.items():
        take = views[since_s]
        shot = next(shot for shot in take.shots if shot.cue == number)
        assert shot.outcome == "landed", f"shot {number} of {take.name} had landed and is lost"
        assert (take.folder / shot.files[0]).read_bytes() == data, f"shot {number} of {take.name} was touched"
