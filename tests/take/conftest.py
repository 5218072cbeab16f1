import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from lapsed.clock import Stamp
from lapsed.model import Cue, Exposed, Landed, Missed, OnCard, PrintInfo, Released, Why
from lapsed.take.journal import Journal
from lapsed.take.records import CameraNoted, CueNoted, Record, ShotOrdered


def stamp_of(mono_s: float) -> Stamp:
    """A stamp of the day on which all of these tests' prints run, 1000 s after boot at 09:30."""
    seconds = mono_s - 1000.0
    return Stamp(mono_s, f"2026-05-04T09:{30 + int(seconds // 60):02d}:{seconds % 60:09.6f}Z")


class Making:
    """What the tests make takes of."""

    # The least with a whole JPEG's markers: SOI, a scan's header, an entropy-coded byte, EOI (ITU-T T.81, B.2).
    jpeg = bytes.fromhex("ffd8 ffda0008 010100003f00 55 ffd9")

    def stamp(self, mono_s: float) -> Stamp:
        return stamp_of(mono_s)

    def new(self, store: Path, *cameras: str, name: str = "bracket.gcode") -> Journal:
        meta = {"cameras": list(cameras or ("main",))}
        return Journal.create(store, PrintInfo(name, layers=200), meta, stamp_of(1000.0))

    def cue(self, number: int, why: Why = Why.LAYER) -> tuple[Record, ...]:
        at_s = 1000.0 + number
        return (CueNoted(Cue(number, why, at_s, number, number * 0.25), stamp_of(at_s)),)

    def ordered(self, number: int, camera: str = "main") -> tuple[Record, ...]:
        return (ShotOrdered(number, camera, stamp_of(1000.25 + number)),)

    def exposed(self, number: int, camera: str = "main") -> tuple[Record, ...]:
        at_s = 1000.5 + number
        return (
            CameraNoted(Released(number, camera, at_s - 0.25), stamp_of(at_s - 0.25)),
            CameraNoted(Exposed(number, camera, at_s), stamp_of(at_s)),
        )

    def landed(self, number: int, camera: str = "main") -> tuple[Record, ...]:
        at_s = 1000.75 + number
        files = (f"frames/{camera}/{number:06d}.jpg",)
        return (CameraNoted(Landed(number, camera, at_s, files, len(self.jpeg)), stamp_of(at_s)),)

    def on_card(self, number: int, camera: str = "main") -> tuple[Record, ...]:
        at_s = 1000.75 + number
        return (CameraNoted(OnCard(number, camera, at_s), stamp_of(at_s)),)

    def missed(
        self, number: int, camera: str = "main", reason: str = "the camera gave no answer"
    ) -> tuple[Record, ...]:
        at_s = 1000.75 + number
        return (CameraNoted(Missed(number, camera, at_s, reason), stamp_of(at_s)),)

    def shot(self, number: int, camera: str = "main") -> tuple[Record, ...]:
        return (
            *self.cue(number),
            *self.ordered(number, camera),
            *self.exposed(number, camera),
            *self.landed(number, camera),
        )

    def frame(self, folder: Path, number: int, camera: str = "main", ending: str = "jpg", data: bytes = jpeg) -> Path:
        path = folder / "frames" / camera / f"{number:06d}.{ending}"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
        return path


@pytest.fixture(scope="session")
def making() -> Making:
    return Making()


class Mount:
    """A file system of its own, small, which can be made read-only."""

    def __init__(self, place: Path) -> None:
        self.place = place

    def freeze(self) -> None:
        subprocess.run(["mount", "-o", "remount,ro", self.place], check=True)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Mount]:
    """A disk of 512 kB; skipped where mounting isn't allowed."""
    place = tmp_path / "disk"
    place.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=512k", "tmpfs", place]
    if os.getuid() != 0 or subprocess.run(command, check=False, capture_output=True).returncode != 0:
        pytest.skip("mounting a file system is not allowed here")
    try:
        yield Mount(place)
    finally:
        subprocess.run(["umount", place], check=True)
