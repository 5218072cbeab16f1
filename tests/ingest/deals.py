"""Synthetic takes and cards: tiny JPEGs with Exif written by hand (CIPA DC-008, JEITA CP-3461)."""

import math
import random
import struct
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

from lapsed.clock import Stamp, utc_text
from lapsed.model import Cue, Missed, Note, OnCard, Outcome, PrintInfo, Released, Why
from lapsed.take.journal import Journal
from lapsed.take.records import CameraNoted, CueNoted, Noted

BEGUN = datetime(2026, 5, 4, 9, 30, tzinfo=UTC)


def jpeg(taken: datetime, number: int, digits: int = 0, offset: str | None = None, model: str = "") -> bytes:
    """A JPEG that holds no picture to speak of, but tells its time; `number` makes it unlike all others."""
    tags = {0x9003: taken.strftime("%Y:%m:%d %H:%M:%S")}
    if digits:
        tags[0x9291] = f"{taken.microsecond:06}"[:digits]
    if offset is not None:
        tags[0x9011] = offset
    first = {0x0110: model} if model else {}
    pointer = 8 + len(_directory(first, 8, 0))
    tiff = b"II*\0" + struct.pack("<I", 8) + _directory(first, 8, pointer) + _directory(tags, pointer)
    app1 = b"\xff\xe1" + struct.pack(">H", len(tiff) + 8) + b"Exif\0\0" + tiff
    return b"\xff\xd8" + app1 + b"\xff\xda\0\2" + f"picture {number}".encode() + b"\xff\xd9"


def _directory(texts: dict[int, str], at: int, pointer: int | None = None) -> bytes:
    """A TIFF directory of texts that begins at `at`, with a pointer to that of Exif where one is given."""
    count = len(texts) + (pointer is not None)
    table, data, behind = b"", b"", at + 2 + 12 * count + 4
    for tag, text in sorted(texts.items()):
        value = text.encode() + b"\0"
        held = value.ljust(4, b"\0") if len(value) <= 4 else struct.pack("<I", behind + len(data))
        data += value if len(value) > 4 else b""
        table += struct.pack("<HHI", tag, 2, len(value)) + held
    if pointer is not None:
        table += struct.pack("<HHII", 0x8769, 4, 1, pointer)
    return struct.pack("<H", count) + table + struct.pack("<I", 0) + data


def raw(taken: datetime, number: int) -> bytes:
    """A raw file laid out as TIFF."""
    whole = jpeg(taken, number)
    return whole[12 : 4 + int.from_bytes(whole[4:6], "big")] + f"raw {number}".encode()


@dataclass
class Deal:
    """Releases by our clock, photos by the camera's, and which photo is whose."""

    shots: list[float]
    photos: list[float]
    owners: list[int | None]
    offset_s: float
    drift: float


def deal(
    seed: int,
    shots: int = 500,
    *,
    gaps: tuple[float, float] = (15.0, 35.0),
    missed: float = 0.03,
    stray: float = 0.02,
    step_s: float = 1.0,
) -> Deal:
    """A print, filmed by a camera that misses some releases, with photos taken by hand in between.

    A photo taken by hand in the very second of a missed release can't be told from that shot's own by anyone, so there
    is none.
    """
    chance = random.Random(seed)
    at_s, releases = 0.0, []
    for _ in range(shots):
        at_s += chance.uniform(*gaps)
        releases.append(at_s)
    lost = {shot for shot in range(shots) if chance.random() < missed}
    taken: list[tuple[float, int | None]] = [
        (release + chance.gauss(0.08, 0.03), shot) for shot, release in enumerate(releases) if shot not in lost
    ]
    by_hand = round(stray * shots)
    while by_hand:
        instant = chance.uniform(-60, at_s + 60)
        if all(abs(instant - releases[shot]) > 1.6 for shot in lost):
            taken.append((instant, None))
            by_hand -= 1
    taken.sort(key=lambda one: one[0])
    offset_s = chance.uniform(-30, 30) * 3600
    drift = chance.choice([-60e-6, 60e-6, chance.uniform(-60e-6, 60e-6)])
    photos = [math.floor((offset_s + instant * (1 + drift)) / step_s) * step_s for instant, _ in taken]
    return Deal(releases, photos, [owner for _, owner in taken], offset_s, drift)


