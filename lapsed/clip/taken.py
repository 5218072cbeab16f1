"""When a picture was taken, by its Exif; for folders that no journal tells of."""

from pathlib import Path

from PIL import Image, UnidentifiedImageError

_EXIF, _ORIGINAL, _SUBSEC, _OFFSET = 0x8769, 0x9003, 0x9291, 0x9011


def taken_at(path: Path) -> str | None:
    """The moment of exposure as ISO 8601, None where the file doesn't tell; local time unless an offset is given.

    DateTimeOriginal, SubSecTimeOriginal and OffsetTimeOriginal of Exif (CIPA DC-008, 4.6.5).
    """
    try:
        with Image.open(path) as picture:
            tags = picture.getexif().get_ifd(_EXIF)
    except (OSError, UnidentifiedImageError, SyntaxError, ValueError):
        return None  # whether it serves as a frame is found out elsewhere
    text = str(tags.get(_ORIGINAL, "")).strip("\0 ")
    date, _, time = text.partition(" ")
    if len(text) != 19 or not text.replace(":", "").replace(" ", "").isdecimal():
        return None
    part = str(tags.get(_SUBSEC, "")).strip("\0 ")
    offset = str(tags.get(_OFFSET, "")).strip("\0 ")
    fraction = f".{part[:6]:0<6}" if part.isdecimal() else ""
    return f"{date.replace(':', '-')}T{time}{fraction}{offset if len(offset) == 6 and ':' in offset else ''}"
