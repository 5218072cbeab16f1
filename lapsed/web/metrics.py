"""`now` in the text format that monitors scrape (Prometheus exposition format 0.0.4)."""

from collections.abc import Callable, Iterable, Iterator

from lapsed.now import Now, PrinterNow

MEDIA_TYPE = "text/plain; version=0.0.4; charset=utf-8"

Sample = tuple[dict[str, str], float]
Figure = Callable[[PrinterNow], object]


def exposition(now: Now) -> str:
    """All metrics; counters count within the open take and begin at 0 with the next."""
    lines: list[str] = []
    for name, kind, meaning, samples in _metrics(now):
        told = [f"{name}{_labels(labels)} {value:.10g}" for labels, value in samples]
        if told:
            lines += [f"# HELP {name} {meaning}", f"# TYPE {name} {kind}", *told]
    return "\n".join(lines) + "\n"


def _metrics(now: Now) -> Iterator[tuple[str, str, str, list[Sample]]]:
    printers = now.printers
    yield "lapsed_info", "gauge", "The version that runs.", [({"version": now.version}, 1)]
    yield "lapsed_link_up", "gauge", "1 while the host is heard.", _each(printers, lambda p: p.link)
    yield "lapsed_filming", "gauge", "1 while a print is filmed.", _each(printers, lambda p: p.take is not None)
    yield "lapsed_holding", "gauge", "1 while a shot holds the print.", _each(printers, lambda p: bool(p.shot))
    cameras = [(printer, camera) for printer in printers for camera in printer.cameras]
    for field, meaning in (
        ("ready", "1 while the camera is ready."),
        ("landed", "Frames of the open take that are safe."),
        ("missed", "Shots of the open take without a picture."),
        ("on_card", "Pictures of the open take that stay on the camera's card."),
    ):
        name = "lapsed_camera_ready" if field == "ready" else f"lapsed_shots_{field}"
        samples = [({"printer": p.name, "camera": c.name}, float(getattr(c, field))) for p, c in cameras]
        yield name, "gauge", meaning, samples
    yield "lapsed_cues", "gauge", "Cues of the open take.", _each(printers, lambda p: p.take and p.take.shots)
    yield "lapsed_layer", "gauge", "The layer being printed.", _each(printers, lambda p: p.print and p.print.layer)
    yield (
        "lapsed_print_progress_ratio",
        "gauge",
        "Share of the print that is done.",
        _each(printers, lambda p: p.print and p.print.progress),
    )
    yield "lapsed_stitches_waiting", "gauge", "Takes that wait to be stitched.", [({}, now.stitch.waiting)]
    if now.disk is not None:
        yield "lapsed_disk_free_bytes", "gauge", "Room for takes.", [({}, now.disk.free_mb * 1e6)]


def _each(printers: Iterable[PrinterNow], figure: Figure) -> list[Sample]:
    told = [(printer.name, figure(printer)) for printer in printers]
    return [({"printer": name}, float(value)) for name, value in told if isinstance(value, int | float)]


def _labels(labels: dict[str, str]) -> str:
    inside = ",".join(f'{name}="{_escaped(value)}"' for name, value in labels.items())
    return f"{{{inside}}}" if inside else ""


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace("\n", "\\n").replace('"', '\\"')
