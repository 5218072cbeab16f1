"""Writes a take as daemon and worker do, to be recorded: STORE ACKS. What it is told is safe it says in ACKS.

The take is begun on a computer without a clock, which is right by the time the next daemon goes on with it.
"""

import os
import sys
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from lapsed.camera.landing import Landing
from lapsed.clock import stamp, utc_text
from lapsed.model import Cue, Landed, Outcome, PrintInfo, Why
from lapsed.take.journal import Journal
from lapsed.take.records import CameraNoted, CueNoted, HoldCleared, HoldNoted, ShotOrdered
from lapsed.take.recovery import find_open, recover
from lapsed.take.schema import sync_folder
from tests.chaos.camera import picture

BACK = ("G1 X10 Y10 F6000",)


def _shots(journal: Journal, numbers: range, acks: int) -> None:
    for number in numbers:
        now = stamp()
        cue = CueNoted(Cue(number, Why.LAYER, now.mono_s, number, number * 0.25), now)
        journal.submit(cue, HoldNoted(number, "parking", BACK, now)).result()
        os.write(acks, f"cue {number}\n".encode())
        ordered = journal.submit(ShotOrdered(number, "main", stamp()))
        landing = Landing(journal.folder, f"frames/main/{number:06}")
        landing.part("chaos.jpg").write_bytes(picture(number, float(number)))
        files, size = landing.land()
        ordered.result()
        landed = Landed(number, "main", stamp().mono_s, files, size)
        journal.submit(CameraNoted(landed, stamp()), HoldCleared()).result()
        os.write(acks, f"landed {number}\n".encode())


def main() -> None:
    store, acks = Path(sys.argv[1]), os.open(sys.argv[2], os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    dawn = replace(stamp(), utc=utc_text(datetime(1970, 1, 1, 0, 1, tzinfo=UTC)))
    journal = Journal.create(store, PrintInfo("post.gcode"), {"cameras": ["main"]}, dawn)
    os.write(acks, b"begun 0\n")
    main_frames = journal.folder / "frames" / "main"
    main_frames.mkdir()
    sync_folder(main_frames.parent)
    _shots(journal, range(1, 4), acks)
    journal.leave().result()
    # The next daemon goes on with it.
    (folder,) = find_open(store)
    recover(folder, stamp())
    journal = Journal.reopen(folder)
    _shots(journal, range(4, 6), acks)
    journal.close(Outcome.FINISHED, "", stamp()).result()
    os.write(acks, f"closed {journal.folder.name}\n".encode())


main()
