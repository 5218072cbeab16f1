"""What `plan`, `mark` and `snippet` do with files: read in pieces, write whole or not at all."""

import argparse
import json
import logging
import os
import shutil
import sys
import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from lapsed import arguments, configuration, settings
from lapsed.errors import UserError
from lapsed.gcode import mark, plan, plan_text, plot
from lapsed.gcode.choice import Wish
from lapsed.gcode.cue import RELEASE_LAG_S, Dwell, dwell_of
from lapsed.gcode.hull import Hull, Spot, margin, rectangle
from lapsed.gcode.reading import Reading, Setup, read
from lapsed.gcode.seeking import Found, Seeker
from lapsed.gcode.setup import dialect_of, setup_of
from lapsed.gcode.snippet import snippet
from lapsed.gcode.standing import footprint
from lapsed.gcode.way import holds

log = logging.getLogger(__name__)

PIECE = 1 << 20
LOOK_S = 2.0
"""How often an inbox is looked at; a file is complete when two looks find the same size and time."""


@dataclass(frozen=True, slots=True)
class _Given:
    """What the configuration says, or its defaults where there is none."""

    machine: settings.Machine
    store: Path
    exposure_s: float = 0.25
    lag_s: float = RELEASE_LAG_S

    @property
    def dwell(self) -> Dwell:
        """How long the head stays after a cue."""
        return dwell_of(self.machine, self.exposure_s, self.lag_s)


def _given(args: argparse.Namespace) -> _Given:
    """The printer asked for; without any configuration the defaults, which is said."""
    try:
        path = configuration.locate(args.config)
    except UserError:
        if args.config is not None or args.printer is not None:
            raise
        usual = settings.Machine()
        x, y = usual.park_point_mm
        log.warning("there is no configuration: reckoning with a bed of 220 x 220 mm and the park point %g,%g", x, y)
        return _Given(usual, Path.cwd())
    whole = configuration.load(path)
    printer = arguments.printers(whole, args.printer)[0]
    # The head waits for the slowest of the cameras that hold the print.
    cameras = [camera for camera in printer.camera if camera.required] or printer.camera
    lag_s, exposure_s = max(
        ((max(camera.least_s - camera.exposure_s, RELEASE_LAG_S), camera.exposure_s) for camera in cameras), key=sum
    )
    return _Given(printer.machine, whole.store.folder.expanduser(), exposure_s, lag_s)


def _pieces(path: Path) -> Iterator[bytes]:
    try:
        with path.open("rb") as file:
            while piece := file.read(PIECE):
                yield piece
    except OSError as error:
        raise UserError(f"{path} can't be read: {error.strerror}; check the name and the permissions") from error


def _wish_of(args: argparse.Namespace) -> Wish:
    return Wish(args.length, args.rate, args.every, args.spread, args.fill)


def plan_print(args: argparse.Namespace) -> int:
    """Tell what filming a print takes; the exit code. Raises UserError."""
    if args.heights and not args.json:
        raise UserError("--heights goes with --json; --plot draws them")
    given = _given(args)
    camera = plan.Camera(
        exposure_s=given.exposure_s,
        lag_s=given.lag_s,
        cycle_s=args.cycle,
        file_mb=args.file_mb,
        card_mb=args.card_mb,
        disk_mb=_free_mb(given.store),
        battery_shots=args.battery_shots,
    )
    wish, setup = _wish_of(args), setup_of(given.machine)
    if args.file is not None:
        if args.print_time is not None or args.layers is not None:
            raise UserError("give a file, or --print-time and --layers; not both")
        outline = plan.outline(_read(args.file, setup))
        between = _sought(args.file, setup, plan.seeker_for(outline, wish))
    elif args.print_time is None or args.layers is None:
        raise UserError("give a file, or both --print-time and --layers")
    else:
        outline, between = plan.even_outline(args.print_time, args.layers), ()
    made = plan.plan(outline, wish, given.machine, camera, between=between, share_limit=args.warn_share)
    if args.plot is not None:
        try:
            args.plot.write_text(plot.svg(made), encoding="utf-8")
        except OSError as error:
            raise UserError(f"{args.plot} can't be written: {error.strerror}") from error
    text = json.dumps(plan_text.as_json(made, heights=args.heights)) if args.json else plan_text.as_text(made)
    sys.stdout.write(text + "\n")
    return 0


