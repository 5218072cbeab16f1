"""What a host said, kept as lines of JSON: seconds since the first message, and the message as it was parsed."""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from lapsed.errors import UserError


@dataclass(frozen=True, slots=True)
class Heard:
    """One message and when it came, in seconds since the recording began."""

    at_s: float
    message: object


def line(heard: Heard) -> str:
    """One line of a recording."""
    return json.dumps({"at_s": round(heard.at_s, 3), "message": heard.message}, ensure_ascii=False) + "\n"


def read(path: Path) -> Iterator[Heard]:
    """The messages of a recording; a last line that was cut short is passed over. Raises UserError."""
    try:
        with path.open(encoding="utf-8") as file:
            lines = file.read().split("\n")
    except (OSError, UnicodeDecodeError) as error:
        raise UserError(
            f"cannot read the recording {path}: {getattr(error, 'strerror', None) or 'it is no text'}"
        ) from error
    for number, text in enumerate(lines, 1):
        if not text.strip():
            continue
        try:
            entry = json.loads(text)
            yield Heard(float(entry["at_s"]), entry["message"])
        except (ValueError, KeyError, TypeError, RecursionError) as error:
            if number == len(lines):
                return
            raise UserError(f"{path} is no recording: line {number} holds no at_s and message") from error
