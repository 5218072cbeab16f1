"""The commands that set lapsed up on a machine."""

import argparse
import shlex
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from pydantic import TypeAdapter, ValidationError

from lapsed import arguments, configuration, first_configuration, installation, refusal, settings
from lapsed.camera.found import Found, find
from lapsed.errors import UserError
from lapsed.first_configuration import Answers, camera_of

T = TypeVar("T")

CONFIG = Path("/etc/lapsed/lapsed.toml")

_LENGTH = arguments.number(0.01, 3600)


def add_init(parser: argparse.ArgumentParser) -> None:
    """What `init` is called with."""
    parser.add_argument("--out", type=Path, metavar="FILE", help="where to; else the user's usual place")
    parser.add_argument("--printer", type=_as_set("name"), metavar="NAME", help="what to call the printer")
    parser.add_argument("--url", type=_as_set("url"), help="the host's WebSocket, such as ws://192.168.1.20:8130/")
    parser.add_argument("--facts", type=Path, metavar="FILE", help="the part that lapsed feed wrote")
    parser.add_argument("--bed", type=_bed, metavar="WxD", help="the bed in mm, such as 220x220, or round:180")
    parser.add_argument(
        "--height", type=arguments.number(1, 10_000), metavar="MM", help="the greatest height of the head"
    )
    parser.add_argument(
        "--park", type=arguments.pair("5,215"), metavar="X,Y", help="where the head stands during a shot, mm"
    )
    parser.add_argument("--length", type=_LENGTH, metavar="S", help="the clip's wished length")
    parser.add_argument("--camera", choices=("gphoto", "capture", "release"), help="the kind of camera")
    parser.add_argument("--device", metavar="PATH", help="the capture device, or the release line's port")
    parser.add_argument("--store", metavar="DIR", help="the folder for takes")
    parser.add_argument("--yes", action="store_true", help="ask nothing")
    parser.set_defaults(func=_init)


def add_install_service(parser: argparse.ArgumentParser) -> None:
    """What `install-service` is called with."""
    parser.add_argument("--config", type=Path, default=CONFIG, metavar="FILE", help=f"its configuration ({CONFIG})")
    parser.add_argument("--undo", action="store_true", help="take off what this command has installed")
    parser.add_argument("--yes", action="store_true", help="do it without asking")
    parser.add_argument("--show", action="store_true", help="show the files and commands in full, and do nothing")
    parser.add_argument("--root", type=Path, default=Path("/"), metavar="DIR", help="install below this folder instead")
    parser.set_defaults(func=_install_service)


def _as_set(key: str) -> Callable[[str], str]:
    """A text that has to be right for that key of a printer or its feed."""
    annotation = {"name": settings.Name, "url": settings.FeedLink.__annotations__["url"]}[key]
    adapter: TypeAdapter[str] = TypeAdapter(annotation)

    def read(text: str) -> str:
        try:
            return adapter.validate_python(text)
        except ValidationError as error:
            raise argparse.ArgumentTypeError(refusal.first(error, "")) from None

    return read


def _bed(text: str) -> tuple[float, float, bool]:
    shape, _, size = text.rpartition(":")
    sides = [float(side) for side in size.lower().split("x") if side.replace(".", "", 1).isdecimal()]
    if shape == "round" and len(sides) == 1:
        return sides[0], sides[0], True
    if shape or len(sides) != 2:
        raise argparse.ArgumentTypeError(f"{text!r} is no bed; write it like 220x220, or round:180")
    return sides[0], sides[1], False


# ------------------------------------------------------------------------------------------------------------- init


