"""Forks writers of takes, to be killed at any instant: reads "STORE ACKS" lines, answers each with a process id.

A writer makes takes of four shots one after another until it is killed, with frame files as a camera worker writes
them. It tells in ACKS what it was told is safe, one line each: "cue FOLDER NUMBER", "landed FOLDER NUMBER",
"closed FOLDER".
"""

import os
import sys
from pathlib import Path

from lapsed.clock import stamp
from lapsed.model import Cue, Landed, Outcome, PrintInfo, Why
from lapsed.take.journal import Journal
from lapsed.take.records import CameraNoted, CueNoted, HoldCleared, HoldNoted, ShotOrdered
from lapsed.take.schema import sync_folder

JPEG = bytes.fromhex("ffd8 ffda0008 010100003f00 55 ffd9")
BACK = ("G1 X10 Y10 F6000",)


def write(store: Path, acks: int) -> None:
    while True:
        journal = Journal.create(store, PrintInfo("bracket.gcode"), {"cameras": ["main"]}, stamp())
        main = journal.folder / "frames" / "main"
        main.mkdir()
        sync_folder(main.parent)
        name = journal.folder.name
        for number in range(1, 5):
            now = stamp()
            cue = CueNoted(Cue(number, Why.LAYER, now.mono_s, number, number * 0.25), now)
            journal.submit(cue, HoldNoted(number, "parking", BACK, now)).result()
            os.write(acks, f"cue {name} {number}\n".encode())
            ordered = journal.submit(ShotOrdered(number, "main", stamp()))
            part = main / f"{number:06d}.jpg.part"
            with part.open("wb") as file:
                file.write(JPEG[:9])
                file.flush()
                file.write(JPEG[9:])
                file.flush()
                os.fsync(file.fileno())
            part.rename(part.with_suffix(""))
            sync_folder(main)
            ordered.result()
            landed = Landed(number, "main", stamp().mono_s, (f"frames/main/{number:06d}.jpg",), len(JPEG))
            journal.submit(CameraNoted(landed, stamp()), HoldCleared()).result()
            os.write(acks, f"landed {name} {number}\n".encode())
        journal.close(Outcome.FINISHED, "", stamp()).result()
        os.write(acks, f"closed {name}\n".encode())


def main() -> None:
    for line in sys.stdin:
        store, acks = line.split()
        child = os.fork()
        if child == 0:
            write(Path(store), os.open(acks, os.O_WRONLY | os.O_CREAT | os.O_APPEND))
        sys.stdout.write(f"{child}\n")
        sys.stdout.flush()
        os.waitpid(child, 0)
        sys.stdout.write("gone\n")
        sys.stdout.flush()


main()
