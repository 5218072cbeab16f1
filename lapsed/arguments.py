"""What several commands are called with."""

import argparse
import math
import re
from collections.abc import Callable
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


def whole(least: int, most: int) -> Callable[[str], int]:
    """A whole number as an option's type."""

    def read(text: str) -> int:
        if not (re.fullmatch(r"-?\d{1,18}", text, re.ASCII) and least <= int(text) <= most):
            raise argparse.ArgumentTypeError(f"{text!r} is not a whole number from {least} to {most}")
        return int(text)

    return read


def number(least: float, most: float) -> Callable[[str], float]:
    """A number as an option's type."""

    def read(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not least <= value <= most:
            raise argparse.ArgumentTypeError(f"{text!r} is not a number from {least:g} to {most:g}")
        return value

    return read


def pair(example: str) -> Callable[[str], tuple[float, float]]:
    """Two numbers as an option's type, written like `example`."""

    def read(text: str) -> tuple[float, float]:
        try:
            x, y = map(float, text.split(","))
        except ValueError:
            x = y = math.nan
        if not (math.isfinite(x) and math.isfinite(y)):
            raise argparse.ArgumentTypeError(f"{text!r} is not two numbers; write it like {example}")
        return x, y

    return read


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
