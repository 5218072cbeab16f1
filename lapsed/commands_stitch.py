"""The command that stitches."""

import argparse
import json
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from lapsed import clip_options, configuration, settings
from lapsed.clip import exchange, quiet, stitch
from lapsed.clip.examine import Wishes
from lapsed.clip.footage import Footage, Frame, Progress, Report, footage_of_folder
from lapsed.errors import UserError
from lapsed.take import reader


def run(args: argparse.Namespace) -> int:
    """Stitch as asked; 1 if a clip that was asked for, or the contact sheet, could not be made."""
    if args.idle:
        quiet.lower()
    footage = footage_of(args)
    changes = clip_options.given(args)
    told = _silent if args.quiet else bar
    if args.edit_list is not None:
        if changes or args.clip or args.keep or args.drop:
            raise UserError("an edit list says all of its clip: leave out --clip and what changes clips, or change it")
        asked = 1
        report = stitch.stitch_again(footage, exchange.read(args.edit_list), args.out, told, processes=args.workers)
    else:
        configured = _configured(args)
        clips = _clips(args, footage, configured, changes)
        asked = len(clips)
        said = _nothing if args.quiet else _announce
        wishes = _wishes(args, configured)
        report = stitch.stitch(footage, clips, args.out, told, wishes=wishes, said=said, processes=args.workers)
    if args.json:
        print(json.dumps(report.as_json(), indent=2))
    elif not args.quiet:
        _tell(report)
    if args.quiet:
        # Whoever wants no progress still wants to know what is missing, as the daemon's log does.
        for line in _not_made(report):
            print(line, file=sys.stderr)
    whole = len(report.clips) == asked and (report.sheet is not None or args.edit_list is not None)
    return 0 if whole else 1


def judge(args: argparse.Namespace) -> int:
    """Look the frames over and tell what stitching would do with them, without making a clip."""
    footage = footage_of(args)
    told = _silent if args.quiet else bar
    report = stitch.examine_only(footage, args.out, told, wishes=_wishes(args, _configured(args)))
    if args.json:
        print(json.dumps(report.as_json(), indent=2))
    else:
        for line in (*_found(report), *_sentences(report)):
            print(line)
    return 0


def footage_of(args: argparse.Namespace) -> Footage:
    """The frames of the take or the folder that is asked for. Raises UserError."""
    if (args.path / "take.db").is_file():
        return footage_of_take(args.path, args.camera)
    take = next(args.path.glob("*/take.db"), None) if args.path.is_dir() else None
    if take is not None:
        raise UserError(f"{args.path} holds takes; name one of them, such as {take.parent}")
    if args.camera is not None:
        raise UserError(f"{args.path} is no take, and a folder of pictures has no cameras: leave --camera out")
    return footage_of_folder(args.path)


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


def _configured(args: argparse.Namespace) -> settings.Settings | None:
    """The configuration, if there is one."""
    if args.config is None and not any(place.is_file() for place in configuration.usual_places()):
        return None
    return configuration.load(configuration.locate(args.config))


def _wishes(args: argparse.Namespace, whole: settings.Settings | None) -> Wishes:
    both = sorted(args.keep & args.drop)
    if both:
        raise UserError(f"frame {both[0]} can't be both kept and dropped")
    return Wishes(settings.Judge() if whole is None else whole.judge, args.keep, args.drop)


def _clips(
    args: argparse.Namespace, footage: Footage, whole: settings.Settings | None, changes: Mapping[str, Any]
) -> list[settings.Clip]:
    """The clips of the configuration, if there is one, as the options change them."""
    known: tuple[settings.Clip, ...] = settings.DEFAULT_CLIPS
    if whole is not None:
        known = whole.clips_of(_printer(footage.folder, whole))
    # Nobody asked for a master who left the clips as they are, and only JPEGs have one.
    usual = known == settings.DEFAULT_CLIPS and not any(map(_is_jpeg, footage.frames))
    names = tuple(dict.fromkeys(args.clip or (clip.name for clip in known if not (usual and clip.codec == "master"))))
    by_name = {clip.name: clip for clip in known}
    for name in names:
        if name not in by_name:
            raise UserError(f"there is no clip {name!r}; there are {', '.join(by_name)}")
    return [clip_options.changed(by_name[name], changes) for name in names]


def _is_jpeg(frame: Frame) -> bool:
    return frame.path.suffix.lower() in {".jpg", ".jpeg"}


def _printer(folder: Path, whole: settings.Settings) -> settings.Printer | None:
    if not (folder / "take.db").is_file():
        return None
    name = reader.read_take(folder).meta.get("printer")
    return next((printer for printer in whole.printer if printer.name == name), None)


def _tell(report: Report) -> None:
    for clip in report.clips:
        print(
            f"{clip.name:8} {clip.width}x{clip.height}, {clip.frames} frames at {float(clip.rate):g} a second, "
            f"{clip.seconds:.1f} s, {clip.codec}: {clip.path}"
        )
        if clip.account is not None:
            print(f"         {clip.account.as_text()}")
    if report.sheet is not None:
        print(f"sheet    {report.sheet}")
    for line in (*_found(report), *_not_made(report)):
        print(line)
    for remark in (*report.remarks, *(remark for clip in report.clips for remark in clip.remarks)):
        print(f"note     {remark}")


def _found(report: Report) -> Iterator[str]:
    """What is left out, and what else sticks out."""
    for left in report.left_out:
        yield f"left out {left.frame}: {left.reason}"
    for each in report.proposed:
        yield f"proposed {each.frame}: {each.reason}; --drop {each.number} leaves it out"


def _sentences(report: Report) -> Iterator[str]:
    """What evening and steadying do, and cost."""
    for sentence in report.examined.as_text() if report.examined is not None else ():
        yield f"found    {sentence}"


def _not_made(report: Report) -> Iterator[str]:
    for each in report.not_made:
        yield f"not made {each.clip}: {each.reason}"


def _announce(report: Report) -> None:
    """Say on stderr what steadying costs, and what can't be made, before any clip is: there is time to stop."""
    for line in (*_sentences(report), *_not_made(report)):
        print(line, file=sys.stderr)


def _nothing(_report: Report) -> None:
    """Nothing is said."""


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
