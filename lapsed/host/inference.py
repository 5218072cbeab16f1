"""Which of a host's values is which fact, told from how the values moved during a print; pure.

Names count a little, as a tie-break: what settles it is that layers are counted up one by one, that heights rise with
them, that progress climbs to its end, that one word stands for as long as layers rise. Where several places tell
the same, as news and replies do, all of them are proposed.
"""

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from itertools import pairwise

from lapsed.host.series import Series

LEAST = 0.35
"""Proposals with less confidence than this are kept back."""

SAME_SHARE = 0.85
"""How near to the best a further place must come to be proposed beside it."""

WORDS = {
    "paused": re.compile(r"paus|wait|suspend", re.IGNORECASE),
    "cancelled": re.compile(r"cancel|abort|abandon|stopped", re.IGNORECASE),
    "failed": re.compile(r"fail|error|fault|shut", re.IGNORECASE),
    "finished": re.compile(r"finish|complete|done|success", re.IGNORECASE),
    "held": re.compile(r"hold|held", re.IGNORECASE),
}
"""English words for states that need not have been seen in a recording of one good print."""


@dataclass(frozen=True, slots=True)
class Proposal:
    """A fact's places in the messages; `confidence` from 0 to 1, `why` as the end of a sentence."""

    fact: str
    pointers: tuple[str, ...]
    confidence: float
    why: str


@dataclass(frozen=True, slots=True)
class Findings:
    """All that was found out.

    `states` maps the lists of `settings.States` to words, `full` is what progress reads at the end.
    """

    proposals: tuple[Proposal, ...]
    states: Mapping[str, tuple[str, ...]]
    full: float

    def of(self, fact: str) -> Proposal | None:
        """The proposal for one fact."""
        return next((found for found in self.proposals if found.fact == fact), None)


def infer(series: Mapping[str, Series]) -> Findings:
    """What can be told from the series of one recording, which should hold a print from its start to its end."""
    all_series = list(series.values())
    proposals: list[Proposal] = []

    def propose(fact: str, score: Callable[[Series], float], why: str) -> Series | None:
        taken = {pointer for found in proposals for pointer in found.pointers}
        free = [one for one in all_series if one.pointer not in taken]
        scored = sorted(((score(one), at) for at, one in enumerate(free)), key=lambda pair: (-pair[0], pair[1]))
        if not scored or scored[0][0] < LEAST:
            return None
        best = free[scored[0][1]]
        near = [free[at] for value, at in scored if value >= SAME_SHARE * scored[0][0] and _agree(best, free[at])]
        # What news tells is often told by replies as well, at the same place under another root.
        near += [one for one in free if one not in near and _tail(one) == _tail(best)]
        proposals.append(Proposal(fact, tuple(one.pointer for one in near[:4]), min(1.0, scored[0][0]), why))
        return best

    for axis in ("x", "y", "z", "e"):
        propose(axis, lambda one, axis=axis: _axis(one, axis, all_series), "it stands beside the other axes")  # type: ignore[misc]  # the default binds the loop's value
    layer = propose("layer", _layer, "it is counted up one by one")
    if layer is not None:
        propose("layers", lambda one: _layers(one, layer), "it stands still at what the layers come to")
        propose("height_mm", lambda one: _height(one, layer), "it rises by a layer's height with each layer")
    progress = propose("progress", _progress, "it climbs from nothing to its end")
    state = propose("state", lambda one: _state(one, layer or progress), "one word of it stands while the print grows")
    propose("file", _file, "it is a text that looks like a file's name")
    propose("feed_mm_min", _feed, "it takes a few values of the size of feed rates")
    for flag in ("absolute", "absolute_extrusion", "retracted"):
        propose(flag, lambda one, flag=flag: _flag(one, flag), "it is true or false and named so")  # type: ignore[misc]  # likewise
    propose("console", _console, "it is a text that hardly ever comes twice")
    full = 1.0
    if progress is not None:
        full = 100.0 if max(progress.numbers) > 1.5 else 1.0
    return Findings(tuple(proposals), _words(state, layer or progress), full)


def _tail(one: Series) -> str:
    """The pointer without its first step."""
    return one.pointer[1:].partition("/")[2]


def _agree(one: Series, other: Series) -> bool:
    """Whether two places tell the same thing: most of the values of the sparser one are among the other's."""
    if one is other:
        return True
    few, many = sorted((one, other), key=lambda series: len(series.values))
    known = set(many.values)
    return sum(value in known for value in few.values) >= 0.8 * len(few.values)


def _named(series: Series, *words: str) -> float:
    """1 if the last step of the pointer says one of the words, less if an earlier one does."""
    steps = series.pointer.lower().split("/")
    last = re.split(r"[^a-z]+", steps[-1])
    if any(word in last for word in words):
        return 1.0
    return 0.6 if any(word in steps[-1] for word in words) else 0.0


def _rising(values: list[float]) -> float:
    """The share of the steps that lead upwards."""
    steps = [after - before for before, after in pairwise(values)]
    return sum(step > 0 for step in steps) / len(steps) if steps else 0.0


def _layer(one: Series) -> float:
    values = one.numbers
    if len(values) < 4 or any(not value.is_integer() or value < -10 for value in values):
        return 0.0
    by_one = sum(after - before == 1 for before, after in pairwise(values)) / (len(values) - 1)
    return 0.75 * by_one + 0.25 * _named(one, "layer") if values[0] <= 2 else 0.5 * by_one


