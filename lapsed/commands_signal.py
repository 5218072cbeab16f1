"""The command with which a host tells of its print."""

import argparse
import json
import sys
from pathlib import Path
from urllib.parse import quote

from lapsed import arguments, client, configuration
from lapsed.errors import RetryError, UserError

BEYOND_HOLD_S = 2.0
"""How much longer than the hold limit the answer is waited for."""


def add_signal(parser: argparse.ArgumentParser) -> None:
    """What `signal` is called with."""
    parser.epilog = (
        "Returns when the shutter has closed, so that the host's own park can wait for it. Ends with 0 even if no "
        "frame was taken or no daemon runs, as many hosts end a print when a command fails."
    )
    parser.add_argument(
        "signal", choices=("start", "layer", "end", "cue"), help="what happens; cue asks for a frame at once"
    )
    parser.add_argument("--printer", metavar="NAME", help="which printer, where the configuration has several")
    parser.add_argument("--layer", type=int, metavar="N", help="the number of the layer that begins")
    parser.add_argument("--layers", type=int, metavar="N", help="how many layers there are, at the start")
    parser.add_argument("--height", type=float, metavar="MM", help="the layer's height")
    parser.add_argument("--file", metavar="NAME", help="the printed file, at the start")
    parser.add_argument("--outcome", choices=("finished", "cancelled", "failed"), help="how it ended, at the end")
    parser.add_argument("--key", help="the same key again is the same signal again, and no second shot")
    parser.add_argument("--no-wait", action="store_true", help="return at once")
    parser.add_argument("--strict", action="store_true", help="end with 1 if no daemon answers or a frame is missed")
    arguments.add_config(parser)
    parser.add_argument("--json", action="store_true", help="one JSON document on stdout")
    parser.set_defaults(func=_signal)


def _signal(args: argparse.Namespace) -> int:
    settings = configuration.load(configuration.locate(args.config))
    if args.printer is None and len(settings.printer) > 1:
        raise UserError(f"name the printer with --printer: {', '.join(one.name for one in settings.printer)}")
    printer = arguments.printers(settings, args.printer)[0]
    wish = {
        "signal": args.signal,
        "file": Path(args.file).name if args.file else None,
        "layer": args.layer,
        "layers": args.layers,
        "height_mm": args.height,
        "key": args.key,
        "wait": not args.no_wait,
    }
    wish |= {"outcome": args.outcome} if args.outcome else {}
    within_s = printer.cadence.hold_limit_s + BEYOND_HOLD_S
    try:
        told = client.of(settings).post(f"/api/printers/{quote(printer.name)}/signal", wish, within_s)["text"]
    except (RetryError, UserError) as error:
        print(f"lapsed: {error}", file=sys.stderr)
        return 1 if args.strict else 0
    print(json.dumps({"told": told}) if args.json else told)
    return 1 if args.strict and "missed" in told else 0
