"""The commands that set lapsed up on a machine."""

import argparse
import sys
from pathlib import Path
from typing import Any

from lapsed import installation

Subparsers = Any

CONFIG = Path("/etc/lapsed/lapsed.toml")


def add_parsers(subparsers: Subparsers) -> None:
    """Add `install-service`."""
    service = subparsers.add_parser("install-service", help="run lapsed as a service from now on, or no more")
    service.add_argument("--config", type=Path, default=CONFIG, metavar="FILE", help=f"its configuration ({CONFIG})")
    service.add_argument("--undo", action="store_true", help="take off what this command has installed")
    service.add_argument("--yes", action="store_true", help="do it without asking")
    service.add_argument("--show", action="store_true", help="show the files and commands in full, and do nothing")
    service.add_argument(
        "--root", type=Path, default=Path("/"), metavar="DIR", help="install below this folder instead"
    )
    service.set_defaults(func=_install_service)


def _install_service(args: argparse.Namespace) -> int:
    if args.undo:
        if not _agreed("Stop the service and remove its files?", args):
            return 1
        installation.undo(args.root, print)
        return 0
    plan = installation.planned(installation.program(), args.config.absolute(), installation.shipped)
    if args.show:
        for place, text in plan.files.items():
            print(f"# {place}\n{text}")
    print("would write:" if args.show else "to be written:")
    print("\n".join(f"  {place}" for place in plan.files))
    print("and run:")
    print("\n".join(f"  {' '.join(command)}" for command in plan.commands))
    if args.show or not _agreed("Do it?", args):
        return 0 if args.show else 1
    installation.install(plan, args.root, print)
    if not (args.root / str(args.config).lstrip("/")).is_file():
        print(f"next: write {args.config} (see lapsed init), then: systemctl start lapsed")
    print("to undo: lapsed install-service --undo")
    return 0


def _agreed(question: str, args: argparse.Namespace) -> bool:
    if args.yes:
        return True
    if not sys.stdin.isatty():
        print("nothing done: say --yes to do it without being asked", file=sys.stderr)
        return False
    return input(f"{question} [y/N] ").strip().lower() in ("y", "yes")
