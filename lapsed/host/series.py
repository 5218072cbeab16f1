"""Every value in a host's messages as a series of its own, by the pointer it stands at; pure."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from lapsed.host.recording import Heard

MOST_POINTERS = 4000
DEEPEST = 12
MOST_ITEMS = 8
"""Items of a list that are followed, each at its own place."""

Scalar = str | int | float | bool | None


@dataclass(slots=True)
class Series:
    """The changes of one value: when, and to what. `count` is how often it was told."""

    pointer: str
    times: list[float] = field(default_factory=list)
    values: list[Scalar] = field(default_factory=list)
    count: int = 0

    def add(self, at_s: float, value: Scalar) -> None:
        """It was told again."""
        self.count += 1
        if not self.values or value != self.values[-1] or type(value) is not type(self.values[-1]):
            self.times.append(at_s)
            self.values.append(value)

    @property
    def numbers(self) -> list[float]:
        """The values, if all of them are numbers; else none."""
        found = [
            float(value) for value in self.values if isinstance(value, int | float) and not isinstance(value, bool)
        ]
        return found if len(found) == len(self.values) else []

    @property
    def texts(self) -> list[str]:
        """The values, if all of them are texts; else none."""
        found = [value for value in self.values if isinstance(value, str)]
        return found if len(found) == len(self.values) else []

    def at(self, at_s: float) -> Scalar:
        """The value in force at `at_s`, None before the first."""
        last: Scalar = None
        for time, value in zip(self.times, self.values, strict=True):
            if time > at_s:
                break
            last = value
        return last


def gather(heard: Iterable[Heard]) -> dict[str, Series]:
    """The series of all pointers, in the order they were first seen."""
    found: dict[str, Series] = {}
    for one in heard:
        for pointer, value in leaves(one.message):
            if pointer in found or len(found) < MOST_POINTERS:
                found.setdefault(pointer, Series(pointer)).add(one.at_s, value)
    return found


def leaves(value: object, pointer: str = "", depth: int = 0) -> Iterator[tuple[str, Scalar]]:
    """Every value that is no object or list, with its pointer (RFC 6901, section 4: "~" is ~0 and "/" is ~1)."""
    if depth > DEEPEST:
        return
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from leaves(inner, f"{pointer}/{str(key).replace('~', '~0').replace('/', '~1')}", depth + 1)
    elif isinstance(value, list):
        for index, inner in enumerate(value[:MOST_ITEMS]):
            yield from leaves(inner, f"{pointer}/{index}", depth + 1)
    elif value is None or isinstance(value, str | int | float):
        yield pointer, value