def _init(args: argparse.Namespace) -> int:
    out = args.out or configuration.usual_places()[0]
    if out.exists():
        raise UserError(f"{out} is there already; name another file with --out, or move it away")
    print("looking for cameras, capture devices and serial adapters", file=sys.stderr)
    found = find()
    for line in _found(found):
        print(line)
    text = first_configuration.written(_answers(args, found))
    configuration.parse(text, where="a configuration of these answers")
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        with out.open("x", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        raise UserError(f"cannot write {out}: {error.strerror}") from error
    print(f"wrote {out}")
    which = f" --config {shlex.quote(str(out))}" if args.out is not None else ""
    print("next:")
    if args.facts is None:
        print("  lapsed feed URL --write facts.toml, during a small print: finds where your host's facts stand")
    print(f"  look through {out}: park point, bed and the host's calls")
    print(f"  lapsed check{which}   looks camera, host and disk over")
    print(f"  lapsed run{which}     beside a small print, with your hand near the printer's switch")
    return 0


def _found(found: Found) -> list[str]:
    lines = [f"still camera: {name}" for name in found.still_cameras]
    lines += [f"capture device: {device.name}, {device.path}" for device in found.capture_devices]
    lines += [f"serial adapter: {device.path}" for device in found.serial_ports]
    return lines or ["found no camera, capture device or serial adapter; the configuration can be written all the same"]


def _answers(args: argparse.Namespace, found: Found) -> Answers:
    usual = Answers()
    kind, device = camera_of(found)
    camera = args.camera or kind
    if camera == "release" and not (args.device or found.serial_ports):
        raise UserError("a release line needs its port: connect the adapter, or name it with --device")
    if camera == "release":
        device = found.serial_ports[0].path if found.serial_ports else ""
    width, depth, is_round = args.bed or _asked(args, "bed in mm, width x depth, or round:diameter", "220x220", _bed)
    try:
        facts = args.facts.read_text("utf-8") if args.facts is not None else ""
    except (OSError, UnicodeDecodeError) as error:
        raise UserError(f"cannot read {args.facts}: {getattr(error, 'strerror', None) or 'it is no text'}") from error
    return Answers(
        printer=args.printer or _asked(args, "a name for the printer", usual.printer, _as_set("name")),
        url=args.url or ("" if facts else _asked(args, "the host's WebSocket", usual.url, _as_set("url"))),
        facts=facts,
        bed=(width, depth),
        round_bed=is_round,
        height_mm=args.height or usual.height_mm,
        park=args.park,
        length_s=args.length or _asked(args, "wished length of the clip, s", f"{usual.length_s:g}", _LENGTH),
        camera=camera,
        device=args.device or device or "/dev/video0",
        store=args.store or usual.store,
    )


def _asked(args: argparse.Namespace, question: str, default: str, read: Callable[[str], T]) -> T:
    """The answer to a question, or the default where nobody can be asked."""
    while not args.yes and sys.stdin.isatty():
        try:
            return read(_line(f"{question} [{default}]: ").strip() or default)
        except (ValueError, argparse.ArgumentTypeError) as error:
            print(error, file=sys.stderr)
    return read(default)


def _line(question: str) -> str:
    """A line that is typed in; Ctrl-D in its place ends the command as Ctrl-C does."""
    try:
        return input(question)
    except EOFError:
        raise KeyboardInterrupt from None


# ------------------------------------------------------------------------------------------------- install-service


def _install_service(args: argparse.Namespace) -> int:
    if args.undo:
        if not _agreed("Stop the service and remove its files?", args):
            return 1
        installation.undo(args.root, print)
        return 0
    config = args.config.absolute()
    plan = installation.planned(installation.program(), config, installation.shipped)
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
    if not (args.root / str(config).lstrip("/")).is_file():
        print(f"next: lapsed init --out {config} --store /var/lib/lapsed, or copy yours; then systemctl start lapsed")
    print("to undo: lapsed install-service --undo")
    return 0


def _agreed(question: str, args: argparse.Namespace) -> bool:
    if args.yes:
        return True
    if not sys.stdin.isatty():
        print("nothing done: say --yes to do it without being asked", file=sys.stderr)
        return False
    return _line(f"{question} [y/N] ").strip().lower() in ("y", "yes")