def after_another(
    seed: int, shots: int, *, jitter_s: float, missed: float = 0.03, missed_before: float = 0.0, share: float = 1.0
) -> Deal:
    """A print whose card holds an earlier one of the same file as well, or the first `share` of one that failed."""
    dealt, chance = deal(seed, shots, missed=missed), random.Random(seed)
    ago_s = dealt.shots[-1] + chance.uniform(1800, 20_000)
    before = [
        at_s - ago_s + chance.gauss(0.08, jitter_s)
        for at_s in dealt.shots[: round(share * shots)]
        if chance.random() >= missed_before
    ]
    dealt.photos[:0] = [math.floor(dealt.offset_s + at_s * (1 + dealt.drift)) for at_s in before]
    dealt.owners[:0] = [None] * len(before)
    return dealt


def beside_another(seed: int, shots: int, *, apart_s: float, missed: float = 0.03) -> Deal:
    """A print that a second camera films as well, by a clock `apart_s` from ours; its folder comes behind."""
    dealt, chance = deal(seed, shots), random.Random(seed)
    others = [at_s + 0.2 for at_s in dealt.shots if chance.random() >= missed]
    dealt.photos += [math.floor(dealt.offset_s + apart_s + at_s * (1 - dealt.drift)) for at_s in others]
    dealt.owners += [None] * len(others)
    return dealt


def set_in_print(seed: int, shots: int, *, by_s: float, share: float) -> Deal:
    """A print in which the camera's clock was set, when `share` of it was over."""
    dealt = deal(seed, shots)
    first = round(share * len(dealt.photos))
    dealt.photos[first:] = [photo + by_s for photo in dealt.photos[first:]]
    return dealt


@dataclass
class Made:
    """A take and a card that belong together; `owners` gives the shot of each photo's bytes."""

    take: Path
    card: Path
    owners: dict[bytes, int | None] = field(default_factory=dict)
    photos: dict[int, bytes] = field(default_factory=dict)


def write_take(store: Path, shots: list[float], *, missed: tuple[int, ...] = (), sync: tuple[float, ...] = ()) -> Path:
    """A closed take of one camera whose photos are on its card; shots count from 1."""

    def stamp(at_s: float) -> Stamp:
        return Stamp(1000 + at_s, utc_text(BEGUN + timedelta(seconds=at_s)))

    journal = Journal.create(store, PrintInfo("beacon.gcode"), {"cameras": ["main"]}, stamp(-100.0))
    (journal.folder / "frames" / "main").mkdir()
    for number, at_s in enumerate(shots, 1):
        now = stamp(at_s)
        cue = CueNoted(Cue(number, Why.LAYER, now.mono_s, number, number * 0.2), now)
        end = (
            Missed(number, "main", now.mono_s + 1, "told no picture")
            if number in missed
            else OnCard(number, "main", now.mono_s + 1)
        )
        journal.submit(cue, CameraNoted(Released(number, "main", now.mono_s), now), CameraNoted(end, now))
    if sync:
        data = {"camera": "main", "released_s": [1000 + at_s for at_s in sync]}
        journal.submit(Noted(Note("sync", "sync shots were taken", data), stamp(sync[-1])))
    journal.close(Outcome.FINISHED, "", stamp(shots[-1] + 60)).result(30)
    journal._thread.join()
    return journal.folder


def write_card(folder: Path, photos: list[float], first: int = 1, model: str = "") -> list[bytes]:
    """A card with these photos, named by the rule, from file number `first` on; what each file holds."""
    held = []
    for at, seconds in enumerate(photos):
        number = first - 1 + at
        place = folder / "DCIM" / f"{100 + number // 9999}OTTER" / f"OTTR{number % 9999 + 1:04}.JPG"
        place.parent.mkdir(parents=True, exist_ok=True)
        held.append(jpeg((BEGUN + timedelta(seconds=seconds)).replace(tzinfo=None), at, model=model))
        place.write_bytes(held[-1])
    return held
