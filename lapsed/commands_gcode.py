"""The commands that read and write G-code files: `plan`, `mark` and `snippet`."""

import argparse
import re
from pathlib import Path

from lapsed import arguments

_MOST = 1e9
_TIME = re.compile(r"(?:(\d+(?:\.\d+)?)h)?(?:(\d+(?:\.\d+)?)m(?:in)?)?(?:(\d+(?:\.\d+)?)s?)?")


def add_plan(parser: argparse.ArgumentParser) -> None:
    """What `plan` is called with."""
    parser.add_argument("file", nargs="?", type=Path, metavar="FILE", help="the G-code")
    parser.add_argument("--print-time", type=_duration, metavar="T", help="instead of a file: such as 1h55m")
    parser.add_argument(
        "--layers",
        type=arguments.whole(1, 10_000_000),
        metavar="N",
        help="instead of a file: how many layers there are",
    )
    _wish(parser)
    parser.add_argument(
        "--cycle",
        type=arguments.number(0, _MOST),
        default=3.0,
        metavar="S",
        help="seconds from one release to the next (default 3)",
    )
    parser.add_argument(
        "--file-mb", type=arguments.number(0, _MOST), default=12.0, metavar="MB", help="size of a picture (default 12)"
    )
    parser.add_argument("--card-mb", type=arguments.number(0, _MOST), metavar="MB", help="room on the camera's card")
    parser.add_argument(
        "--battery-shots", type=arguments.whole(1, 10_000_000), metavar="N", help="shots that the battery is good for"
    )
    parser.add_argument(
        "--warn-share",
        type=arguments.number(0, _MOST),
        default=0.25,
        metavar="S",
        help="share of added time to warn at (default 0.25)",
    )
    parser.add_argument("--heights", action="store_true", help="with --json, the height of every layer as well")
    parser.add_argument("--plot", type=Path, metavar="FILE", help="draw the layers' times and the shots, as SVG")
    parser.add_argument("--json", action="store_true", help="one JSON document on stdout")
    parser.set_defaults(func=_plan)


def add_mark(parser: argparse.ArgumentParser) -> None:
    """What `mark` is called with."""
    parser.add_argument("source", type=Path, metavar="FILE", help="the G-code; with --watch, a folder")
    parser.add_argument("target", type=Path, metavar="OUT", help="where the marked file goes; with --watch, a folder")
    _wish(parser)
    parser.add_argument("--park", type=_point, metavar="X,Y", help="the park point in mm, or auto")
    way = parser.add_mutually_exclusive_group()
    way.add_argument("--undo", action="store_true", help="take the marks out again")
    way.add_argument("--watch", action="store_true", help="mark what is dropped into the folder FILE, until ended")
    parser.add_argument("--json", action="store_true", help="one JSON document on stdout")
    parser.set_defaults(func=_mark)


def add_snippet(parser: argparse.ArgumentParser) -> None:
    """What `snippet` is called with."""
    _machine(parser)
    parser.add_argument(
        "--layer-word", default="LAYER", metavar="TEXT", help="what the slicer replaces with the number"
    )
    parser.add_argument("--absolute-extrusion", action="store_true", help="end with M82 instead of M83")
    parser.set_defaults(func=_snippet)


def _machine(parser: argparse.ArgumentParser) -> None:
    arguments.add_config(parser)
    parser.add_argument("--printer", metavar="NAME", help="which printer of the configuration; by default the first")


def _wish(parser: argparse.ArgumentParser) -> None:
    rule = parser.add_mutually_exclusive_group()
    rule.add_argument(
        "--length",
        type=arguments.number(0.01, 36_000),
        metavar="S",
        help="as many shots as a clip of so many seconds needs",
    )
    rule.add_argument("--every", type=arguments.whole(1, 10_000_000), metavar="N", help="a shot every N layers")
    parser.add_argument("--rate", type=arguments.rate, default="25", metavar="R", help="frames a second (default 25)")
    parser.add_argument("--spread", choices=("height", "time"), default="height", help="what --length is even in")
    parser.add_argument(
        "--fill",
        choices=("hold", "between"),
        default="hold",
        help="where the clip needs more frames than there are layers: hold each frame longer, or shoot between layers",
    )
    _machine(parser)


def _duration(text: str) -> float:
    found = _TIME.fullmatch(text.replace(" ", "").lower())
    seconds = sum(float(n or 0) * scale for n, scale in zip(found.groups(), (3600, 60, 1), strict=True)) if found else 0
    if not 0 < seconds <= _MOST:
        raise argparse.ArgumentTypeError(f"{text!r} is not a time; write it like 1h55m, 45m or 90s")
    return seconds


def _point(text: str) -> tuple[float, float] | str:
    if text == "auto":
        return text
    return arguments.pair("0,200 in mm, or auto")(text)


def _plan(args: argparse.Namespace) -> int:
    from lapsed import gcode_files  # noqa: PLC0415 - NumPy belongs to these commands, and not to the daemon

    return gcode_files.plan_print(args)


def _mark(args: argparse.Namespace) -> int:
    from lapsed import gcode_files  # noqa: PLC0415 - likewise

    return gcode_files.mark_as_asked(args)


def _snippet(args: argparse.Namespace) -> int:
    from lapsed import gcode_files  # noqa: PLC0415 - likewise

    return gcode_files.print_snippet(args)
