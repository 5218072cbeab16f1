"""The command that stitches."""

import argparse
import json
import sys
from pathlib import Path

from pydantic import ValidationError

from lapsed import configuration, settings
from lapsed.clip import quiet, stitch
from lapsed.clip.footage import Footage, Frame, Progress, Report, footage_of_folder
from lapsed.errors import UserError
from lapsed.take import reader


def run(args: argparse.Namespace) -> int:
    """Stitch as asked; 1 if a clip that was asked for could not be made."""
    if args.idle:
        quiet.lower()
    is_take = (args.path / "take.db").is_file()
    footage = footage_of_take(args.path, args.camera) if is_take else footage_of_folder(args.path)
    clips = _clips(args, footage)
    report = stitch.stitch(footage, clips, args.out, _silent if args.quiet else bar, processes=args.workers)
    if args.json:
        print(json.dumps(report.as_json(), indent=2))
    elif not args.quiet:
        _tell(report)
    return 0 if len(report.clips) == len(clips) else 1


def footage_of_take(take: Path, camera: str | None = None) -> Footage:
    """The frames of a take's main camera, or of `camera`. Raises UserError."""
    view = reader.read_take(take)
    camera = camera or (view.cameras[0] if view.cameras else "")
    if camera not in view.cameras:
        raise UserError(f"{take} has no camera {camera!r}; it has {', '.join(view.cameras) or 'none'}")
    frames = tuple(
        Frame(frame.path, frame.shot, frame.layer, frame.height_mm, frame.utc) for frame in view.frames(camera)
    )
    if not frames and any(shot.outcome == "on card" for shot in view.shots if shot.camera == camera):
        raise UserError(
            f"the frames of camera {camera!r} in {take} are still on its card: ingest them with"
            f" lapsed ingest {take} FOLDER"
        )
    if not frames:
        raise UserError(f"{take} has no frame of camera {camera!r}, so there is nothing to stitch")
    return Footage(view.print.name, take, frames, camera)


def _clips(args: argparse.Namespace, footage: Footage) -> list[settings.Clip]:
    """The clips of the configuration, if there is one, as the options change them."""
    known: tuple[settings.Clip, ...] = settings.DEFAULT_CLIPS
    if args.config is not None or any(place.is_file() for place in configuration.usual_places()):
        whole = configuration.load(configuration.locate(args.config))
        known = whole.clips_of(_printer(footage.folder, whole))
    names = args.clip or [clip.name for clip in known]
    by_name = {clip.name: clip for clip in known}
    for name in names:
        if name not in by_name:
            raise UserError(f"there is no clip {name!r}; there are {', '.join(by_name)}")
    return [_changed(by_name[name], args) for name in names]


def _printer(folder: Path, whole: settings.Settings) -> settings.Printer | None:
    if not (folder / "take.db").is_file():
        return None
    name = reader.read_take(folder).meta.get("printer")
    return next((printer for printer in whole.printer if printer.name == name), None)


def _changed(clip: settings.Clip, args: argparse.Namespace) -> settings.Clip:
    changes = {"rate": args.rate, "length_s": args.length}
    if clip.codec != "master":
        changes |= {"size_px": args.size, "codec": args.codec}
    given = {name: value for name, value in changes.items() if value is not None}
    try:
        return settings.Clip.model_validate({**clip.model_dump(), **given})
    except ValidationError as error:
        raise UserError(f"clip {clip.name!r}: {error.errors()[0]['msg']}") from error


def _tell(report: Report) -> None:
    for clip in report.clips:
        print(
            f"{clip.name:8} {clip.width}x{clip.height}, {clip.frames} frames at {float(clip.rate):g} a second, "
            f"{clip.seconds:.1f} s, {clip.codec}: {clip.path}"
        )
    print(f"sheet    {report.sheet}")
    for left in report.left_out:
        print(f"left out {left.frame}: {left.reason}")
    for remark in (*report.remarks, *(remark for clip in report.clips for remark in clip.remarks)):
        print(f"note     {remark}")


def bar(progress: Progress) -> None:
    """Show on a terminal's last line how far a clip is."""
    if not sys.stderr.isatty():
        return
    done = round(24 * progress.done / progress.total)
    left = "" if progress.left_s is None else f", {progress.left_s:.0f} s left"
    count = f"{progress.done}/{progress.total}, {progress.fps:.1f}/s{left}"
    line = f"{progress.clip:8} [{'#' * done}{'.' * (24 - done)}] {count}"
    end = "\n" if progress.done == progress.total else ""
    print(f"\r{line}\x1b[K", end=end, file=sys.stderr, flush=True)


def _silent(_progress: Progress) -> None:
    """No progress."""
