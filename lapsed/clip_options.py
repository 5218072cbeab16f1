"""The options of `lapsed stitch` that stand in for keys of a clip for one run."""

import argparse
from collections.abc import Callable, Mapping
from fractions import Fraction
from typing import Any, get_args

from pydantic import ValidationError

from lapsed import arguments, refusal, settings
from lapsed.errors import UserError

_FIELDS = settings.Clip.model_fields
_NOT_FOR_MASTERS = frozenset(
    ("size_px", "codec", "aspect", "fill", "bars", "focus", "zoom", "end_focus", "end_zoom", "enlarge", "between")
) | {"burn_in", "even", "steady"}


def add(parser: argparse.ArgumentParser) -> None:
    """Add them, in groups; a value that a clip can't have is refused with the name of its option."""
    _add_shape(parser.add_argument_group("shape, of deliveries"))
    _add_pace(parser.add_argument_group("pace"))


def _add_shape(size: argparse._ArgumentGroup) -> None:
    size.add_argument(
        "--size", dest="size_px", type=_value("size_px", _sides), metavar="WxH", help="width and height: 1080x1920"
    )
    size.add_argument(
        "--aspect",
        type=_value("aspect"),
        metavar="W:H",
        help="as many pixels as there are of this aspect, such as 9:16",
    )
    size.add_argument("--fit", dest="fill", action="store_const", const=False, help="whole frames, between bars")
    size.add_argument("--bars", type=_value("bars"), metavar="#RRGGBB", help="the colour of the bars")
    size.add_argument(
        "--focus", type=_value("focus", _spot), metavar="X,Y", help="the spot that cropping keeps, in shares: 0.5,0.5"
    )
    size.add_argument(
        "--zoom", type=_value("zoom"), metavar="Z", help="how many times narrower than the largest the crop is"
    )
    size.add_argument(
        "--end-focus", type=_value("end_focus", _spot), metavar="X,Y", help="the focus that is slowly moved to"
    )
    size.add_argument("--end-zoom", type=_value("end_zoom"), metavar="Z", help="the zoom that is slowly moved to")
    size.add_argument("--enlarge", action="store_const", const=True, help="allow a clip larger than the frames")
    codecs = [word for word in get_args(_FIELDS["codec"].annotation) if word != "master"]
    size.add_argument("--codec", choices=codecs, help="what it is encoded as")
    size.add_argument(
        "--burn-in", type=_value("burn_in", _words), metavar="WHAT", help="write into the picture: layer,height,elapsed"
    )


def _add_pace(pace: argparse._ArgumentGroup) -> None:
    pace.add_argument("--rate", type=arguments.rate, metavar="R", help="frames a second: 25, 29.97, 30000/1001")
    for option, told in (
        ("length", "length in seconds, holds included"),
        ("hold-start", "stand still at the start"),
        ("hold-end", "stand still at the end"),
        ("ease-in", "come up to speed this slowly"),
        ("ease-out", "slow down before the end"),
    ):
        key = f"{option.replace('-', '_')}_s"
        pace.add_argument(f"--{option}", dest=key, type=_value(key), metavar="S", help=told)
    pace.add_argument("--spread", choices=get_args(_FIELDS["spread"].annotation), help="what is to pass evenly")
    pace.add_argument("--every-frame", action="store_const", const=True, help="show each frame at least once")
    pace.add_argument("--choose", choices=get_args(_FIELDS["choose"].annotation), help="which, of too many frames")
    pace.add_argument("--between", choices=get_args(_FIELDS["between"].annotation), help="what is between too few")


def given(args: argparse.Namespace) -> Mapping[str, Any]:
    """The keys that were given, with their values."""
    return {key: value for key in _FIELDS if (value := getattr(args, key, None)) is not None}


def changed(clip: settings.Clip, changes: Mapping[str, Any]) -> settings.Clip:
    """The clip with `changes`, as far as they concern a clip of its kind. Raises UserError."""
    master = clip.codec == "master"
    mine = {key: value for key, value in changes.items() if not (master and key in _NOT_FOR_MASTERS)}
    # Whoever asks for a size or an aspect means it in place of the other.
    rest = clip.model_dump() | {other: None for key, other in _EITHER if key in mine}
    if mine.get("codec") == "preview" and clip.size_px is not None and not mine.keys() & {"size_px", "aspect"}:
        # A preview for once keeps the clip's shape, and not a size that was meant for another codec.
        shape = Fraction(*clip.size_px)
        rest |= {"size_px": None, "aspect": f"{shape.numerator}:{shape.denominator}"}
    try:
        return settings.Clip.model_validate({**rest, **mine})
    except ValidationError as error:
        # What each option says by itself is right by now: only what doesn't go together is left.
        told = refusal.sentence("", error.errors()[0])
        for key in mine:
            option = "--size" if key == "size_px" else f"--{key.removesuffix('_s').replace('_', '-')}"
            told = told.replace(key, option) if "_" in key else told  # the others are words
        raise UserError(f"clip {clip.name!r}: {told}") from error


_EITHER = (("size_px", "aspect"), ("aspect", "size_px"))


def _value(key: str, taken_apart: Callable[[str], Any] = str) -> Callable[[str], Any]:
    """An option's type: what the clip's `key` takes, as it is written on a command line."""

    def read(text: str) -> Any:
        try:
            return getattr(settings.Clip.model_validate({"name": "any", key: taken_apart(text)}), key)
        except ValidationError as error:
            first = error.errors()[0]
            wish = refusal.wanted(first)
            told = f"{text!r} has to be {wish}" if wish else refusal.sentence("", first)
            raise argparse.ArgumentTypeError(told) from None

    return read


def _sides(text: str) -> tuple[int, int]:
    width, cross, height = text.lower().partition("x")
    if not (cross and width.isdecimal() and height.isdecimal() and len(text) < 20):
        raise argparse.ArgumentTypeError(f"{text!r} is not a size; write it like 3840x2160")
    return int(width), int(height)


def _spot(text: str) -> tuple[str, str]:
    x, comma, y = text.partition(",")
    if not comma:
        raise argparse.ArgumentTypeError(f"{text!r} is not a spot; write it like 0.5,0.4")
    return x, y


def _words(text: str) -> tuple[str, ...]:
    return tuple(filter(None, text.split(",")))
