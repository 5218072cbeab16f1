"""Stitching: from the frames of a take or a folder to the clips that were asked for, and a report."""

import os
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from types import FrameType

from lapsed.clip import delivery, raw
from lapsed.clip import plan as planning
from lapsed.clip.delivery import Means
from lapsed.clip.editlist import EditList
from lapsed.clip.examine import BY_DEFAULT, Examination, Wishes, examine, unexamined
from lapsed.clip.footage import Footage, LeftOut, Report
from lapsed.clip.partial import only_one
from lapsed.clip.plan import Plan
from lapsed.clip.probe import RAW_SUFFIXES, Flaw, Picture, probe
from lapsed.clip.sift import Sifted, sift
from lapsed.clip.work import Told, Work, paced
from lapsed.errors import UserError
from lapsed.settings import Clip

Said = Callable[[Report], None]


def stitch(
    footage: Footage,
    clips: Sequence[Clip],
    out: Path | None,
    told: Told,
    *,
    wishes: Wishes = BY_DEFAULT,
    said: Said = lambda _report: None,
    processes: int = 1,
) -> Report:
    """Stitch `clips` from `footage` into the folder `out`, or into `clips` in the footage's own folder.

    Beside each clip stands its edit list, and a contact sheet beside all. `told` hears of the progress at each output
    frame, and `said`, before any clip is made, of what was found in the frames and which clips can't be made;
    deliveries are encoded by `processes`. Whatever ends it early, an exception or SIGTERM, leaves no unfinished file.
    A clip that fails keeps no other from being made. Raises UserError where none is.
    """
    target = out if out is not None else footage.folder / "clips"
    sifted = _sifted(footage)
    _make_folder(target)
    with only_one(target), _ended_by_sigterm():
        found = _examined(footage, sifted, wishes, target, told)
        work = Work(
            footage, found.sifted, target, told, means=Means(delivery.cores(), processes), found=found.examination
        )
        plans = work.plan_all(clips)
        said(replace(found.report, not_made=tuple(work.refused)))
        made = work.make_all(plans)
        overview = work.overview()
    broken = (LeftOut(str(footage.folder / name), why) for name, why in work.broken.items())
    return replace(
        found.report,
        clips=made,
        sheet=overview,
        left_out=(*found.report.left_out, *broken),
        remarks=tuple(work.remarks),
        not_made=tuple(work.refused),
    )


def examine_only(footage: Footage, out: Path | None, told: Told, *, wishes: Wishes = BY_DEFAULT) -> Report:
    """Look the frames over as `stitch` does, and make no clip: what would be left out, evened and moved.

    Raises UserError.
    """
    target = out if out is not None else footage.folder / "clips"
    sifted = _sifted(footage)
    _make_folder(target)
    with only_one(target), _ended_by_sigterm():
        return _examined(footage, sifted, wishes, target, told).report


@dataclass(frozen=True, slots=True)
class _Found:
    """What is known before any clip is made."""

    report: Report
    sifted: Sifted
    examination: Examination | None


def _sifted(footage: Footage) -> Sifted:
    with ThreadPoolExecutor(4) as pool:  # headers are few bytes far apart: the wait is the disk's
        paths = [frame.path for frame in footage.frames]
        # Not all at once: what waits in the pool takes ten times as much memory as what comes of it.
        looks = [look for at in range(0, len(paths), 1000) for look in pool.map(_look, paths[at : at + 1000])]
    sifted = sift(looks)
    if not sifted.kept:
        first = f"; {sifted.left_out[0].frame} {sifted.left_out[0].reason}" if sifted.left_out else ""
        raise UserError(f"no usable frame in {footage.folder}{first}")
    return sifted


def _examined(footage: Footage, sifted: Sifted, wishes: Wishes, target: Path, told: Told) -> _Found:
    report = Report(footage.title, len(footage.frames), (), None, sifted.left_out, sifted.remarks)
    if not wishes.rules.on:
        rest = unexamined(footage, sifted, wishes.drop, target)
        return _Found(replace(report, left_out=rest.left_out), rest, None)
    pace = paced("judging", len(sifted.kept), told)
    examination = examine(footage, sifted, wishes, target, pace, workers=min(delivery.cores(), 4))
    left_out = (*sifted.left_out, *examination.left_out(footage))
    examined = examination.write(footage, target, sifted.left_out)
    report = replace(report, left_out=left_out, proposed=examination.proposed(footage), examined=examined)
    return _Found(report, sifted, examination)


def stitch_again(footage: Footage, edit: EditList, out: Path | None, told: Told, *, processes: int = 1) -> Report:
    """Stitch the one clip that a saved edit list says, from frames below the footage's folder; there is no sheet.

    Raises UserError where a frame is missing or not what it was.
    """
    target = out if out is not None else footage.folder / "clips"
    sifted = _same_frames(footage.folder, edit)
    _make_folder(target)
    with only_one(target), _ended_by_sigterm():
        work = Work(footage, sifted, target, told, means=Means(delivery.cores(), processes), found=None)
        made = work.carry_out(Plan(edit, planning.account(edit, len(footage.frames)), ()))
    left_out = tuple(LeftOut(str(footage.folder / name), why) for name, why in work.broken.items())
    return Report(footage.title, len(footage.frames), (made,), None, left_out, tuple(work.remarks))


def _same_frames(folder: Path, edit: EditList) -> Sifted:
    pictures = []
    for name in edit.used:
        look = probe(folder / name)
        if isinstance(look, Flaw):
            raise UserError(f"the edit list of {edit.clip} shows {look.path}, which {look.reason}")
        if (look.width, look.height) != edit.stored:
            raise UserError(
                f"the edit list of {edit.clip} is for frames of {edit.stored[0]}x{edit.stored[1]}, and {look.path} is "
                f"{look.width}x{look.height}"
            )
        if edit.codec == "master" and look.kind != "jpeg":
            raise UserError(f"a master carries JPEGs, and {look.path} is a PNG; change the codec in the edit list")
        pictures.append(look)
    return Sifted(tuple(pictures), (), edit.orientation, ())


def _look(path: Path) -> Picture | Flaw:
    return raw.look(path) if path.suffix.lower() in RAW_SUFFIXES else probe(path)


def _make_folder(target: Path) -> None:
    try:
        target.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UserError(f"cannot make {target}: {error.strerror}; name another folder with --out") from error
    if not os.access(target, os.W_OK | os.X_OK):
        raise UserError(f"{target} can't be written to; name another folder with --out")


@contextmanager
def _ended_by_sigterm() -> Iterator[None]:
    """Let SIGTERM unwind the stack as Ctrl-C does, so that unfinished files are removed."""
    if threading.current_thread() is not threading.main_thread():
        yield  # only the main thread may set handlers; elsewhere the caller decides
        return

    def end(_number: int, _frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, end)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)
