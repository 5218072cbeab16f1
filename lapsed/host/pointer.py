"""JSON Pointers (RFC 6901): where a value stands in a JSON document."""

import re
from enum import Enum
from functools import lru_cache
from typing import Final, Literal


class Absent(Enum):
    """What stands where nothing stands; null is a value and told apart from it."""

    ABSENT = "absent"


ABSENT: Final = Absent.ABSENT

# RFC 6901, section 4: "0", or digits without a leading zero. No array is as long as ten digits can count.
_INDEX = re.compile(r"0|[1-9][0-9]{0,9}")


@lru_cache(maxsize=1024)
def tokens(pointer: str) -> tuple[str, ...]:
    """The unescaped steps of `pointer`; ValueError if it is no JSON Pointer (RFC 6901, sections 3 and 4)."""
    if not pointer:
        return ()
    if not pointer.startswith("/") or re.search(r"~(?![01])", pointer):
        raise ValueError(f"{pointer!r} is not a JSON Pointer: it starts with / and writes ~ as ~0")
    # "~1" first: "~01" has to become "~1" and not "/".
    return tuple(part.replace("~1", "/").replace("~0", "~") for part in pointer[1:].split("/"))


def resolve(document: object, pointer: str) -> object | Literal[Absent.ABSENT]:
    """The value that `pointer` names in `document`, a parsed JSON text, or ABSENT. ValueError if it is no pointer."""
    value = document
    for token in tokens(pointer):
        if isinstance(value, dict):
            value = value.get(token, ABSENT)
        elif isinstance(value, list) and _INDEX.fullmatch(token) and int(token) < len(value):
            value = value[int(token)]
        else:
            return ABSENT
    return value
