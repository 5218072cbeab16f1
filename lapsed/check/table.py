"""The table of a check, for a terminal of any width; pure."""

import textwrap
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from lapsed.check.facts import Light
from lapsed.model import Check, Verdict

_WORDS = {Verdict.PASS: "pass", Verdict.WARN: "WARN", Verdict.FAIL: "FAIL"}
_MARGIN, _WHAT = 2, 16
_LEAST = 60
"""The narrowest table; on a narrower terminal its lines wrap."""
_STEPS = " .:-=+*#"


@dataclass(frozen=True, slots=True)
class Section:
    """The lines of one thing that was checked, and the light of its test frame."""

    printer: str
    title: str
    checks: tuple[Check, ...]
    light: Light | None = None


def lines(sections: Iterable[Section], width: int) -> Iterator[str]:
    """The table, no line wider than `width` as far as words can be broken."""
    for number, section in enumerate(sections):
        if number:
            yield ""
        yield f"{section.printer}: {section.title}"
        for check in section.checks:
            yield from _row(check, max(width, _LEAST))
        if section.light is not None:
            yield " " * (_MARGIN + 5) + f"{'histogram':{_WHAT}} {histogram(section.light)}"


def _row(check: Check, width: int) -> Iterator[str]:
    indent = _MARGIN + 5 + _WHAT + 1
    head = f"{'':{_MARGIN}}{_WORDS[check.verdict]:5}{check.what:{_WHAT}} "
    wrap = textwrap.TextWrapper(width=width, subsequent_indent=" " * indent, break_long_words=False)
    wrap.break_on_hyphens = False
    wrap.initial_indent = head
    yield from wrap.wrap(check.found) or [head.rstrip()]
    if check.advice:
        wrap.initial_indent = " " * (indent - 2) + "> "
        yield from wrap.wrap(check.advice)


def histogram(light: Light) -> str:
    """The spread of brightness as one line of text, black at the left."""
    most = max(light.bins) or 1.0
    marks = (_STEPS[min(len(_STEPS) - 1, -int(-(len(_STEPS) - 1) * share // most))] for share in light.bins)
    return f"black [{''.join(marks)}] white"


def summary(checks: Iterable[Check]) -> str:
    """The last line: what is to be done, in a sentence."""
    counts = dict.fromkeys(Verdict, 0)
    for check in checks:
        counts[check.verdict] += 1
    told = f"{counts[Verdict.PASS]} passed"
    if counts[Verdict.WARN]:
        told += f", {counts[Verdict.WARN]} to look at"
    if counts[Verdict.FAIL]:
        told += f", {counts[Verdict.FAIL]} to mend before the print"
    return told
