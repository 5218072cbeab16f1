"""The commands that film and look back, and what all commands are called with."""

import argparse
import asyncio
import json
import logging
import sys
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path
from typing import Any

from lapsed import arguments, client, clip_options, configuration, service
from lapsed.errors import RetryError, UserError
from lapsed.settings import Settings
from lapsed.take import reader

Subparsers = Any
"""argparse keeps the type of what add_subparsers returns to itself."""


def add_parsers(subparsers: Subparsers) -> None:
    """Add `demo`, `run`, `takes`, `stitch` and `judge`."""
    demo = subparsers.add_parser("demo", help="film a simulated print from end to end, without any hardware")
    demo.add_argument("--out", type=Path, default=Path("lapsed-demo"), metavar="DIR", help="folder for all it makes")
    demo.add_argument(
        "--camera",
        choices=("scene", "gphoto"),
        default="scene",
        help="a drawn scene, or the same scene photographed by libgphoto2's virtual camera",
    )
    demo.add_argument("--shots", type=_count, default=120, metavar="N", help="frames, one each layer (default 120)")
    demo.add_argument("--json", action="store_true", help="one JSON document on stdout")
    demo.set_defaults(func=_demo)

    run = subparsers.add_parser("run", help="watch the printers of the configuration and film their prints")
    arguments.add_config(run)
    run.set_defaults(func=_run)

    takes = subparsers.add_parser("takes", help="list the takes, or tell one in detail")
    takes.add_argument("take", nargs="?", metavar="TAKE", help="a take's name or folder")
    takes.add_argument("--store", type=Path, metavar="DIR", help="where the takes are, instead of the configuration's")
    arguments.add_config(takes)
    takes.add_argument("--json", action="store_true", help="one JSON document on stdout")
    takes.set_defaults(func=_takes)

    stitch = subparsers.add_parser("stitch", help="make the clips of a take or of a folder of pictures")
    stitch.add_argument("path", type=Path, metavar="PATH", help="a take, or a folder of pictures")
    stitch.add_argument("--clip", action="append", metavar="NAME", help="only this clip; may be given again")
    clip_options.add(stitch)
    stitch.add_argument(
        "--edit-list", type=Path, metavar="FILE", help="stitch the clip that a saved edit list says, and no other"
    )
    stitch.add_argument(
        "--workers", type=_processes, default=1, metavar="N", help="processes that encode side by side (1)"
    )
    stitch.add_argument("--even", type=_even, metavar="yes|no|colour", help="take flicker out of deliveries, or not")
    stitch.add_argument("--steady", type=_yes, metavar="yes|no", help="move frames of deliveries back that stand off")
    _add_judging(stitch)
    stitch.add_argument("--camera", metavar="NAME", help="frames of this camera instead of the main one's")
    stitch.add_argument("--out", type=Path, metavar="DIR", help="folder for the clips, instead of the take's own")
    arguments.add_config(stitch)
    stitch.add_argument("--quiet", action="store_true", help="no progress")
    stitch.add_argument("--idle", action="store_true", help="only use the time and the disk that nobody else wants")
    stitch.add_argument("--json", action="store_true", help="one JSON document on stdout")
    stitch.set_defaults(func=_stitch)

    judge = subparsers.add_parser("judge", help="look the frames over and tell what stitching would do with them")
    judge.add_argument("path", type=Path, metavar="PATH", help="a take, or a folder of pictures")
    _add_judging(judge)
    judge.add_argument("--camera", metavar="NAME", help="frames of this camera instead of the main one's")
    judge.add_argument("--out", type=Path, metavar="DIR", help="folder for table and chart, instead of the take's own")
    arguments.add_config(judge)
    judge.add_argument("--quiet", action="store_true", help="no progress")
    judge.add_argument("--json", action="store_true", help="one JSON document on stdout")
    judge.set_defaults(func=_judge)


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


