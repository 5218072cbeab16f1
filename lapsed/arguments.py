"""What several commands are called with."""

import argparse
from fractions import Fraction
from pathlib import Path

from lapsed import settings


def add_config(parser: argparse.ArgumentParser) -> None:
    """Add the option that names the configuration."""
    parser.add_argument("--config", type=Path, metavar="FILE", help="the configuration, instead of the usual places")


def rate(text: str) -> Fraction:
    """A frame rate as an option's type."""
    try:
        return settings.parse_rate(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from error
