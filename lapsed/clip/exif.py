"""What Exif tells of when and how long a picture was exposed; pure.

Exif (CIPA DC-008) is a TIFF structure, in a JPEG's APP1 segment or, in many raw formats, the file itself.
"""

import re
import struct
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

HEAD_BYTES = 1 << 20
"""How much of a file's beginning is enough: cameras write their directories there."""

_EXIF_POINTER, _DATE_TIME, _ORIGINAL, _OFFSET, _SUBSEC, _EXPOSURE = 0x8769, 0x0132, 0x9003, 0x9011, 0x9291, 0x829A
_MAKE, _MODEL, _SERIAL, _ORIENTATION = 0x010F, 0x0110, 0xA431, 0x0112
_PLACE_POINTER, _LATITUDE_REF = 0x8825, 0x0001
_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 7: 1, 9: 4, 10: 8}  # bytes of a value by its type (TIFF 6.0, section 2)
_ORDERS = {b"II": "<", b"MM": ">"}
_MOST_ENTRIES = 512


@dataclass(frozen=True, slots=True)
class Exif:
    """What was found; None for what is not there or makes no sense.

    `taken` is the camera's local time, without a zone, with as many decimals as `digits` tells of; `offset` is how far
    that local time is ahead of UTC. `exposure_s` is the shutter time. `camera` is its maker, model and serial number,
    as far as they are told. `orientation` is 1 to 8, and `located` tells whether it says where the picture was shot.
    """

    taken: datetime | None = None
    digits: int = 0
    offset: timedelta | None = None
    exposure_s: float | None = None
    camera: str = ""
    orientation: int = 1
    located: bool = False


def read(head: bytes) -> Exif:
    """The Exif in the first bytes of a JPEG or of a raw file that is a TIFF; empty for anything else."""
    tiff = _in_jpeg(head) if head[:2] == b"\xff\xd8" else head
    order = _ORDERS.get(tiff[:2])
    if order is None:
        return Exif()
    # 42 marks a TIFF (section 2); some raw formats put a number of their own there and are laid out alike.
    tags = _directory(tiff, order, 4)
    own, place = (
        _directory(tiff, order, None, pointer) if isinstance(pointer, int) else {}
        for pointer in (tags.get(_EXIF_POINTER), tags.get(_PLACE_POINTER))
    )
    # Cameras that don't know their place leave the directory empty, or this letter blank (4.6.6).
    return replace(_told({**tags, **own}), located=_text(place.get(_LATITUDE_REF)) in {"N", "S"})


def _in_jpeg(data: bytes) -> bytes:
    """The TIFF structure in the APP1 segment (Exif, 4.7.2); empty where there is none."""
    at = 2
    while at + 4 <= len(data) and data[at] == 0xFF and data[at + 1] != 0xDA:
        if data[at + 1] == 0xFF:
            at += 1
            continue
        length = int.from_bytes(data[at + 2 : at + 4], "big")
        if data[at + 1] == 0xE1 and data[at + 4 : at + 10] == b"Exif\0\0":
            return data[at + 10 : at + 2 + length]
        at += 2 + length
    return b""


def _directory(data: bytes, order: str, pointer_at: int | None, start: int = 0) -> dict[int, bytes | int | float]:
    found: dict[int, bytes | int | float] = {}
    try:
        if pointer_at is not None:
            (start,) = struct.unpack_from(order + "I", data, pointer_at)
        (count,) = struct.unpack_from(order + "H", data, start)
        found.update(_entries(data, order, start + 2, min(count, _MOST_ENTRIES)))
    except struct.error:
        pass  # a directory that points outside itself: what was read until there counts
    return found


def _entries(data: bytes, order: str, start: int, count: int) -> Iterator[tuple[int, bytes | int | float]]:
    for at in range(start, start + 12 * count, 12):
        tag, kind, number = struct.unpack_from(order + "HHI", data, at)
        size = _SIZES.get(kind, 0) * number
        if not 0 < size <= 256:
            continue
        place = at + 8 if size <= 4 else struct.unpack_from(order + "I", data, at + 8)[0]
        if kind == 2 and place + size <= len(data):
            yield tag, data[place : place + size]
        elif kind == 3 and number == 1:
            yield tag, struct.unpack_from(order + "H", data, place)[0]
        elif kind == 4 and number == 1:
            yield tag, struct.unpack_from(order + "I", data, place)[0]
        elif kind == 5 and number == 1:
            above, below = struct.unpack_from(order + "II", data, place)
            if below:
                yield tag, above / below


def _told(tags: dict[int, bytes | int | float]) -> Exif:
    taken = _date(_text(tags.get(_ORIGINAL)) or _text(tags.get(_DATE_TIME)))
    digits = re.match(r"[0-9]{1,9}", _text(tags.get(_SUBSEC)))
    if taken is not None and digits is not None:
        # Digits behind the decimal point, however many (Exif, tag 0x9291).
        taken += timedelta(seconds=float(f"0.{digits[0]}"))
    exposure, turned = tags.get(_EXPOSURE), tags.get(_ORIENTATION)
    return Exif(
        taken=taken,
        digits=len(digits[0]) if taken is not None and digits is not None else 0,
        offset=_offset(_text(tags.get(_OFFSET))),
        exposure_s=exposure if isinstance(exposure, float) and 0 < exposure < 100_000 else None,
        orientation=turned if isinstance(turned, int) and 1 <= turned <= 8 else 1,
        camera=" ".join(filter(None, (_text(tags.get(tag)) for tag in (_MAKE, _MODEL, _SERIAL)))),
    )


def _text(value: bytes | float | None) -> str:
    return value.split(b"\0")[0].decode("ascii", "replace").strip() if isinstance(value, bytes) else ""


def _date(text: str) -> datetime | None:
    try:
        return datetime.strptime(text, "%Y:%m:%d %H:%M:%S")  # noqa: DTZ007 - the camera's local time has no zone
    except ValueError:
        return None


def _offset(text: str) -> timedelta | None:
    """How far local time is ahead of UTC from "+02:00"; None where it is blank, which says unknown."""
    found = re.fullmatch(r"([+-])([01][0-9]):([0-5][0-9])", text)
    if found is None:
        return None
    ahead = timedelta(hours=int(found[2]), minutes=int(found[3]))
    return ahead if found[1] == "+" else -ahead
