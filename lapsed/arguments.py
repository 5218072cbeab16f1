"""What several commands are called with."""

import argparse
from fractions import Fraction
from pathlib import Path

from lapsed import settings
from lapsed.errors import UserError


def add_config(parser: argparse.ArgumentParser) -> None:
    """Add the option that names the configuration."""
    parser.add_argument(
        "--config",
        type=Path,
        metavar="FILE",
        help="the configuration; else lapsed/lapsed.toml in ~/.config, then in /etc",
    )


def rate(text: str) -> Fraction:
    """A frame rate as an option's type."""
    try:
        return settings.parse_rate(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from error


def printers(whole: settings.Settings, name: str | None) -> tuple[settings.Printer, ...]:
    """The printer of that name, or all of them. Raises UserError."""
    found = tuple(printer for printer in whole.printer if name in (None, printer.name))
    if not found:
        known = ", ".join(printer.name for printer in whole.printer)
        raise UserError(f"there is no printer {name!r} in the configuration; it has {known}")
    return found


def camera_of(printer: settings.Printer, name: str | None) -> settings.Camera:
    """The camera of that name, or the main one. Raises UserError."""
    found = next((camera for camera in printer.camera if name in (None, camera.name)), None)
    if found is None:
        known = ", ".join(camera.name for camera in printer.camera)
        raise UserError(f"printer {printer.name!r} has no camera {name!r}; it has {known}")
    return found
