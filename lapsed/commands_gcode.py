"""The commands that read and write G-code files: `plan`, `mark` and `snippet`."""

import argparse
import json
import logging
import os
import re
import shutil
import sys
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

from lapsed import settings
from lapsed.errors import UserError
from lapsed.gcode import mark, plan, plot
from lapsed.gcode.choice import Wish, choose
from lapsed.gcode.reading import Reading, read
from lapsed.gcode.setup import dialect_of, setup_of
from lapsed.gcode.snippet import snippet

log = logging.getLogger(__name__)

PIECE = 1 << 20
LOOK_S = 2.0
"""How often an inbox is looked at; a file is complete when two looks find the same size and time."""

_TIME = re.compile(r"(?:(\d+(?:\.\d+)?)h)?(?:(\d+(?:\.\d+)?)m(?:in)?)?(?:(\d+(?:\.\d+)?)s?)?")


def add_parsers(subparsers: Any) -> None:
    """Add `plan`, `mark` and `snippet`."""
    planning = subparsers.add_parser("plan", help="tell what filming a print takes: layers, shots, time, data")
    planning.add_argument("file", nargs="?", type=Path, metavar="FILE", help="the G-code")
    planning.add_argument("--print-time", type=_duration, metavar="T", help="instead of a file: such as 1h55m")
    planning.add_argument("--layers", type=_positive, metavar="N", help="instead of a file: how many layers there are")
    _wish(planning)
    planning.add_argument("--cycle", type=float, default=3.0, metavar="S", help="seconds from one release to the next")
    planning.add_argument("--file-mb", type=float, default=12.0, metavar="MB", help="size of a picture (default 12)")
    planning.add_argument("--card-mb", type=float, metavar="MB", help="room on the camera's card")
    planning.add_argument("--battery-shots", type=_positive, metavar="N", help="shots that the battery is good for")
    planning.add_argument("--warn-share", type=float, default=0.25, metavar="S", help="share of added time to warn at")
    planning.add_argument("--heights", action="store_true", help="with --json, the height of every layer as well")
    planning.add_argument("--plot", type=Path, metavar="FILE", help="draw the layers' times and the shots, as SVG")
    planning.add_argument("--json", action="store_true", help="one JSON document on stdout")
    planning.set_defaults(func=_plan)

    marking = subparsers.add_parser("mark", help="write park blocks into a file, or take them out")
    marking.add_argument("source", type=Path, metavar="FILE", help="the G-code; with --watch, a folder")
    marking.add_argument("target", type=Path, metavar="OUT", help="where the marked file goes; with --watch, a folder")
    _wish(marking)
    marking.add_argument("--park", type=_point, metavar="X,Y", help="the park point in mm, or auto")
    marking.add_argument("--undo", action="store_true", help="take the marks out again")
    marking.add_argument("--watch", action="store_true", help="mark what is dropped into the folder FILE, until ended")
    marking.add_argument("--json", action="store_true", help="one JSON document on stdout")
    marking.set_defaults(func=_mark)

    block = subparsers.add_parser("snippet", help="print a park block for a slicer's layer-change field")
    _machine(block)
    block.add_argument("--layer-word", default="LAYER", metavar="TEXT", help="what the slicer replaces with the number")
    block.add_argument("--absolute-extrusion", action="store_true", help="end with M82 instead of M83")
    block.set_defaults(func=_snippet)