def _layers(one: Series, layer: Series) -> float:
    values = [value for value in one.numbers if value > 0]
    top = max(layer.numbers)
    if not values or len(set(values)) > 2 or not values[-1].is_integer():
        return 0.0
    near = 0 <= values[-1] - top <= 1
    return (0.6 if near else 0.15 if values[-1] > top else 0.0) + 0.4 * _named(one, "layers", "total", "count")


def _height(one: Series, layer: Series) -> float:
    values = one.numbers
    if len(values) < 4 or all(value.is_integer() for value in values):
        return 0.0
    steps = [after - before for before, after in pairwise(values) if after > before]
    # Common practice, no source: layers of filament printing are between 0.04 and 1 mm high.
    sized = sum(0.04 <= step <= 1.0 for step in steps) / len(steps) if steps else 0.0
    changes = set(map(_tick, layer.times))
    with_layers = sum(_tick(at) in changes for at in one.times) / len(one.times)
    return 0.3 * _rising(values) + 0.25 * sized + 0.35 * with_layers + 0.1 * _named(one, "height", "z")


def _tick(at_s: float) -> int:
    return round(at_s * 4)


def _progress(one: Series) -> float:
    values = one.numbers
    if len(values) < 4 or min(values) < 0:
        return 0.0
    top = max(values)
    ends = 0.9 <= top <= 1.0 or 90 <= top <= 100
    whole = all(value.is_integer() for value in values)
    if not ends or (whole and top <= 1) or values[0] > 0.3 * top:
        return 0.0
    named = _named(one, "progress", "percent", "done", "completion", "share")
    return 0.55 * _rising(values) + 0.2 + 0.25 * named - (0.3 if whole and top not in (99.0, 100.0) else 0.0)


def _state(one: Series, growing: Series | None) -> float:
    texts = one.texts
    words = set(texts)
    if growing is None or not 2 <= len(words) <= 8 or any(len(word) > 24 or " " in word.strip() for word in words):
        return 0.0
    begins, ends = growing.times[1], growing.times[-1]
    during = {str(one.at(at)) for at in growing.times[1:]}
    before, after = one.at(begins - 1e9), one.values[-1]
    steady = 1 / len(during) if during else 0.0
    turns = (str(before) not in during) + (str(after) not in during and one.times[-1] >= ends)
    return 0.45 * steady + 0.2 * turns + 0.15 * _named(one, "state", "status", "stage", "phase")


def _words(state: Series | None, growing: Series | None) -> dict[str, tuple[str, ...]]:
    """Which of the host's words means what, as far as one recording and plain English tell."""
    if state is None or growing is None:
        return {}
    told: dict[str, list[str]] = {}
    placed: set[str] = set()
    during = [str(state.at(at)) for at in growing.times[1:]]
    if during:
        printing = max(sorted(set(during)), key=during.count)
        told["printing"] = [printing]
        placed.add(printing)
    last = str(state.values[-1])
    ended = state.times[-1] >= growing.times[-1] and last not in placed
    for word in dict.fromkeys(state.texts):
        meaning = next((name for name, pattern in WORDS.items() if pattern.search(word)), None)
        if word not in placed and meaning is not None:
            told.setdefault(meaning, []).append(word)
            placed.add(word)
    if ended and last not in placed and "finished" not in told:
        told["finished"] = [last]
    return {name: tuple(words) for name, words in told.items()}


def _file(one: Series) -> float:
    texts = [text for text in one.texts if text]
    if not texts or len(set(texts)) > 3:
        return 0.0
    looks = any(re.search(r"\.(gcode|gco|g|nc)$", text, re.IGNORECASE) for text in texts)
    return (0.75 if looks else 0.0) + 0.25 * _named(one, "file", "filename", "name", "job")


def _axis(one: Series, axis: str, others: Iterable[Series]) -> float:
    values = one.numbers
    stem, _, last = one.pointer.rpartition("/")
    order = {"x": "0", "y": "1", "z": "2", "e": "3"}[axis]
    if len(values) < 4 or last.lower() not in (axis, order):
        return 0.0
    beside = {other.pointer.rpartition("/")[2].lower() for other in others if other.pointer.rpartition("/")[0] == stem}
    wanted = set("xyze") if last.lower() == axis else set("0123")
    return 0.9 * len(wanted & beside) / 4 + (0.1 if last.lower() == axis else 0.0)


def _feed(one: Series) -> float:
    values = one.numbers
    if len(values) < 2 or min(values) < 0 or not 200 <= max(values) <= 60_000:
        return 0.0
    return 0.3 + 0.5 * _named(one, "feed", "feedrate", "speed")


def _flag(one: Series, flag: str) -> float:
    if any(not isinstance(value, bool) for value in one.values):
        return 0.0
    words = {"absolute": ("absolute",), "absolute_extrusion": ("extrusion", "extrude"), "retracted": ("retracted",)}
    spoiled = flag == "absolute" and _named(one, "extrusion", "extrude")
    return 0.6 * _named(one, *words[flag]) if not spoiled else 0.0


def _console(one: Series) -> float:
    texts = one.texts
    if len(texts) < 4 or one.count < 4:
        return 0.0
    spread = len(set(texts)) / len(texts)
    return 0.35 * spread + 0.4 * _named(one, "console", "line", "message", "response", "log", "0")