def _sought(path: Path, setup: Setup, seeker: Seeker | None) -> tuple[Found, ...]:
    """The lines between layers that a wish needs, by reading the file once more."""
    return read(_pieces(path), setup, seeker=seeker).between if seeker is not None else ()


def _read(path: Path, setup: Setup, seen: mark.Fingerprint | None = None) -> Reading:
    """A file's reading; what could not be read is logged. UserError where nothing is printed in it."""
    pieces = _pieces(path) if seen is None else (seen.see(piece) for piece in _pieces(path))
    found = read(pieces, setup)
    if not found.layers:
        why = f"; is it G-code? {found.troubles[0]}" if found.troubles else ""
        raise UserError(f"{path} has no layers: nothing in it feeds filament while the head moves{why}")
    _warn(path, found)
    return found


def _warn(path: Path, reading: Reading) -> None:
    for trouble in reading.troubles[:5]:
        log.warning("%s, %s", path, trouble)
    if reading.trouble_count > 5:
        log.warning("%s has %d such lines", path, reading.trouble_count)


def _free_mb(folder: Path) -> float | None:
    while not folder.exists() and folder != folder.parent:
        folder = folder.parent
    try:
        return shutil.disk_usage(folder).free / 1e6
    except OSError:
        return None


def mark_as_asked(args: argparse.Namespace) -> int:
    """Mark a file, take its marks out, or watch an inbox; the exit code. Raises UserError."""
    if args.watch:
        return _watch(args)
    if args.undo:
        _write(args.target, mark.undone(_pieces(args.source)), source=args.source)
        summary: dict[str, object] = {"out": str(args.target), "undone": True}
    else:
        summary = mark_file(args.source, args.target, _given(args), _wish_of(args), args.park)
    if args.json:
        sys.stdout.write(json.dumps(summary) + "\n")
    elif args.undo:
        sys.stdout.write(f"{args.target}: the original, without marks\n")
    else:
        sys.stdout.write(
            f"{args.target}: {summary['shots']} park blocks; watch the first park with a hand on the switch\n"
        )
    return 0


def mark_file(
    source: Path, target: Path, given: _Given, wish: Wish, point: tuple[float, float] | str | None
) -> dict[str, object]:
    """Mark one file; what was done, as for --json."""
    machine, setup = given.machine, setup_of(given.machine)
    seen = mark.Fingerprint()
    found = _read(source, setup, seen)
    machine = _parked(machine, found, point)
    outline = plan.outline(found)
    stops = plan.stops_of(outline, wish, _sought(source, setup, plan.seeker_for(outline, wish)))
    reading = read(_pieces(source), setup, wanted=[stop.place.line for stop in stops if stop.place is not None])
    made = mark.marking(reading, stops, machine, seen.original(), dwell=given.dwell, dialect=dialect_of(machine))
    for i, reason in made.refused[:5]:
        log.warning("there is no shot after layer %d: %s", i + 1, reason)
    if not made.insertions:
        raise UserError(f"{source} can't be marked: {made.refused[0][1]}")
    _write(target, mark.inserted(_unchanged(source, seen.original()), made.insertions), source=source)
    x, y = machine.park_point_mm
    return {
        "out": str(target),
        "layers": len(found.layers),
        "shots": len(made.insertions) - 1,
        "refused": len(made.refused),
        "park_point_mm": [x, y],
        "print_s": round(found.print_s, 3),
    }


def _unchanged(path: Path, original: mark.Original) -> Iterator[bytes]:
    """A file's pieces once more; UserError at their end if they are no longer those that were read before."""
    again = mark.Fingerprint()
    yield from (again.see(piece) for piece in _pieces(path))
    if again.original() != original:
        raise UserError(f"{path} was changed while it was read; mark it again once it is complete")


