"""The command that stands on a serial line between host and printer."""

import argparse
import os
import sys
from pathlib import Path
from typing import NoReturn

from lapsed import arguments, configuration
from lapsed.bridge.holding import Ways
from lapsed.bridge.options import Options
from lapsed.errors import UserError
from lapsed.settings import BridgeLink, Printer


def add_bridge(parser: argparse.ArgumentParser) -> None:
    """What `bridge` is called with."""
    parser.add_argument("--printer", metavar="NAME", help="the printer of the configuration")
    arguments.add_config(parser)
    parser.add_argument("--port", metavar="PORT", help="the printer's port, for a plain cable without configuration")
    parser.add_argument(
        "--baud", type=arguments.whole(50, 20_000_000), metavar="N", help="its rate in bits a second (default 115200)"
    )
    parser.add_argument("--link", type=Path, metavar="PATH", help="the name of the port that the host is to open")
    parser.set_defaults(func=_bridge)


def _bridge(args: argparse.Namespace) -> NoReturn:
    options = _options(args)
    sys.stderr.flush()
    # The command line has loaded far more than a bridge needs: a fresh interpreter takes this process's place.
    os.execv(sys.executable, [sys.executable, "-m", "lapsed.bridge", options.text()])  # noqa: S606 - no shell is wanted


def _options(args: argparse.Namespace) -> Options:
    alone = args.port is not None or args.link is not None or args.baud is not None
    if alone == (args.printer is not None):
        raise UserError("give either --printer NAME, or --port and --link; see lapsed bridge --help")
    if not alone:
        return configured(_printer(args), verbose=args.verbose)
    if args.port is None or args.link is None:
        raise UserError("a plain cable needs --port, the printer's, and --link, the host's; see lapsed bridge --help")
    return Options(args.port, args.baud or 115200, str(args.link.absolute()), verbose=args.verbose)


def _printer(args: argparse.Namespace) -> Printer:
    return arguments.printers(configuration.load(configuration.locate(args.config)), args.printer)[0]


def configured(printer: Printer, *, verbose: bool = False) -> Options:
    """The options for a printer of the configuration; raises UserError if it has no bridge."""
    link = printer.link
    if not isinstance(link, BridgeLink):
        raise UserError(f"the link of {printer.name} is no bridge; set kind = 'bridge' in it")
    from lapsed.gcode.setup import dialect_of  # noqa: PLC0415 - it brings NumPy, which most commands do without

    ways = Ways(
        dialect=dialect_of(printer.machine),
        harmless=frozenset(link.harmless),
        answer_within_s=link.answer_within_s,
        drain_within_s=link.drain_within_s,
        check_position=link.check_position,
        card_poll_s=link.card_poll_s,
        over_after_s=link.over_after_h * 3600,
    )
    return Options(
        port=link.port,
        baud=link.baud,
        link=str(link.port_of(printer.name)),
        mode=int(link.mode, 8),
        reset=link.reset,
        socket=str(link.socket_of(printer.name)),
        ways=ways,
        verbose=verbose,
    )
