"""The layers' times as a picture, with the shots on it: SVG 1.1 (W3C)."""

from lapsed.gcode.plan import Plan
from lapsed.gcode.plan_text import duration

WIDTH, HEIGHT, EDGE = 960, 320, 48


def svg(made: Plan) -> str:
    """A bar for each layer as wide as the layers allow, a dot above each that is shot; time rises upward, in s."""
    seconds = made.outline.layer_s
    top = max(seconds, default=1.0) or 1.0
    wide = (WIDTH - 2 * EDGE) / max(len(seconds), 1)
    tall = HEIGHT - 2 * EDGE
    bars, dots = list[str](), list[str]()
    chosen, fast = {stop.layer for stop in made.stops}, set(made.too_fast)
    for i, each in enumerate(seconds):
        x, high = EDGE + i * wide, tall * each / top
        colour = "#c2410c" if i in fast else "#64748b"
        bars.append(
            f'<rect x="{x:.2f}" y="{HEIGHT - EDGE - high:.2f}" width="{wide:.2f}" height="{high:.2f}" fill="{colour}"/>'
        )
        if i in chosen:
            dots.append(f'<circle cx="{x + wide / 2:.2f}" cy="{EDGE - 10}" r="{min(3.0, max(1.0, wide / 2)):.2f}"/>')
    title = f"{len(seconds)} layers, {made.shots} shots, {duration(made.print_with_parking_s)} with parking"
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}"',
            ' font-family="sans-serif" font-size="13">',
            f"<title>{title}</title>",
            f'<rect width="{WIDTH}" height="{HEIGHT}" fill="#ffffff"/>',
            f'<text x="{EDGE}" y="20">{title}</text>',
            *bars,
            f'<g fill="#0f766e">{"".join(dots)}</g>',
            f'<path d="M{EDGE} {EDGE}V{HEIGHT - EDGE}H{WIDTH - EDGE}" fill="none" stroke="#0f172a"/>',
            f'<text x="{EDGE}" y="{HEIGHT - EDGE + 20}">layer 1</text>',
            f'<text x="{WIDTH - EDGE}" y="{HEIGHT - EDGE + 20}" text-anchor="end">layer {len(seconds)}</text>',
            f'<text x="{EDGE + 6}" y="{EDGE + 12}">{duration(top)}</text>',
            "</svg>",
            "",
        ]
    )
