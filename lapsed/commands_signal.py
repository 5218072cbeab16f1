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
        "frame was taken, no daemon runs or the configuration is wrong, as many hosts end a print when a command fails."
    )
    parser.add_argument(
        "signal", choices=("start", "layer", "end", "cue"), help="what happens; cue asks for a frame at once"
    )
    parser.add_argument("--printer", metavar="NAME", help="which printer, where the configuration has several")
    parser.add_argument("--layer", metavar="N", help="the number of the layer that begins")
    parser.add_argument("--layers", metavar="N", help="how many layers there are, at the start")
    parser.add_argument("--height", metavar="MM", help="the layer's height")
    parser.add_argument("--file", metavar="NAME", help="the printed file, at the start")
    parser.add_argument("--outcome", choices=("finished", "cancelled", "failed"), help="how it ended, at the end")
    parser.add_argument("--key", help="the same key again is the same signal again, and no second shot")
    parser.add_argument("--no-wait", action="store_true", help="return at once")
    parser.add_argument("--strict", action="store_true", help="end with 1 if no frame is taken")
    arguments.add_config(parser)
    parser.add_argument("--json", action="store_true", help="one JSON document on stdout")
    parser.set_defaults(func=_signal)


def _signal(args: argparse.Namespace) -> int:
    try:
        told = _told(args)
    except (RetryError, UserError, argparse.ArgumentTypeError) as error:
        # A value that a macro got wrong, or a mistake in a configuration that is being edited, must end no print.
        print(f"lapsed: {error}", file=sys.stderr)
        return 1 if args.strict else 0
    print(json.dumps({"told": told}) if args.json else told)
    return 1 if args.strict and "missed" in told else 0


def _told(args: argparse.Namespace) -> str:
    """What the daemon answers. Raises UserError, RetryError, ArgumentTypeError."""
    settings = configuration.load(configuration.locate(args.config))
    if args.printer is None and len(settings.printer) > 1:
        raise UserError(f"name the printer with --printer: {', '.join(one.name for one in settings.printer)}")
    printer = arguments.printers(settings, args.printer)[0]
    whole, height = arguments.whole(-1000, 1_000_000), arguments.number(0, 10_000)
    wish = {
        "signal": args.signal,
        "file": Path(args.file).name if args.file else None,
        "layer": None if args.layer is None else whole(args.layer),
        "layers": None if args.layers is None else whole(args.layers),
        "height_mm": None if args.height is None else height(args.height),
        "key": args.key,
        "wait": not args.no_wait,
    }
    wish |= {"outcome": args.outcome} if args.outcome else {}
    within_s = printer.cadence.hold_limit_s + BEYOND_HOLD_S
    return str(client.of(settings).post(f"/api/printers/{quote(printer.name)}/signal", wish, within_s)["text"])
