"""The commands that look at cameras before a print, and fetch their photos after it."""

import argparse
import asyncio
import json
import logging
import math
import shutil
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from urllib.parse import quote

from lapsed import app, arguments, client, configuration
from lapsed.camera.inspection import span
from lapsed.check import judge, table
from lapsed.check.holders import daemon
from lapsed.check.session import Session, Taken, opened
from lapsed.check.survey import Survey
from lapsed.errors import RetryError, ShotMissedError, UserError
from lapsed.model import Check, Verdict
from lapsed.reception import TEST_FRAMES
from lapsed.settings import Camera, GphotoCamera, Printer, Settings

CHECKED_WITHIN_S = 60.0


def add_check(parser: argparse.ArgumentParser) -> None:
    """What `check` is called with."""
    parser.add_argument("--printer", metavar="NAME", help="only this printer")
    parser.add_argument("--file", metavar="FILE", help="the G-code that is to be printed, or its name at the host")
    parser.add_argument(
        "--shots", type=arguments.whole(1, 100), default=5, metavar="N", help="test shots of each camera (default 5)"
    )
    parser.add_argument("--out", type=Path, metavar="DIR", help="folder for the test frames, instead of the store's")
    arguments.add_config(parser)
    parser.add_argument("--json", action="store_true", help="one JSON document on stdout")
    parser.set_defaults(func=_check)


def add_shoot(parser: argparse.ArgumentParser) -> None:
    """What `shoot` is called with."""
    parser.add_argument("--printer", metavar="NAME", help="whose camera, where the configuration has several printers")
    parser.add_argument("--camera", metavar="NAME", help="another camera than the main one")
    parser.add_argument("--out", type=Path, metavar="FILE", help="the picture, test.jpg or focus.jpg if left out")
    parser.add_argument("--focus", action="store_true", help="shoot until interrupted, magnify a part, tell how sharp")
    parser.add_argument(
        "--at",
        type=_spot,
        metavar="X,Y",
        help="the spot to focus on, as shares of the frame (default the middle)",
    )
    arguments.add_config(parser)
    parser.add_argument("--json", action="store_true", help="one JSON document on stdout")
    parser.set_defaults(func=_shoot)


def add_ingest(parser: argparse.ArgumentParser) -> None:
    """What `ingest` is called with."""
    parser.add_argument("take", type=Path, metavar="TAKE", help="the take's folder")
    parser.add_argument("folder", type=Path, metavar="FOLDER", help="the card, or a copy of its folders")
    parser.add_argument("--camera", metavar="NAME", help="whose card it is, where several cameras have one")
    parser.add_argument(
        "--offset",
        type=arguments.number(-1e9, 1e9),
        metavar="S",
        help="seconds that the camera's clock is ahead of ours, within 2 s",
    )
    parser.add_argument("--missed", action="store_true", help="land photos of shots that were missed as well")
    parser.add_argument("--dry-run", action="store_true", help="tell what would be landed, and copy nothing")
    parser.add_argument("--json", action="store_true", help="one JSON document on stdout")
    parser.set_defaults(func=_ingest)


def _spot(text: str) -> tuple[float, float]:
    x, y = arguments.pair("0.5,0.6")(text)
    if not (0 <= x <= 1 and 0 <= y <= 1):
        raise argparse.ArgumentTypeError(f"{text!r} is not a spot; write two shares from 0 to 1 like 0.5,0.6")
    return x, y


# --------------------------------------------------------------------------------------------------------- check


def _check(args: argparse.Namespace) -> int:
    with _quiet(verbose=args.verbose):
        return _checked(args)


@contextmanager
def _quiet(*, verbose: bool) -> Iterator[None]:
    """No log unless it is asked for: what goes wrong is told anyway."""
    log = logging.getLogger("lapsed")
    level = log.level
    if not verbose:
        log.setLevel(logging.CRITICAL)
    try:
        yield
    finally:
        log.setLevel(level)


