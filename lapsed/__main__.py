"""The commands; each is a few lines that call into the package.

Exit codes: 0 done; 1 done in part, the message says what is missing; 2 the input or the configuration must change;
130 interrupted.
"""

import argparse
import logging
import sys
from collections.abc import Sequence
from typing import NoReturn

from lapsed import (
    __version__,
    commands,
    commands_bridge,
    commands_camera,
    commands_feed,
    commands_gcode,
    commands_setup,
    commands_signal,
)
from lapsed.errors import LapsedError, UserError

DONE, IN_PART, BAD_INPUT, INTERRUPTED = 0, 1, 2, 130


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        raise UserError(f"{message}; see {self.prog} --help")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; its exit code."""
    logging.basicConfig(stream=sys.stderr, level=logging.INFO, format="%(asctime)s %(levelname)s %(name)s: %(message)s")
    try:
        args = _parser().parse_args(arguments)
        if args.verbose:
            logging.getLogger("lapsed").setLevel(logging.DEBUG)
        return int(args.func(args))
    except UserError as error:
        print(f"lapsed: {error}", file=sys.stderr)
        return BAD_INPUT
    except LapsedError as error:
        print(f"lapsed: {error}", file=sys.stderr)
        return IN_PART
    except BrokenPipeError:
        # Whoever read our output has gone; closing keeps the interpreter from trying to flush to it at exit.
        sys.stdout = None
        return DONE
    except KeyboardInterrupt:
        print("lapsed: interrupted", file=sys.stderr)
        return INTERRUPTED


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(prog="lapsed", description="Films a 3D print layer by layer with a real camera.")
    parser.add_argument("--version", action="version", version=f"lapsed {__version__}")
    parser.add_argument("--verbose", action="store_true", help="log what happens in detail, on stderr")
    subparsers = parser.add_subparsers(title="commands", required=True, metavar="COMMAND", parser_class=_Parser)
    commands.add_parsers(subparsers)
    commands_bridge.add_parsers(subparsers)
    commands_camera.add_parsers(subparsers)
    commands_feed.add_parsers(subparsers)
    commands_gcode.add_parsers(subparsers)
    commands_setup.add_parsers(subparsers)
    commands_signal.add_parsers(subparsers)
    for name, choice in subparsers.choices.items():
        told = next(shown.help or "" for shown in subparsers._choices_actions if shown.dest == name)  # noqa: SLF001 - see below
        # argparse shows a command's sentence only in the list of all, where it can't be read back from in public.
        choice.description = choice.description or f"{told[:1].upper()}{told[1:]}."
    return parser


if __name__ == "__main__":
    sys.exit(main())
