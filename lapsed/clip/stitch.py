"""Stitching: from the frames of a take or a folder to the clips that were asked for, and a report."""

import os
import shutil
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from types import FrameType

from lapsed import clock
from lapsed.clip import delivery, master, raw, sheet
from lapsed.clip import plan as planning
from lapsed.clip.codec import CODECS
from lapsed.clip.delivery import Means
from lapsed.clip.editlist import EditList
from lapsed.clip.examine import BY_DEFAULT, Examination, Wishes, examine
from lapsed.clip.exchange import keep
from lapsed.clip.footage import Footage, Frame, LeftOut, Made, Progress, Report
from lapsed.clip.labels import Tags
from lapsed.clip.orient import turned
from lapsed.clip.partial import only_one
from lapsed.clip.plan import Plan
from lapsed.clip.players import advice, exceeded
from lapsed.clip.probe import RAW_SUFFIXES, Flaw, Picture, probe
from lapsed.clip.sift import Sifted, sift
from lapsed.errors import UserError
from lapsed.settings import Clip

Told = Callable[[Progress], None]
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
    frame, and `said` of what was found in the frames before any clip is made; deliveries are encoded by `processes`.
    Whatever ends it early, an exception or SIGTERM, leaves no unfinished file. Raises UserError.
    """
    target = out if out is not None else footage.folder / "clips"
    sifted = _sifted(footage)
    _make_folder(target)
    with only_one(target), _ended_by_sigterm():
        found = _examined(footage, sifted, wishes, target, told)
        said(found.report)
        work = _Work(footage, sifted, target, told, means=Means(delivery.cores(), processes), found=found.examination)
        made = [work.make(clip) for clip in clips if work.can_make(clip)]
        overview = work.overview()
    broken = (LeftOut(str(footage.folder / name), why) for name, why in work.broken.items())
    return replace(
        found.report,
        clips=tuple(made),
        sheet=overview,
        left_out=(*found.report.left_out, *broken),
        remarks=tuple(work.remarks),
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
    examination: Examination | None


def _sifted(footage: Footage) -> Sifted:
    with ThreadPoolExecutor(4) as pool:  # headers are few bytes far apart: the wait is the disk's
        looks = list(pool.map(_look, [frame.path for frame in footage.frames]))
    sifted = sift(looks)
    if not sifted.kept:
        first = f"; {sifted.left_out[0].frame} {sifted.left_out[0].reason}" if sifted.left_out else ""
        raise UserError(f"no usable frame in {footage.folder}{first}")
    return sifted


def _examined(footage: Footage, sifted: Sifted, wishes: Wishes, target: Path, told: Told) -> _Found:
    report = Report(footage.title, len(footage.frames), (), None, sifted.left_out, sifted.remarks)
    if not wishes.rules.on:
        return _Found(report, None)
    pace = _pace("judging", len(sifted.kept), told)
    examination = examine(footage, sifted, wishes, target, pace, workers=min(delivery.cores(), 4))
    left_out = (*sifted.left_out, *examination.left_out(footage))
    examined = examination.write(footage, target)
    report = replace(report, left_out=left_out, proposed=examination.proposed(footage), examined=examined)
    return _Found(report, examination)


def stitch_again(footage: Footage, edit: EditList, out: Path | None, told: Told, *, processes: int = 1) -> Report:
    """Stitch the one clip that a saved edit list says, from frames below the footage's folder; there is no sheet.

    Raises UserError where a frame is missing or not what it was.
    """
    target = out if out is not None else footage.folder / "clips"
    sifted = _same_frames(footage.folder, edit)
    _make_folder(target)
    with only_one(target), _ended_by_sigterm():
        work = _Work(footage, sifted, target, told, means=Means(delivery.cores(), processes), found=None)
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


class _Work:
    """What the clips of one footage have in common, and what is found out while they are made."""

    def __init__(
        self,
        footage: Footage,
        sifted: Sifted,
        target: Path,
        told: Told,
        *,
        means: Means,
        found: Examination | None,
    ) -> None:
        self._footage = footage
        self._sifted = sifted
        self._target = target
        self._told = told
        self._means = means
        self._upright = turned(sifted.stored, sifted.orientation)
        by_path = {frame.path: frame for frame in footage.frames}
        self._found = found
        kept = sifted.kept if found is None else [sifted.kept[index] for index in found.kept]
        self._stock = planning.Stock(
            frames={
                os.path.relpath(each.path, footage.folder): by_path.get(each.path, Frame(each.path)) for each in kept
            },
            stored=sifted.stored,
            upright=self._upright,
            orientation=sifted.orientation,
            figures=None if found is None else found.figures,
        )
        self.broken: dict[str, str] = {}
        self.remarks = list(sifted.remarks)

    def can_make(self, clip: Clip) -> bool:
        """Whether the frames serve for `clip`; if not, a remark says why."""
        why = ""
        codec = CODECS.get(clip.codec)
        if codec is None and self._sifted.kept[0].kind != "jpeg":
            kind = {"png": "PNGs", "raw": "raw files"}[self._sifted.kept[0].kind]
            why = f"a master carries JPEGs, and these frames are {kind}"
        elif codec is not None:
            width, height = planning.form_of(clip, self._upright, self._stock_of(clip).inner).size
            if width < codec.least[0] or height < codec.least[1]:
                why = f"{codec.title} takes no less than {codec.least[0]}x{codec.least[1]}, and it is {width}x{height}"
        if why:
            self.remarks.append(f"{clip.name} was not made: {why}")
        return not why

    def make(self, clip: Clip) -> Made:
        """Stitch one clip, its edit list beside it."""
        return self.carry_out(planning.plan(clip, self._stock_of(clip)))

    def carry_out(self, planned: Plan) -> Made:
        """Stitch what was planned."""
        folder, plan = self._footage.folder, planned.edit
        codec = CODECS.get(plan.codec)
        path = self._target / f"{plan.clip}{codec.suffix if codec else '.mov'}"
        _check_room(plan, folder, path)
        self.remarks += keep(plan, folder, self._target)
        pace = _pace(plan.clip, plan.frames, self._told)
        tags = self._tags(plan)
        spent = None
        if codec is None:
            master.write(plan, folder, path, tags, pace)
        else:
            spent = delivery.room_for(plan, self._means)
            broken = delivery.write(plan, folder, path, tags, pace, means=self._means)
            self.broken.update((bad.frame, bad.reason) for bad in broken)
        width, height = self._upright if codec is None else plan.size
        remarks = (*planned.remarks, *_playing(plan, path))
        track = codec.track if codec else "mjpeg"
        return Made(plan.clip, path, width, height, plan.frames, plan.rate, track, remarks, planned.account, spent)

    def _tags(self, plan: EditList) -> Tags:
        rate = f"{float(plan.rate):.5g} frames a second"
        return Tags(self._footage.title, self._footage.frames[0].taken_at, f"{len(plan.used)} frames, {rate}")

    def _stock_of(self, clip: Clip) -> planning.Stock:
        """The frames with what corrects them for `clip`."""
        if self._found is None:
            return self._stock
        return replace(self._stock, corrections=self._found.corrections(clip), inner=self._found.inner(clip))

    def overview(self) -> Path:
        """Write the contact sheet of the kept frames."""
        path = self._target / "sheet.jpg"
        cells = [sheet.Captioned(frame.path, _caption(frame)) for frame in self._stock.frames.values()]
        sheet.write(cells, self._sifted.stored, self._sifted.orientation, path)
        return path


def _playing(plan: EditList, path: Path) -> Iterator[str]:
    """What players may make of a clip."""
    codec = CODECS.get(plan.codec)
    if codec is None:
        return
    told = advice(plan.codec, plan.size, plan.rate, plan.preset)
    if told is not None:
        yield f"{plan.clip} is {told}"
    level = codec.level(plan.size, plan.rate, plan.preset) if codec.level else None
    if level is not None:
        # Encoders need a second to come down to the rate they will have.
        told = exceeded(level, 8 * path.stat().st_size, max(plan.seconds, Fraction(1)))
        if told is not None:
            yield f"{plan.clip} {told}"


def _caption(frame: Frame) -> str:
    words = [
        f"shot {frame.shot}" if frame.shot is not None else "",
        f"layer {frame.layer}" if frame.layer is not None else "",
        f"{frame.height_mm:.2f} mm" if frame.height_mm is not None else "",
    ]
    return "   ".join(filter(None, words)) or frame.path.name


def _look(path: Path) -> Picture | Flaw:
    return raw.look(path) if path.suffix.lower() in RAW_SUFFIXES else probe(path)


def _make_folder(target: Path) -> None:
    try:
        target.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UserError(f"cannot make {target}: {error.strerror}; name another folder with --out") from error
    if not os.access(target, os.W_OK | os.X_OK):
        raise UserError(f"{target} can't be written to; name another folder with --out")


def _check_room(plan: EditList, folder: Path, path: Path) -> None:
    if plan.codec == "master":
        need = sum(master.track_of(plan, folder).sizes)
    else:
        codec = CODECS[plan.codec]
        # At quality 18; twice that for every 6 steps less is on the safe side of what encoders make of noisy frames.
        bits = codec.bits_a_pixel * (2 ** ((18 - plan.quality) / 6) if codec.by_quality else 1)
        shown = len(plan.pieces) if codec.by_quality else plan.frames
        # Segments stand beside the clip until they are joined.
        need = int(plan.size[0] * plan.size[1] * shown * bits / 8) * (2 if codec.joins else 1)
    free = shutil.disk_usage(path.parent).free
    if need > free:
        raise UserError(
            f"{path.name} needs some {need / 1e6:.0f} MB and {path.parent} has {free / 1e6:.0f} MB free; "
            "make room or name another folder with --out"
        )


def _pace(name: str, total: int, told: Told) -> Callable[[int], None]:
    """What turns a count of output frames into progress; what an earlier try had done counts for no speed."""
    start = clock.monotonic()
    before: int | None = None

    def tell(done: int) -> None:
        nonlocal before
        before = done - 1 if before is None else before
        spent = clock.monotonic() - start
        fps = (done - before) / spent if spent > 0 else 0.0
        told(Progress(name, done, total, fps, (total - done) / fps if fps else None))

    return tell


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
