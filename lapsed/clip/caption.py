"""What is burnt into pictures: layer, height and elapsed time, as words of one width throughout a clip; pure."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

FIGURE_SPACE: Final = "\u2007"
"""As wide as a digit (Unicode 15, 6.2), so that figures stay where they are while they grow."""

_GAP: Final = FIGURE_SPACE * 2


@dataclass(frozen=True, slots=True)
class Facts:
    """What is known of one frame: its layer, height in mm, and seconds since some moment common to all."""

    frame: str
    layer: int | None = None
    height_mm: float | None = None
    at_s: float | None = None


def captions(facts: Sequence[Facts], wanted: Sequence[str]) -> Mapping[str, str]:
    """The caption of each frame, of those of "layer", "height" and "elapsed" that are wanted and known."""
    first_s = next((fact.at_s for fact in facts if fact.at_s is not None), 0.0)
    columns = [list(_column(facts, field, first_s)) for field in wanted]
    told = [column for column in columns if any(column)]
    widths = [max(map(len, column)) for column in told]
    rows = zip(*told, strict=True) if told else [()] * len(facts)
    return {
        fact.frame: _GAP.join(text.rjust(width, FIGURE_SPACE) for text, width in zip(row, widths, strict=True))
        for fact, row in zip(facts, rows, strict=True)
        if any(row)
    }


def _column(facts: Sequence[Facts], field: str, first_s: float) -> Iterator[str]:
    layers = max((len(str(fact.layer)) for fact in facts if fact.layer is not None), default=0)
    for fact in facts:
        if field == "layer":
            yield "" if fact.layer is None else f"Layer {fact.layer:{FIGURE_SPACE}>{layers}}"
        elif field == "height":
            yield "" if fact.height_mm is None else f"{fact.height_mm:.2f} mm"
        else:
            yield "" if fact.at_s is None else _clock(fact.at_s - first_s)


def _clock(seconds: float) -> str:
    minutes, left = divmod(max(0, int(seconds)), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{left:02}"
