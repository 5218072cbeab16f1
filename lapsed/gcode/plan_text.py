"""A plan as people and as programs read it."""

from fractions import Fraction

from lapsed.gcode.plan import Plan
from lapsed.settings import STANDARD_RATES


def as_json(made: Plan, *, heights: bool) -> dict[str, object]:
    """The plan as one JSON document; `cadence` is what the configuration's cadence would say."""
    print_, wish = made.outline, made.wish
    cadence: dict[str, object] = (
        {"length_s": wish.length_s} if wish.length_s is not None else {"every_layers": wish.every or 1}
    )
    document: dict[str, object] = {
        "layers": len(print_.stops),
        "objects": print_.objects,
        "spiral": print_.spiral,
        "print_s": round(print_.print_s, 3),
        "print_with_parking_s": round(made.print_with_parking_s, 3),
        "heating_waits": print_.heats,
        "heating_s": round(made.heating_s, 3),
        "shots": made.shots,
        "shot_layers": [stop.layer + 1 for stop in made.stops],
        "shot_s": [round(stop.at_s, 3) for stop in made.stops],
        "shot_park_s": [round(each, 3) for each in made.park_s],
        "cadence": cadence,
        "clip_s": round(made.clip_s, 4),
        "rate": rate_number(wish.rate),
        "frames_per_shot": round(made.frames_per_shot, 4),
        "clip_s_at": {name: round(float(made.shots / rate), 4) for name, rate in STANDARD_RATES.items()},
        "hold_s": round(made.hold_s, 3),
        "park_s": round(sum(made.park_s) / made.shots, 3) if made.shots else 0.0,
        "data_mb": round(made.data_mb, 1),
        "shortest_layer_s": round(min(print_.layer_s), 3) if print_.stops else None,
        "too_fast_layers": [i + 1 for i in made.too_fast],
        "warnings": list(made.warnings),
    }
    if heights:
        document["heights_mm"] = [round(height, 4) for height in print_.heights_mm]
    return document


def rate_number(rate: Fraction) -> float | int:
    """A rate as JSON takes it."""
    return int(rate) if rate.denominator == 1 else float(rate)


def duration(seconds: float) -> str:
    """A time as people say it: 1 h 55 min, 4 min 10 s, 12.3 s."""
    if seconds < 60:
        return f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min {rest:02d} s"


def as_text(made: Plan) -> str:
    """The plan for a person at a glance."""
    print_ = made.outline
    added = made.print_with_parking_s - print_.print_s
    share = added / print_.print_s if print_.print_s else 0.0
    each = f"{added / made.shots if made.shots else 0:.1f} s a shot, of which the head stands {made.hold_s:.1f} s"
    rows = [
        ("Print", f"{duration(print_.print_s)} of motion; {_what(made)}"),
        ("Shots", f"{made.shots}, {_where(made)}"),
        ("Clip", _clip(made)),
        ("Parking", f"adds {duration(added)} ({share:.0%}): {each}"),
        ("In all", _in_all(made)),
    ]
    if print_.stops:
        rows.append(
            ("Layers", f"{duration(min(print_.layer_s))} the shortest, {duration(max(print_.layer_s))} the longest")
        )
    rows += [("Data", f"{made.data_mb:.0f} MB"), ("Rates", _rates(made))]
    return "\n".join([f"{name:8}{text}" for name, text in rows] + [f"! {warning}" for warning in made.warnings])


def _what(made: Plan) -> str:
    print_ = made.outline
    what = [f"{len(print_.stops)} layers"]
    if print_.objects > 1:
        what.append(f"{print_.objects} objects one after another")
    if print_.spiral:
        what.append("a spiral, cut by its turns")
    if print_.heights_mm:
        what.append(f"{max(print_.heights_mm):.2f} mm high")
    return ", ".join(what)


def _where(made: Plan) -> str:
    """Where the shots lie, in words."""
    wish, count = made.wish, len(made.outline.stops)
    last = "; the last is of the finished part"
    if wish.fills(count):
        return "spread evenly in time, between layers as well" + last
    if wish.length_s is None and wish.every not in (None, 1):
        return f"one after every {wish.every} layers" + last
    if made.shots == count:
        return "one after every layer" + last
    return f"after layers spread evenly by {wish.spread}" + last


def _clip(made: Plan) -> str:
    held = made.frames_per_shot
    text = f"{made.clip_s:.2f} s at {rate_number(made.wish.rate):g} frames a second"
    return text + (f", each frame held for {held:.2f} frames" if held > 1.005 else "")


def _in_all(made: Plan) -> str:
    heats = made.outline.heats
    total = duration(made.print_with_parking_s + made.heating_s)
    if not heats:
        return total
    waits = "a wait" if heats == 1 else f"{heats} waits"
    return (
        f"{total}, with {duration(made.heating_s)} allowed for {waits} for heat (heating_s), whose length no file tells"
    )


def _rates(made: Plan) -> str:
    """The clip's length at each standard rate, rates that come to the same taken together."""
    by_length: dict[str, list[str]] = {}
    for name, rate in STANDARD_RATES.items():
        by_length.setdefault(f"{float(made.shots / rate):.1f} s", []).append(name)
    return f"{made.shots} frames are " + ", ".join(f"{s} at {' or '.join(names)}" for s, names in by_length.items())
