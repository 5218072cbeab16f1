"""The commands that film."""

import argparse
import asyncio
import json
import logging
import sys
from pathlib import Path

from lapsed import arguments, configuration


def add_demo(parser: argparse.ArgumentParser) -> None:
    """What `demo` is called with."""
    parser.add_argument("--out", type=Path, default=Path("lapsed-demo"), metavar="DIR", help="folder for all it makes")
    parser.add_argument(
        "--camera",
        choices=("scene", "gphoto"),
        default="scene",
        help="a drawn scene, or the same scene photographed by libgphoto2's virtual camera",
    )
    parser.add_argument(
        "--shots", type=arguments.whole(1, 2000), default=120, metavar="N", help="frames, one each layer (default 120)"
    )
    parser.add_argument("--json", action="store_true", help="one JSON document on stdout")
    parser.set_defaults(func=_demo)


def add_run(parser: argparse.ArgumentParser) -> None:
    """What `run` is called with."""
    arguments.add_config(parser)
    parser.set_defaults(func=_run, lasting=True)


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
    from lapsed import service  # noqa: PLC0415 - all that a daemon is made of, which the demo starts in its own way

    config = configuration.locate(args.config)
    asyncio.run(service.serve(configuration.load(config), config))
    return 0