def _count(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 2000:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of shots from 1 to 2000")
    return int(text)


def _processes(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 64:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of processes from 1 to 64")
    return int(text)


# ------------------------------------------------------------------------------------------------- demo and run


def _demo(args: argparse.Namespace) -> int:
    from lapsed import demo  # noqa: PLC0415 - the simulators load image libraries, which the daemon never does

    logging.getLogger("lapsed").setLevel(logging.WARNING)
    summary = demo.play(
        args.out, camera=args.camera, shots=args.shots, tell=lambda text: print(text, file=sys.stderr, flush=True)
    )
    if args.json:
        print(json.dumps(summary.as_json(), indent=2))
    else:
        print(summary.as_text())
    return 0 if summary.landed == summary.cues == args.shots else 1


def _run(args: argparse.Namespace) -> int:
    config = configuration.locate(args.config)
    asyncio.run(service.serve(configuration.load(config), config))
    return 0


def _stitch(args: argparse.Namespace) -> int:
    from lapsed import commands_stitch  # noqa: PLC0415 - OpenCV and PyAV belong to this command alone

    return commands_stitch.run(args)


def _judge(args: argparse.Namespace) -> int:
    from lapsed import commands_stitch  # noqa: PLC0415 - as for stitch

    return commands_stitch.judge(args)


# -------------------------------------------------------------------------------------------------------- takes


def _takes(args: argparse.Namespace) -> int:
    if args.take is not None and (Path(args.take) / "take.db").is_file():
        return _one_take(Path(args.take), as_json=args.json)
    whole = configuration.load(configuration.locate(args.config)) if args.store is None else None
    store = (args.store if whole is None else whole.store.folder).expanduser()
    if args.take is not None:
        return _one_take(_confined(store, args.take), as_json=args.json)
    takes = reader.list_takes(store)
    if whole is not None and not args.json:
        _tell_now(whole)
    if args.json:
        print(json.dumps([asdict(take) for take in takes], indent=2, default=str))
        return 0
    for take in takes:
        if take.problem is not None:
            print(f"{take.name}  {take.problem}")
            continue
        state = take.outcome or "open"
        card = f", {take.on_card} on the card" if take.on_card else ""
        print(f"{take.name}  {state}, {take.cues} cues, {take.landed} landed, {take.missed} missed{card}")
    if not takes:
        print(f"no takes in {store}")
    return 0


def _tell_now(whole: Settings) -> None:
    """What a running daemon films at this moment; nothing where none runs."""
    with suppress(RetryError, UserError):
        for printer in client.of(whole).get("/api/now")["printers"]:
            if printer["take"] is not None:
                take = printer["take"]
                name, printed = printer["name"], printer["print"]["name"]
                print(f"{name} films {printed} now: {take['landed']} of {take['shots']} shots landed")


def _confined(store: Path, name: str) -> Path:
    if Path(name).name != name or name in ("", ".", ".."):
        raise UserError(f"{name} is not a take: no take.db in it, and names of takes have no folders in them")
    return store / name


def _one_take(folder: Path, *, as_json: bool) -> int:
    view = reader.read_take(folder)
    if as_json:
        print(json.dumps(asdict(view), indent=2, default=str))
        return 0
    landed = sum(shot.outcome == "landed" for shot in view.shots)
    print(f"take     {view.name}")
    print(f"print    {view.print.name}")
    print(f"began    {view.started_utc}")
    print(
        f"ended    {view.ended_utc or 'still open'}{f', {view.outcome}' if view.outcome else ''}"
        f"{f' ({view.reason})' if view.reason else ''}"
    )
    print(f"cues     {len(view.cues)}, {landed} frames landed from {', '.join(view.cameras)}")
    waiting = sum(shot.outcome == "on card" for shot in view.shots)
    if waiting:
        print(f"on card  {waiting} frames are on the camera's card: lapsed ingest {folder} FOLDER")
    missed = [shot for shot in view.shots if shot.outcome == "missed"]
    for shot in missed:
        print(f"missed   shot {shot.cue} of {shot.camera}: {shot.reason}")
    for event in view.events:
        print(f"event    {event.utc} {event.text}")
    return 0