def _checked(args: argparse.Namespace) -> int:
    config = configuration.locate(args.config)
    whole = configuration.load(config)
    wanted = arguments.printers(whole, args.printer)
    out = args.out or whole.store.folder.expanduser() / "check"
    running = daemon(config, configuration.usual_places())
    survey = Survey(whole, app.CAMERA_KINDS, args.shots, out, running, lambda name: _by_api(whole, name), args.file)
    sections = asyncio.run(_sections(survey, wanted))
    checks = [check for section in sections for check in section.checks]
    verdict = judge.worst(checks)
    if args.json:
        print(json.dumps({"verdict": verdict, "sections": [asdict(section) for section in sections]}, indent=2))
    else:
        for line in table.lines(sections, shutil.get_terminal_size().columns):
            print(line)
        print(f"\n{table.summary(checks)}")
    return 1 if verdict is Verdict.FAIL else 0


def _by_api(whole: Settings, printer: str) -> tuple[Check, ...]:
    """What a running daemon says of the printer; it takes as long as its cameras do. Raises RetryError, UserError."""
    told = client.of(whole).post(f"/api/printers/{quote(printer)}/check", {}, CHECKED_WITHIN_S)["checks"]
    return tuple(
        Check(
            one["what"],
            Verdict(one["verdict"]),
            one["found"],
            one["advice"],
            free_mb=one["free_mb"],
            charge_percent=one["charge_percent"],
        )
        for one in told
    )


async def _sections(survey: Survey, wanted: tuple[Printer, ...]) -> list[table.Section]:
    sections = []
    for printer in wanted:
        print(f"looking at {printer.name}", file=sys.stderr)
        sections += await survey.of(printer)
    return sections


# --------------------------------------------------------------------------------------------------------- shoot


def _shoot(args: argparse.Namespace) -> int:
    if args.at is not None and not args.focus:
        raise UserError("--at names the spot that --focus looks at; give both")
    config = configuration.locate(args.config)
    whole = configuration.load(config)
    printer = arguments.printers(whole, args.printer)[0]
    camera = arguments.camera_of(printer, args.camera)
    running = daemon(config, configuration.usual_places())
    if running is not None and args.focus:
        raise RetryError(f"the daemon (process {running}) has the cameras; stop it, then focus again")
    out = args.out or Path("focus.jpg" if args.focus else "test.jpg")
    if not out.absolute().parent.is_dir():
        raise UserError(f"there is no folder {out.absolute().parent} to write {out.name} to; make it, or change --out")
    try:
        if running is not None:
            return _by_daemon(whole, printer, camera, out, as_json=args.json)
        with _quiet(verbose=args.verbose):
            spot = args.at or (0.5, 0.5)
            asyncio.run(_focus(for_focus(camera), out, spot) if args.focus else _one(camera, out, as_json=args.json))
    except OSError as error:
        raise UserError(f"cannot write {out}: {error.strerror}; name another file with --out") from error
    return 0


def _by_daemon(whole: Settings, printer: Printer, camera: Camera, out: Path, *, as_json: bool) -> int:
    """Have the daemon that holds the camera take the frame."""
    patience_s = camera.expose_within_s + camera.fetch_within_s
    path = f"/api/printers/{quote(printer.name)}/shoot"
    done = client.of(whole).post(path, {"camera": camera.name}, patience_s)
    files = []
    if done["frame"] is not None:
        taken = whole.store.folder.expanduser() / TEST_FRAMES / done["frame"]
        files = [str(shutil.copyfile(taken, out.with_suffix(taken.suffix)))]
    if as_json:
        print(json.dumps({"camera": camera.name, "files": files, "told": done["text"]}, indent=2))
    else:
        print("; ".join([*files, done["text"]]))
    return 0


async def _one(camera: Camera, out: Path, *, as_json: bool) -> None:
    async with opened(camera, app.CAMERA_KINDS[camera.kind]) as session:
        found = await session.ready()
        taken = await _taken(session)
        # The camera decides what it writes; a raw file is not called a JPEG.
        kept = [Path(shutil.copyfile(path, out.with_suffix(path.suffix))) for path in taken.files]
    if as_json:
        print(json.dumps({"camera": found, "files": list(map(str, kept)), **asdict(taken.shot)}, indent=2))
        return
    print(f"{', '.join(map(str, kept))}, from {found}")
    print(
        f"shutter closed {taken.shot.exposed_s or 0:.2f} s after the order, file safe {taken.shot.landed_s or 0:.2f} s"
    )


