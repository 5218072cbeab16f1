"""The commands; each is a few lines that call into the package.

Exit codes: 0 done; 1 done in part, the message says what is missing; 2 the input or the configuration must change;
130 interrupted.
"""

import argparse
import difflib
import io
import logging
import os
import sys
from collections.abc import Sequence
from importlib import import_module
from typing import NamedTuple, NoReturn, TextIO

from lapsed import __version__
from lapsed.errors import LapsedError, UserError

LOG = "%(asctime)s %(levelname)s %(name)s: %(message)s"
"""With times, for a command that goes on; what another one has to say is read at once."""

VERBOSE = "log what happens in detail, on stderr"

DONE, IN_PART, BAD_INPUT, INTERRUPTED = 0, 1, 2, 130


class Command(NamedTuple):
    """A command: the module of the package that has its `add_NAME`, and what it does, for the list of all."""

    module: str
    does: str


COMMANDS = {
    "demo": Command("commands", "film a simulated print from end to end, without any hardware"),
    "feed": Command("commands_feed", "record what a host says, and find where its facts stand"),
    "init": Command("commands_setup", "write a first configuration from what is found on this computer"),
    "check": Command("commands_camera", "look host, disk and cameras over before a print, with test shots"),
    "shoot": Command("commands_camera", "take one test frame, or focus by a crop that updates"),
    "run": Command("commands", "watch the printers of the configuration and film their prints"),
    "bridge": Command("commands_bridge", "stand on the serial line between a host and its printer"),
    "signal": Command("commands_signal", "tell the daemon of a print, from a host that can run a command"),
    "takes": Command("commands_takes", "list the takes, or tell one in detail"),
    "judge": Command("commands_clip", "look the frames over and tell what stitching would do with them"),
    "stitch": Command("commands_clip", "make the clips of a take or of a folder of pictures"),
    "ingest": Command("commands_camera", "match photos from a camera's card to the shots of a take"),
    "plan": Command("commands_gcode", "tell what filming a print takes: layers, shots, time, data"),
    "mark": Command("commands_gcode", "write park blocks into a file, or take them out"),
    "snippet": Command("commands_gcode", "print a park block for a slicer's layer-change field"),
    "install-service": Command("commands_setup", "run lapsed as a service from now on, or no more"),
}
"""Only the module of the command that is run is imported: a host waits for `lapsed signal` at every layer."""


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        raise UserError(f"{message}; see {self.prog} --help")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; its exit code."""
    # A shell may close them; what is written then is meant for nobody.
    sys.stdout, sys.stderr = sys.stdout or _nowhere(), sys.stderr or _nowhere()
    if isinstance(sys.stdout, io.TextIOWrapper):
        # Names of files may hold what a terminal's encoding has no sign for.
        sys.stdout.reconfigure(errors="backslashreplace")
    try:
        return _run(sys.argv[1:] if arguments is None else arguments)
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
    except OSError as error:
        # A file that is out of reach where nobody thought of it: whoever asked can mend that, and no traceback helps.
        logging.getLogger("lapsed").debug("not seen to where it came up", exc_info=True)
        where = "" if error.filename is None else f"{error.filename}: "
        print(f"lapsed: {where}{error.strerror or error}; check the name and the permissions", file=sys.stderr)
        sys.stdout = None  # it may be what can't be written
        return BAD_INPUT
    except MemoryError:
        print("lapsed: the memory is used up; close other programs, or take another computer", file=sys.stderr)
        return IN_PART
    except KeyboardInterrupt:
        print("lapsed: interrupted", file=sys.stderr)
        return INTERRUPTED


def _run(words: Sequence[str]) -> int:
    args = _parser(words).parse_args(words)
    lasting = args.verbose or any(getattr(args, name, False) for name in ("lasting", "watch"))
    logging.basicConfig(stream=sys.stderr, level=logging.INFO, format=LOG if lasting else "lapsed: %(message)s")
    if args.verbose:
        logging.getLogger("lapsed").setLevel(logging.DEBUG)
    status = int(args.func(args))
    sys.stdout.flush()
    return status


def _nowhere() -> TextIO:
    return open(os.devnull, "w", encoding="utf-8", errors="replace")  # noqa: PTH123 - open until the process ends


def _parser(words: Sequence[str]) -> argparse.ArgumentParser:
    """What reads the command line `words`: of its command every argument, of the others the name."""
    parser = _Parser(prog="lapsed", description="Films a 3D print layer by layer with a real camera.")
    parser.add_argument("--version", action="version", version=f"lapsed {__version__}")
    parser.add_argument("--verbose", action="store_true", help=VERBOSE)
    subparsers = parser.add_subparsers(title="commands", required=True, metavar="COMMAND", parser_class=_Parser)
    asked = next((word for word in words if not word.startswith("-")), None)
    for name, command in COMMANDS.items():
        does = command.does
        subparser = subparsers.add_parser(name, help=does, description=f"{does[:1].upper()}{does[1:]}.")
        if name == asked:
            module = import_module(f"lapsed.{command.module}")
            getattr(module, f"add_{name.replace('-', '_')}")(subparser)
            # Taken after the command as well, where most people put it.
            subparser.add_argument("--verbose", action="store_true", default=argparse.SUPPRESS, help=VERBOSE)
    if asked is not None and asked not in COMMANDS:
        near = difflib.get_close_matches(asked, COMMANDS, n=1, cutoff=0.5)
        hint = f"did you mean {near[0]!r}? " if near else ""
        raise UserError(f"there is no command {asked!r}; {hint}lapsed --help lists all")
    return parser


if __name__ == "__main__":
    sys.exit(main())
