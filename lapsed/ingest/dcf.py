"""The order in which a camera took the files on its card, from their names; pure.

DCF (JEITA CP-3461) names folders with a number from 100 to 999 and five characters, files with four characters and a
number from 0001 to 9999; files of one number in a folder, such as raw and JPEG, are one photo. Numbers rise, and begin
anew after the last, in the next folder as a rule.
"""

import re
from collections.abc import Iterable, Mapping
from itertools import pairwise
from pathlib import PurePosixPath

_FOLDER = re.compile(r"([1-9][0-9]{2})[0-9A-Z_]{5}", re.IGNORECASE)
_FILE = re.compile(r"[0-9A-Z_]{4}([0-9]{4})", re.IGNORECASE)
_LAST_FOLDER, _LAST_FILE = 999, 9999


def photos(paths: Iterable[str]) -> list[tuple[str, ...]]:
    """The files of each photo, photos in the order they were taken; `paths` are relative, with "/" between folders.

    What is not named by the rule comes in the order of its names, behind what is.
    """
    groups: dict[tuple[str, str], list[str]] = {}
    for path in paths:
        pure = PurePosixPath(path)
        groups.setdefault((str(pure.parent), pure.stem.upper()), []).append(path)
    folders: dict[str, dict[str, list[str]]] = {}
    for (folder, stem), files in groups.items():
        folders.setdefault(folder, {})[stem] = sorted(files)
    return [tuple(files) for folder in _folders(folders) for files in _files(folders[folder])]


def _folders(names: Iterable[str]) -> list[str]:
    numbered = {name: _number(_FOLDER, PurePosixPath(name).name) for name in names}
    turn = _turn({number for number in numbered.values() if number is not None}, 100, _LAST_FOLDER)
    return sorted(numbered, key=lambda name: (_place(numbered[name], turn), name))


def _files(stems: Mapping[str, list[str]]) -> list[list[str]]:
    numbered = {stem: _number(_FILE, stem) for stem in stems}
    turn = _turn({number for number in numbered.values() if number is not None}, 1, _LAST_FILE)
    return [stems[stem] for stem in sorted(stems, key=lambda stem: (_place(numbered[stem], turn), stem))]


def _number(rule: re.Pattern[str], name: str) -> int | None:
    found = rule.fullmatch(name)
    return int(found[1]) if found and int(found[1]) > 0 else None


def _place(number: int | None, turn: int) -> tuple[int, int]:
    """Where a number stands: from `turn` to the last, then from the first on; no number stands last."""
    return (2, 0) if number is None else (int(number < turn), number)


def _turn(numbers: set[int], first: int, last: int) -> int:
    """The number that the sequence began with: behind the widest gap where both ends are taken, else the first."""
    if not {first, last} <= numbers:
        return first
    ordered = sorted(numbers)
    gaps = [(after - before, after) for before, after in pairwise(ordered)]
    widest, turn = max(gaps, key=lambda gap: gap[0])
    return turn if widest > 1 else first
