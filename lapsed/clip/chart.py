"""The frames' light and place as a picture, SVG 1.1 (W3C), and as a table, CSV (RFC 4180); pure."""

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields
from typing import Final
from xml.sax.saxutils import escape

WIDTH: Final = 960
EDGE: Final = 56
PANEL: Final = 200
GAP: Final = 48


@dataclass(frozen=True, slots=True)
class Row:
    """One frame: its light before and the trend, in EV below white, its gains, where it stands and how it is moved.

    `said` is why it is left out, proposed for that, or kept on request.
    """

    number: int
    frame: str
    used: bool
    light_ev: float | None = None
    trend_ev: float | None = None
    gain_red: float = 1.0
    gain_green: float = 1.0
    gain_blue: float = 1.0
    limited: bool = False
    shift_x_px: float | None = None
    shift_y_px: float | None = None
    moved_x_px: float = 0.0
    moved_y_px: float = 0.0
    clipped: float | None = None
    sharpness: float | None = None
    fault: str = ""
    said: str = ""


def table(rows: Sequence[Row]) -> Iterator[str]:
    """A line for each frame below a line of names."""
    line = io.StringIO()
    writer = csv.writer(line)
    names = [field.name for field in fields(Row)]
    writer.writerow(names)
    for row in rows:
        yield line.getvalue()
        line.seek(0)
        line.truncate()
        writer.writerow("" if (value := getattr(row, name)) is None else value for name in names)
    yield line.getvalue()


def svg(rows: Sequence[Row], title: str) -> Iterator[str]:
    """Above, each frame's light as a dot and what it is brought to as a line; below, how far it stood off.

    Orange marks what sticks out. It comes in lines.
    """
    return (f"{line}\n" for line in _svg(rows, title))


def _svg(rows: Sequence[Row], title: str) -> Iterator[str]:
    light = _Panel(rows, EDGE, "light, EV below white")
    stand = _Panel(rows, EDGE + PANEL + GAP, "stands off, px")
    dots = [(row, row.light_ev) for row in rows if row.light_ev is not None]
    across = [(row, row.shift_x_px) for row in rows if row.shift_x_px is not None]
    down = [(row, row.shift_y_px) for row in rows if row.shift_y_px is not None]
    trend = [(row, row.trend_ev) for row in rows if row.trend_ev is not None]
    light.fit([value for _, value in (*dots, *trend)], 0.1)
    stand.fit([value for _, value in (*across, *down)], 1.0)
    high = EDGE + 2 * PANEL + GAP + EDGE
    yield f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {high}" font-family="sans-serif"'
    yield ' font-size="13">'
    yield f"<title>{escape(title)}</title>"
    yield f'<rect width="{WIDTH}" height="{high}" fill="#ffffff"/>'
    yield f'<text x="{EDGE}" y="20">{escape(title)}</text>'
    yield from light.frame()
    yield from light.dots(dots)
    yield f'<g text-anchor="end"><text x="{WIDTH - EDGE - 86}" y="{light.top - 8}" fill="#64748b">as shot</text>'
    yield f'<text x="{WIDTH - EDGE}" y="{light.top - 8}" fill="#0f766e">brought to</text></g>'
    yield light.line(trend, "#0f766e")
    yield from stand.frame()
    yield stand.line(across, "#1d4ed8")
    yield stand.line(down, "#9333ea")
    yield f'<g text-anchor="end"><text x="{WIDTH - EDGE - 48}" y="{stand.top - 8}" fill="#1d4ed8">right</text>'
    yield f'<text x="{WIDTH - EDGE}" y="{stand.top - 8}" fill="#9333ea">down</text></g>'
    yield "</svg>"


class _Panel:
    """One diagram over the frames' order, its top at `top`."""

    def __init__(self, rows: Sequence[Row], top: int, name: str) -> None:
        self._place = {id(row): place for place, row in enumerate(rows)}
        self._rows = rows
        self.top = top
        self._name = name
        self._low, self._high = 0.0, 1.0

    def fit(self, values: Sequence[float], least: float) -> None:
        """Make room for `values`, at least `least` from end to end."""
        low, high = min(values, default=0.0), max(values, default=0.0)
        spare = max(least - (high - low), 0.1 * (high - low)) / 2
        self._low, self._high = low - spare, high + spare

    def at(self, row: Row, value: float) -> str:
        """The point of a value."""
        x = EDGE + (WIDTH - 2 * EDGE) * (self._place[id(row)] + 0.5) / max(len(self._rows), 1)
        y = self.top + PANEL * (self._high - value) / (self._high - self._low)
        return f"{x:.1f},{y:.1f}"

    def frame(self) -> list[str]:
        """The axes with their ends."""
        bottom = self.top + PANEL
        ends = [self._rows[0].number, self._rows[-1].number] if self._rows else ["", ""]
        return [
            f'<path d="M{EDGE} {self.top}V{bottom}H{WIDTH - EDGE}" fill="none" stroke="#0f172a"/>',
            f'<text x="{EDGE}" y="{self.top - 8}">{self._name}</text>',
            f'<text x="{EDGE - 6}" y="{self.top + 10}" text-anchor="end">{self._high:.2f}</text>',
            f'<text x="{EDGE - 6}" y="{bottom}" text-anchor="end">{self._low:.2f}</text>',
            f'<text x="{EDGE}" y="{bottom + 18}">frame {ends[0]}</text>',
            f'<text x="{WIDTH - EDGE}" y="{bottom + 18}" text-anchor="end">frame {ends[1]}</text>',
        ]

    def dots(self, points: Sequence[tuple[Row, float]]) -> Iterator[str]:
        """A dot for each frame, a larger one for a frame that something is said of."""
        for row, value in points:
            x, y = self.at(row, value).split(",")
            radius, colour = (4, "#c2410c") if row.said else (2, "#64748b")
            words = f"<title>{row.number}: {escape(row.said)}</title>" if row.said else ""
            yield f'<circle cx="{x}" cy="{y}" r="{radius}" fill="{colour}">{words}</circle>'

    def line(self, points: Sequence[tuple[Row, float]], colour: str) -> str:
        """A line through all points."""
        path = " ".join(self.at(row, value) for row, value in points)
        return f'<polyline points="{path}" fill="none" stroke="{colour}" stroke-width="1.5"/>'