async def _taken(session: Session) -> Taken:
    taken = await session.shoot()
    if taken.shot.missed is not None:
        raise ShotMissedError(taken.shot.missed)
    if not taken.files:
        raise UserError("this camera keeps its photos on the card; look at them there")
    return taken


def for_focus(camera: Camera) -> Camera:
    """The camera as it is focused: thousands of frames are not to fill its card."""
    return camera.model_copy(update={"keep_on_card": False}) if isinstance(camera, GphotoCamera) else camera


async def _focus(camera: Camera, out: Path, spot: tuple[float, float]) -> None:
    """Shoot, magnify and tell how sharp, until a signal; a missed shot is told and the next one taken."""
    from lapsed.check import picture  # noqa: PLC0415 - image libraries belong to this mode alone

    ended = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, ended.set)
    best = 0.0
    async with opened(camera, app.CAMERA_KINDS[camera.kind]) as session:
        print(f"{await session.ready()}\nwatch {out}, turn the focus ring, and stop with Ctrl-C", flush=True)
        while not ended.is_set():
            try:
                taken = await _taken(session)
            except ShotMissedError as error:
                print(f"missed: {error}", flush=True)
                await asyncio.sleep(1.0)
                continue
            crop = await asyncio.to_thread(picture.magnified, taken.files[0], spot)
            for path in taken.files:
                path.unlink()
            if crop is None:
                raise UserError("the camera's pictures can't be looked at; set it to JPEG")
            await asyncio.to_thread(picture.write, crop, out)
            best = max(best, crop.sharpness)
            _tell_sharpness(crop.sharpness, best)
    print(f"\nbest     {best:.1f}")


def _tell_sharpness(sharpness: float, best: float) -> None:
    bar = "#" * round(40 * sharpness / best) if best else ""
    line = f"sharp    {sharpness:7.1f}  best {best:7.1f}  {bar:40}"
    print(f"\r{line}" if sys.stdout.isatty() else line, end="" if sys.stdout.isatty() else "\n", flush=True)


# -------------------------------------------------------------------------------------------------------- ingest


def _ingest(args: argparse.Namespace) -> int:
    from lapsed.ingest import desk  # noqa: PLC0415 - loads NumPy, which the daemon's own start spares

    report = desk.ingest(
        args.take,
        args.folder,
        args.camera,
        near_s=args.offset,
        missed=args.missed,
        dry=args.dry_run,
        tell=_tell_copied,
    )
    if args.json:
        print(json.dumps(asdict(report), indent=2))
        return 1 if report.left else 0
    ahead = f"{span(abs(report.offset_s))} {'ahead of' if report.offset_s >= 0 else 'behind'}"
    zone = "" if report.zoned else ", time zone included"
    surely = "beyond doubt" if report.margin > 20 else f"{math.exp(report.margin):.0f} to 1"
    print(f"take     {report.take}, camera {report.camera}")
    print(f"clock    the camera's is {ahead} ours{zone}, and runs {report.drift_ppm:+.0f} parts in a million")
    if report.clock_set is not None:
        shot, by_s = report.clock_set
        print(f"         it was set {span(abs(by_s))} {'on' if by_s > 0 else 'back'} before shot {shot}")
    if report.settled_by is not None:
        print(f"         more than one way fits, of which this is the clock's as in take {report.settled_by}")
    print(f"match    {surely} against the next best way to match")
    verb = "would be landed" if args.dry_run else "landed"
    print(f"photos   {report.photos}: {report.landed} {verb}, {report.strays} of no shot")
    if report.already:
        print(f"before   {report.already} shots were landed already")
    if report.unread:
        print(f"unread   {len(report.unread)} hold no photo, or none that tells its time: {', '.join(report.unread)}")
    reasons: dict[str, list[int]] = {}
    for number, why in report.left:
        reasons.setdefault(why, []).append(number)
    for why, numbers in reasons.items():
        what = "shot" if len(numbers) == 1 else f"{len(numbers)} shots"
        print(f"left     {what} {', '.join(map(str, numbers))}: {why}")
    return 1 if report.left else 0


def _tell_copied(done: int, total: int) -> None:
    if sys.stderr.isatty():
        end = "\n" if done == total else ""
        print(f"\rcopying  {done}/{total}", end=end, file=sys.stderr, flush=True)