def _parked(machine: settings.Machine, reading: Reading, point: tuple[float, float] | str | None) -> settings.Machine:
    """The machine with the park point that was asked for."""
    parts = footprint(reading.layers)
    if point is None:
        _warn_of_drops(machine.park_point_mm, parts)
        return machine
    height = max(reading.heights_mm) + machine.clearance_mm
    if isinstance(point, str):
        free = mark.free_point(parts, machine, height)
        if free is None:
            raise UserError("there is no free spot beside the part; give --park X,Y, above something that may drip")
        point = free
    x, y = point
    if not holds(machine, point, height):
        raise UserError(
            f"the park point {x:g},{y:g} lies outside the bed or out of reach at {height:.1f} mm; choose one that "
            "the head can reach"
        )
    if any(margin(point, rectangle(*each)) < 0 for each in machine.keep_out_mm):
        raise UserError(f"the park point {x:g},{y:g} lies within a rectangle of keep_out_mm; choose another")
    _warn_of_drops(point, parts)
    return machine.model_copy(update={"park_point_mm": point})


def _warn_of_drops(point: Spot, parts: Sequence[Hull]) -> None:
    if any(margin(point, part) < 0 for part in parts):
        x, y = point
        log.warning("the park point %g,%g lies over the part, where filament may drip on it; see --park auto", x, y)


def _write(target: Path, pieces: Iterable[bytes], *, source: Path) -> None:
    """Write a file that is whole or not there at all."""
    if target.exists() and target.samefile(source):
        raise UserError(f"{target} is the file that is read; give another name for the result")
    part = target.with_name(f".{target.name}.part")
    try:
        with part.open("wb") as file:
            file.writelines(pieces)
            file.flush()
            os.fsync(file.fileno())
        part.replace(target)
    except OSError as error:
        raise UserError(f"{target} can't be written: {error.strerror}") from error
    finally:
        part.unlink(missing_ok=True)


def _watch(args: argparse.Namespace) -> int:
    """Mark what appears in a folder; ends when interrupted."""
    for folder in (args.source, args.target):
        if not folder.is_dir():
            raise UserError(f"{folder} is no folder; --watch takes two")
    if args.source.samefile(args.target):
        raise UserError("the two folders of --watch must differ, or marked files would be marked again")
    given, wish = _given(args), _wish_of(args)
    inbox = Inbox(args.source, args.target)
    while True:
        for path in _look(inbox, args.source):
            try:
                summary = mark_file(path, args.target / path.name, given, wish, args.park)
            except UserError as error:
                log.error("%s is left alone: %s", path.name, error)  # noqa: TRY400 - the sentence says it all
            else:
                log.info("%s marked: %d shots", path.name, summary["shots"])
        time.sleep(LOOK_S)


def _look(inbox: "Inbox", folder: Path) -> list[Path]:
    try:
        return inbox.look()
    except OSError as error:
        raise UserError(f"{folder} can't be read any more: {error.strerror}; start again once it is there") from error


class Inbox:
    """A folder, and which of its files have been seen in which shape."""

    def __init__(self, folder: Path, target: Path) -> None:
        self._folder, self._target = folder, target
        self._seen: dict[Path, tuple[int, int]] = {}
        self._done: dict[Path, tuple[int, int]] = {}

    def look(self) -> list[Path]:
        """The files that are complete since the last look: alike in two looks, and newer than what was made of them."""
        found: dict[Path, tuple[int, int]] = {}
        ready = []
        for path in sorted(self._folder.iterdir()):
            if path.name.startswith(".") or not path.is_file():
                continue
            try:
                status = path.stat()
            except FileNotFoundError:
                continue
            shape = status.st_size, status.st_mtime_ns
            found[path] = shape
            if self._done.get(path) == shape or self._seen.get(path) != shape or not status.st_size:
                continue
            self._done[path] = shape
            made = self._target / path.name
            if not (made.exists() and made.stat().st_mtime_ns >= status.st_mtime_ns):
                ready.append(path)
        self._seen = found
        return ready


def print_snippet(args: argparse.Namespace) -> int:
    """Print a park block for a layer-change field; the exit code. Raises UserError."""
    given = _given(args)
    lines = snippet(
        given.machine,
        given.dwell,
        layer_word=args.layer_word,
        absolute_extrusion=args.absolute_extrusion,
    )
    sys.stdout.write("\n".join(lines) + "\n")
    return 0
