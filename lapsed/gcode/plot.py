"""The layers' times as a picture, with the shots on it: SVG 1.1 (W3C)."""

from collections.abc import Iterator

from lapsed.gcode.plan import Plan
from lapsed.gcode.plan_text import duration

WIDTH, HEIGHT = 960, 360
LEFT, RIGHT, TOP, BOTTOM = 76, 24, 76, 44
_INK, _BAR, _FAST, _SHOT, _LINE = "#0f172a", "#94a3b8", "#c2410c", "#0f766e", "#e2e8f0"
_NICE_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 43200)


def svg(made: Plan) -> str:
    """A bar for each layer, a tick above it for each shot; time rises upward, in s."""
    title = f"{len(made.outline.stops)} layers, {made.shots} shots, {duration(made.print_with_parking_s)} with parking"
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}"',
            f' font-family="sans-serif" font-size="13" fill="{_INK}">',
            f"<title>{title}</title>",
            f'<rect width="{WIDTH}" height="{HEIGHT}" fill="#ffffff"/>',
            f'<text x="{LEFT}" y="24" font-size="15">{title}</text>',
            *_legend(made),
            *_scale(made),
            *_bars(made),
            f'<path d="{"".join(_ticks(made))}" stroke="{_SHOT}" stroke-width="{_tick_width(made):.2f}"/>',
            f'<path d="M{LEFT} {HEIGHT - BOTTOM}H{WIDTH - RIGHT}" stroke="{_INK}"/>',
            f'<text x="{LEFT}" y="{HEIGHT - BOTTOM + 20}">layer 1</text>',
            f'<text x="{WIDTH - RIGHT}" y="{HEIGHT - BOTTOM + 20}" text-anchor="end">{len(made.outline.stops)}</text>',
            "</svg>",
            "",
        ]
    )


def _top(made: Plan) -> float:
    return max(made.outline.layer_s, default=1.0) or 1.0


def _wide(made: Plan) -> float:
    return (WIDTH - LEFT - RIGHT) / max(len(made.outline.stops), 1)


def _high(made: Plan, seconds: float) -> float:
    return (HEIGHT - TOP - BOTTOM) * seconds / _top(made)


def _legend(made: Plan) -> Iterator[str]:
    marks = [(_SHOT, "a shot"), (_BAR, "time of a layer")]
    if made.too_fast:
        marks.append((_FAST, "over before the camera is ready again"))
    x = LEFT
    for colour, text in marks:
        yield f'<rect x="{x}" y="35" width="10" height="10" fill="{colour}"/><text x="{x + 16}" y="45">{text}</text>'
        x += 46 + 7 * len(text)


def _scale(made: Plan) -> Iterator[str]:
    """Lines at round times, three to six of them."""
    step = next((nice for nice in _NICE_S if _top(made) / nice < 6), _top(made) / 4)
    for i in range(int(_top(made) / step) + 1):
        y = HEIGHT - BOTTOM - _high(made, i * step)
        label = "0" if not i else f"{i * step:g} s" if step < 60 else duration(i * step)
        yield f'<path d="M{LEFT} {y:.1f}H{WIDTH - RIGHT}" stroke="{_LINE}"/>'
        yield f'<text x="{LEFT - 8}" y="{y + 4:.1f}" text-anchor="end">{label}</text>'


def _bars(made: Plan) -> Iterator[str]:
    wide, fast = _wide(made), set(made.too_fast)
    for i, seconds in enumerate(made.outline.layer_s):
        high = _high(made, seconds)
        place = f'x="{LEFT + i * wide:.2f}" y="{HEIGHT - BOTTOM - high:.2f}"'
        colour = _FAST if i in fast else _BAR
        yield f'<rect {place} width="{max(wide * 0.92, 0.3):.2f}" height="{high:.2f}" fill="{colour}"/>'


def _tick_width(made: Plan) -> float:
    return min(2.0, max(0.4, 0.4 * (WIDTH - LEFT - RIGHT) / max(made.shots, 1)))


def _ticks(made: Plan) -> Iterator[str]:
    """A tick for each shot, where its moment falls within its layer; at a layer's end when that is complete."""
    ends = (made.outline.begin_s, *made.outline.ends_s)
    for stop in made.stops:
        begin, end = ends[stop.layer], ends[stop.layer + 1]
        share = 1.0 if stop.complete or end <= begin else (stop.at_s - begin) / (end - begin)
        yield f"M{LEFT + (stop.layer + share) * _wide(made):.2f} {TOP - 14}v10"
