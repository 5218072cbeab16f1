"""What the commands that judge and stitch are called with."""

import argparse
from pathlib import Path

from lapsed import arguments, clip_options


def add_stitch(parser: argparse.ArgumentParser) -> None:
    """What `stitch` is called with."""
    parser.add_argument("path", type=Path, metavar="PATH", help="a take, or a folder of pictures")
    parser.add_argument("--clip", action="append", metavar="NAME", help="only this clip; may be given again")
    clip_options.add(parser)
    parser.add_argument(
        "--edit-list", type=Path, metavar="FILE", help="stitch the clip that a saved edit list says, and no other"
    )
    parser.add_argument(
        "--workers",
        type=arguments.whole(1, 64),
        default=1,
        metavar="N",
        help="processes that encode side by side (default 1)",
    )
    parser.add_argument("--even", type=_even, metavar="yes|no|colour", help="take flicker out of deliveries, or not")
    parser.add_argument("--steady", type=_yes, metavar="yes|no", help="move frames of deliveries back that stand off")
    _add_judging(parser)
    parser.add_argument("--camera", metavar="NAME", help="frames of this camera instead of the main one's")
    parser.add_argument("--out", type=Path, metavar="DIR", help="folder for the clips, instead of the take's own")
    arguments.add_config(parser)
    parser.add_argument("--quiet", action="store_true", help="no progress")
    parser.add_argument("--idle", action="store_true", help="only use the time and the disk that nobody else wants")
    parser.add_argument("--json", action="store_true", help="one JSON document on stdout")
    parser.set_defaults(func=_stitch)


def add_judge(parser: argparse.ArgumentParser) -> None:
    """What `judge` is called with."""
    parser.add_argument("path", type=Path, metavar="PATH", help="a take, or a folder of pictures")
    _add_judging(parser)
    parser.add_argument("--camera", metavar="NAME", help="frames of this camera instead of the main one's")
    parser.add_argument("--out", type=Path, metavar="DIR", help="folder for table and chart, instead of the take's own")
    arguments.add_config(parser)
    parser.add_argument("--quiet", action="store_true", help="no progress")
    parser.add_argument("--json", action="store_true", help="one JSON document on stdout")
    parser.set_defaults(func=_judge)


def _add_judging(parser: argparse.ArgumentParser) -> None:
    none = frozenset[int]()
    parser.add_argument("--keep", type=_numbers, default=none, metavar="N,N-N", help="frames to show all the same")
    parser.add_argument("--drop", type=_numbers, default=none, metavar="N,N-N", help="frames to leave out")


def _numbers(text: str) -> frozenset[int]:
    """Numbers of frames, such as 3,7-9."""
    found: set[int] = set()
    for part in text.split(","):
        first, dash, last = part.strip().partition("-")
        if not first.isdecimal() or (dash and not last.isdecimal()) or int(last or first) - int(first) > 1_000_000:
            raise argparse.ArgumentTypeError(f"{text!r} is no list of frames; write it like 3,7-9")
        found.update(range(int(first), int(last or first) + 1))
    return frozenset(found)


def _yes(text: str) -> bool:
    if text not in ("yes", "no"):
        raise argparse.ArgumentTypeError(f"{text!r} is neither yes nor no")
    return text == "yes"


def _even(text: str) -> bool | str:
    return text if text == "colour" else _yes(text)


def _stitch(args: argparse.Namespace) -> int:
    from lapsed import commands_stitch  # noqa: PLC0415 - OpenCV and PyAV belong to this command alone

    return commands_stitch.run(args)


def _judge(args: argparse.Namespace) -> int:
    from lapsed import commands_stitch  # noqa: PLC0415 - as for stitch

    return commands_stitch.judge(args)
