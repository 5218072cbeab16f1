"""The options of `lapsed stitch` that stand in for keys of a clip for one run."""

import argparse
from collections.abc import Mapping
from typing import Any, get_args

from pydantic import ValidationError

from lapsed import arguments, settings
from lapsed.errors import UserError

_FIELDS = settings.Clip.model_fields
_NOT_FOR_MASTERS = frozenset(
    ("size_px", "codec", "aspect", "fill", "bars", "focus", "zoom", "end_focus", "end_zoom", "enlarge", "between")
) | {"burn_in", "even", "steady"}


def add(parser: argparse.ArgumentParser) -> None:
    """Add them, in groups."""
    size = parser.add_argument_group("shape, of deliveries")
    size.add_argument("--size", dest="size_px", type=_size, metavar="WxH", help="width and height, such as 1080x1920")
    size.add_argument("--aspect", metavar="W:H", help="as many pixels as there are of this aspect, such as 9:16")
    size.add_argument("--fit", dest="fill", action="store_const", const=False, help="whole frames, between bars")
    size.add_argument("--bars", metavar="#RRGGBB", help="the colour of the bars")
    size.add_argument("--focus", type=_point, metavar="X,Y", help="the spot that cropping keeps, in shares: 0.5,0.5")
    size.add_argument("--zoom", type=float, metavar="Z", help="how many times narrower than the largest the crop is")
    size.add_argument("--end-focus", type=_point, metavar="X,Y", help="the focus that is slowly moved to")
    size.add_argument("--end-zoom", type=float, metavar="Z", help="the zoom that is slowly moved to")
    size.add_argument("--enlarge", action="store_const", const=True, help="allow a clip larger than the frames")
    size.add_argument("--codec", choices=[word for word in get_args(_FIELDS["codec"].annotation) if word != "master"])
    size.add_argument("--burn-in", type=_words, metavar="WHAT", help="write into the picture: layer,height,elapsed")
    pace = parser.add_argument_group("pace")
    pace.add_argument("--rate", type=arguments.rate, metavar="R", help="frames a second: 25, 29.97, 30000/1001")
    pace.add_argument("--length", dest="length_s", type=float, metavar="S", help="length in seconds, holds included")
    for end in ("start", "end"):
        pace.add_argument(
            f"--hold-{end}", dest=f"hold_{end}_s", type=float, metavar="S", help=f"stand still at the {end}"
        )
    pace.add_argument("--ease-in", dest="ease_in_s", type=float, metavar="S", help="come up to speed this slowly")
    pace.add_argument("--ease-out", dest="ease_out_s", type=float, metavar="S", help="slow down before the end")
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
    try:
        return settings.Clip.model_validate({**rest, **mine})
    except ValidationError as error:
        first = error.errors()[0]
        option = "".join(f"--{_option(str(part))}: " for part in first["loc"][:1])
        raise UserError(f"clip {clip.name!r}: {option}{first['msg'].removeprefix('Value error, ')}") from error


_EITHER = (("size_px", "aspect"), ("aspect", "size_px"))


def _option(key: str) -> str:
    return "fit" if key == "fill" else key.removesuffix("_s").removesuffix("_px").replace("_", "-")


def _size(text: str) -> tuple[int, int]:
    width, cross, height = text.lower().partition("x")
    if not (cross and width.isdecimal() and height.isdecimal()):
        raise argparse.ArgumentTypeError(f"{text!r} is not a size; write it like 3840x2160")
    return int(width), int(height)


def _point(text: str) -> tuple[float, float]:
    try:
        x, y = map(float, text.split(","))
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not a spot; write it like 0.5,0.4") from None
    return x, y


def _words(text: str) -> tuple[str, ...]:
    return tuple(filter(None, text.split(",")))