def _machine(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--config", type=Path, metavar="FILE", help="the configuration, instead of the usual places")
    parser.add_argument("--printer", metavar="NAME", help="which printer of the configuration; by default the first")


def _wish(parser: argparse.ArgumentParser) -> None:
    rule = parser.add_mutually_exclusive_group()
    rule.add_argument("--length", type=float, metavar="S", help="as many shots as a clip of so many seconds needs")
    rule.add_argument("--every", type=_positive, metavar="N", help="a shot every N layers")
    parser.add_argument("--rate", type=_rate, default="25", metavar="R", help="frames a second (default 25)")
    parser.add_argument("--spread", choices=("height", "time"), default="height", help="what --length is even in")
    _machine(parser)


def _positive(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 10_000_000:
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number from 1 up")
    return int(text)


def _rate(text: str) -> Fraction:
    try:
        return settings.parse_rate(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from error


def _duration(text: str) -> float:
    found = _TIME.fullmatch(text.replace(" ", "").lower())
    seconds = sum(float(n or 0) * scale for n, scale in zip(found.groups(), (3600, 60, 1), strict=True)) if found else 0
    if not seconds:
        raise argparse.ArgumentTypeError(f"{text!r} is not a time; write it like 1h55m, 45m or 90s")
    return seconds


def _point(text: str) -> tuple[float, float] | str:
    if text == "auto":
        return text
    try:
        x, y = map(float, text.split(","))
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not a point; write X,Y in mm such as 0,200, or auto") from None
    return x, y


# --------------------------------------------------------------------------------------------------- what commands do


@dataclass(frozen=True, slots=True)
class _Given:
    """What the configuration says, or its defaults where there is none."""

    machine: settings.Machine
    exposure_s: float
    store: Path


def _given(args: argparse.Namespace) -> _Given:
    """The printer asked for; without any configuration the defaults, which is said."""
    try:
        path = settings.locate(args.config)
    except UserError:
        if args.config is not None or args.printer is not None:
            raise
        log.warning("there is no configuration: reckoning with the defaults of a 220 mm machine")
        return _Given(settings.Machine(), 0.25, Path.cwd())
    whole = settings.load(path)
    named = [printer for printer in whole.printer if args.printer in (None, printer.name)]
    if not named:
        raise UserError(
            f"{path} has no printer named {args.printer!r}; it has {', '.join(p.name for p in whole.printer)}"
        )
    return _Given(named[0].machine, named[0].camera[0].exposure_s, whole.store.folder.expanduser())


def _pieces(path: Path) -> Iterator[bytes]:
    try:
        with path.open("rb") as file:
            while piece := file.read(PIECE):
                yield piece
    except OSError as error:
        raise UserError(f"{path} can't be read: {error.strerror}; check the name and the permissions") from error


def _wish_of(args: argparse.Namespace) -> Wish:
    if args.length is not None and not 0 < args.length <= 36_000:
        raise UserError("--length is a number of seconds above 0 and up to 36000")
    return Wish(args.length, args.rate, args.every, args.spread)


def _plan(args: argparse.Namespace) -> int:
    given = _given(args)
    camera = plan.Camera(
        exposure_s=given.exposure_s,
        cycle_s=args.cycle,
        file_mb=args.file_mb,
        card_mb=args.card_mb,
        disk_mb=_free_mb(given.store),
        battery_shots=args.battery_shots,
    )
    made = plan.plan(_outline(args, given.machine), _wish_of(args), given.machine, camera, share_limit=args.warn_share)
    if args.plot is not None:
        try:
            args.plot.write_text(plot.svg(made), encoding="utf-8")
        except OSError as error:
            raise UserError(f"{args.plot} can't be written: {error.strerror}") from error
    sys.stdout.write((json.dumps(plan.as_json(made, heights=args.heights)) if args.json else plan.as_text(made)) + "\n")
    return 0


def _outline(args: argparse.Namespace, machine: settings.Machine) -> plan.Outline:
    if args.file is not None:
        if args.print_time is not None or args.layers is not None:
            raise UserError("give a file, or --print-time and --layers; not both")
        reading = read(_pieces(args.file), setup_of(machine))
        _warn(args.file, reading)
        return plan.outline(reading)
    if args.print_time is None or args.layers is None:
        raise UserError("give a file, or both --print-time and --layers")
    return plan.even_outline(args.print_time, args.layers)


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


def _mark(args: argparse.Namespace) -> int:
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
    found = read((seen.see(piece) for piece in _pieces(source)), setup)
    _warn(source, found)
    if not found.layers:
        raise UserError(f"{source} has no layers: nothing in it feeds filament while the head moves")
    machine = _parked(machine, found, point)
    chosen = choose(found.heights_mm, found.begins_s, wish)
    reading = read(_pieces(source), setup, wanted=[found.layers[i].line for i in chosen])
    made = mark.marking(
        reading, chosen, machine, seen.original(), exposure_s=given.exposure_s, dialect=dialect_of(machine)
    )
    for i, reason in made.refused[:5]:
        log.warning("layer %d is not marked: %s", i + 1, reason)
    if not made.insertions:
        raise UserError(f"{source} can't be marked: {made.refused[0][1]}")
    _write(target, mark.inserted(_pieces(source), made.insertions), source=source)
    x, y = machine.park_point_mm
    return {
        "out": str(target),
        "layers": len(found.layers),
        "shots": len(made.insertions) - 1,
        "refused": len(made.refused),
        "park_point_mm": [x, y],
        "print_s": round(found.print_s, 3),
    }


def _parked(machine: settings.Machine, reading: Reading, point: tuple[float, float] | str | None) -> settings.Machine:
    """The machine with the park point that was asked for."""
    if point is None:
        return machine
    if isinstance(point, str):
        free = mark.free_point((layer.box for layer in reading.layers), machine)
        if free is None:
            raise UserError("there is no free spot beside the part; give --park X,Y, above something that may drip")
        point = free
    if not machine.bed.holds(point):
        raise UserError(f"the park point {point[0]:g},{point[1]:g} lies outside the bed; choose one the head can reach")
    return machine.model_copy(update={"park_point_mm": point})


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
        for path in inbox.look():
            try:
                summary = mark_file(path, args.target / path.name, given, wish, args.park)
            except UserError as error:
                log.error("%s is left alone: %s", path.name, error)  # noqa: TRY400 - the sentence says it all
            else:
                log.info("%s marked: %d shots", path.name, summary["shots"])
        time.sleep(LOOK_S)


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


def _snippet(args: argparse.Namespace) -> int:
    given = _given(args)
    lines = snippet(
        given.machine, given.exposure_s, layer_word=args.layer_word, absolute_extrusion=args.absolute_extrusion
    )
    sys.stdout.write("\n".join(lines) + "\n")
    return 0
