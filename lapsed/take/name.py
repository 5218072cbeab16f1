"""The names of a take's folder and files; pure."""

import re
import unicodedata
from datetime import datetime

MOST_BYTES = 160
"""Longest folder name: below the 255 bytes that file systems take, with room for suffixes of archives and copies."""

NAME_FORMAT = "%Y-%m-%d_%H%M%S_"
STAMPED = "2026-05-04_093000_"
"""What NAME_FORMAT looks like."""

_ENDINGS = re.compile(r"\.(gcode|gco|gc|g|nc|ngc)\Z", re.IGNORECASE)


def take_name(moment: datetime, print_name: str, attempt: int = 1) -> str:
    """The folder name of a take begun at `moment`, such as 2026-05-04_093000_bracket.

    From the second `attempt` on the name ends in -2, -3 ..., for prints that begin within one second. The result is
    one path component of at most MOST_BYTES bytes in UTF-8 whatever `print_name` holds.
    """
    head = moment.strftime(NAME_FORMAT)
    head = head.rjust(len(STAMPED), "0")  # strftime writes years before 1000 with fewer digits
    tail = "" if attempt == 1 else f"-{attempt}"
    return head + _shortened(clean(print_name), MOST_BYTES - len(head) - len(tail)) + tail


def began_by_name(name: str) -> datetime | None:
    """The local time that a take's name tells, without a zone; None where it tells none."""
    try:
        return datetime.strptime(name[: len(STAMPED)], NAME_FORMAT)  # noqa: DTZ007 - the name tells no zone
    except ValueError:
        return None


def clean(print_name: str) -> str:
    """What of a print's name may stand in a file name: letters, marks, digits, "-" and "_"; "print" if nothing is.

    Folders before the name and a G-code file's ending are left out.
    """
    parts = [part for part in re.split(r"[/\\]", print_name) if part.strip(". ")]
    name = _ENDINGS.sub("", parts[-1].strip()) if parts else ""
    # NFC, so that one name is one folder on file systems that compare bytes (Unicode Standard Annex 15).
    kept = (letter if _may_stand(letter) else "-" for letter in unicodedata.normalize("NFC", name))
    return re.sub("-{2,}", "-", "".join(kept)).strip("-_") or "print"


def frame_stem(shot: int) -> str:
    """The name of a shot's files without their ending: six digits, more beyond a million."""
    return f"{shot:06d}"


def shot_of(file_name: str) -> int | None:
    """The shot that a finished frame file belongs to, None for any other file."""
    match = re.fullmatch(r"([0-9]{6,12})\.[A-Za-z0-9]{1,8}", file_name)
    if match is None or file_name.endswith(".part") or int(match[1]) == 0:
        return None
    return int(match[1]) if match[1] == frame_stem(int(match[1])) else None


def _may_stand(letter: str) -> bool:
    return letter in "-_" or unicodedata.category(letter)[0] in "LMN"


def _shortened(text: str, most_bytes: int) -> str:
    # Cutting may leave half a letter, or a letter without its marks: the first is dropped, the second is harmless.
    return text.encode()[:most_bytes].decode(errors="ignore").rstrip("-_")
