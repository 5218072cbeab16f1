"""The work on the clips of one footage: each planned, checked against what there is, encoded and reported."""

import os
import shutil
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

from lapsed import clock
from lapsed.clip import delivery, master, sheet
from lapsed.clip import plan as planning
from lapsed.clip.codec import CODECS
from lapsed.clip.delivery import Means
from lapsed.clip.editlist import EditList
from lapsed.clip.examine import Examination
from lapsed.clip.exchange import keep
from lapsed.clip.footage import Footage, Frame, Made, Progress, Refused
from lapsed.clip.labels import Tags
from lapsed.clip.orient import Rect, turned
from lapsed.clip.plan import Plan
from lapsed.clip.players import advice, exceeded
from lapsed.clip.sift import Sifted
from lapsed.errors import UserError
from lapsed.settings import Clip

Told = Callable[[Progress], None]


class Work:
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
        self.refused: list[Refused] = []

    def plan_all(self, clips: Sequence[Clip]) -> tuple[Plan, ...]:
        """Plan what can be stitched of `clips`, before the first is; `refused` says why others can't be.

        Raises UserError where none can.
        """
        plans: list[Plan] = []
        before = 0  # bytes that the clips planned so far will have taken by the time of the next
        for clip in clips:
            try:
                self._ensure_serves(clip)
                planned = planning.plan(clip, self._stock_of(clip))
                before += self._ensure_room(planned.edit, before)
                plans.append(planned)
            except UserError as error:
                self.refused.append(Refused(clip.name, str(error)))
        if self.refused and not plans:
            first, *others = self.refused
            rest = f"; nor can {', '.join(each.clip for each in others)}" if others else ""
            raise UserError(f"{first.clip} can't be made: {first.reason}{rest}")
        return tuple(plans)

    def _ensure_serves(self, clip: Clip) -> None:
        """Raise UserError where frames of this kind and size don't serve for `clip`."""
        codec = CODECS.get(clip.codec)
        if codec is None:
            if self._sifted.kept[0].kind != "jpeg":
                kind = {"png": "PNGs", "raw": "raw files"}[self._sifted.kept[0].kind]
                raise UserError(f"a master carries JPEGs, and these frames are {kind}")
            return
        width, height = planning.form_of(clip, self._upright, self._inner_of(clip)).size
        if width < codec.least[0] or height < codec.least[1]:
            raise UserError(
                f"{codec.title} takes no less than {codec.least[0]}x{codec.least[1]}, and it is {width}x{height}"
            )

    def _ensure_room(self, plan: EditList, before: int) -> int:
        path = self._path_of(plan)
        need = _ensure_room(plan, self._footage.folder, path, before)
        if plan.codec in CODECS:
            delivery.ensure_memory(plan, self._means)
        return need - (path.stat().st_size if path.exists() else 0)

    def make_all(self, plans: Sequence[Plan]) -> tuple[Made, ...]:
        """Stitch what was planned; `refused` says why one was not made after all. Raises UserError where all fail."""
        made: list[Made] = []
        failed: UserError | None = None
        for planned in plans:
            try:
                made.append(self.carry_out(planned))
            except UserError as error:
                failed = failed or error
                self.refused.append(Refused(planned.edit.clip, str(error)))
        if failed is not None and not made:
            raise failed
        return tuple(made)

    def _path_of(self, plan: EditList) -> Path:
        codec = CODECS.get(plan.codec)
        return self._target / f"{plan.clip}{codec.suffix if codec else '.mov'}"

    def carry_out(self, planned: Plan) -> Made:
        """Stitch what was planned."""
        folder, plan = self._footage.folder, planned.edit
        codec = CODECS.get(plan.codec)
        path = self._path_of(plan)
        _ensure_room(plan, folder, path)
        self.remarks += keep(plan, folder, self._target)
        pace = paced(plan.clip, plan.frames, self._told)
        tags = self._tags(plan)
        spent = None
        if codec is None:
            master.write(plan, folder, path, tags, pace)
        else:
            spent = delivery.room_for(plan, self._means)
            broken = delivery.write(plan, folder, path, tags, pace, means=self._means)
            self.broken.update((bad.frame, bad.reason) for bad in broken)
        width, height = self._upright if codec is None else plan.size
        remarks = (*planned.remarks, *_playing(plan, path), *(self._place(plan) if codec is None else ()))
        track = codec.track if codec else "mjpeg"
        return Made(plan.clip, path, width, height, plan.frames, plan.rate, track, remarks, planned.account, spent)

    def _place(self, plan: EditList) -> Iterator[str]:
        """That a master tells where it was shot, as its frames do."""
        located = sum(picture.located for picture in self._sifted.kept)
        if located:
            yield (
                f"{plan.clip} tells the place where {located} of the frames were shot, as the camera wrote it into "
                "them: turn that off in the camera, or don't hand the master on"
            )

    def _tags(self, plan: EditList) -> Tags:
        rate = f"{float(plan.rate):.5g} frames a second"
        return Tags(self._footage.title, self._footage.frames[0].taken_at, f"{len(plan.used)} frames, {rate}")

    def _stock_of(self, clip: Clip) -> planning.Stock:
        """The frames with what corrects them for `clip`."""
        if self._found is None:
            return self._stock
        return replace(self._stock, corrections=self._found.corrections(clip), inner=self._inner_of(clip))

    def _inner_of(self, clip: Clip) -> Rect | None:
        return None if self._found is None else self._found.inner(clip)

    def overview(self) -> Path | None:
        """Write the contact sheet of the kept frames; a remark says why where that fails."""
        path = self._target / "sheet.jpg"
        cells = [sheet.Captioned(frame.path, _caption(frame)) for frame in self._stock.frames.values()]
        try:
            sheet.write(cells, self._sifted.stored, self._sifted.orientation, path)
        except UserError as error:
            self.remarks.append(f"there is no contact sheet: {error}")
            return None
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
        told = exceeded(plan.codec, level, 8 * path.stat().st_size, max(plan.seconds, Fraction(1)))
        if told is not None:
            yield f"{plan.clip} {told}"


def _caption(frame: Frame) -> str:
    words = [
        f"shot {frame.shot}" if frame.shot is not None else "",
        f"layer {frame.layer}" if frame.layer is not None else "",
        f"{frame.height_mm:.2f} mm" if frame.height_mm is not None else "",
    ]
    return "   ".join(filter(None, words)) or frame.path.name


def _ensure_room(plan: EditList, folder: Path, path: Path, before: int = 0) -> int:
    """The bytes that the clip will have. Raises UserError where the disk hasn't what making it takes after `before`."""
    while_made = 1
    if plan.codec == "master":
        size = sum(master.track_of(plan, folder).sizes)
    else:
        codec = CODECS[plan.codec]
        # At quality 18; twice that for every 6 steps less is on the safe side of what encoders make of noisy frames.
        bits = codec.bits_a_pixel * (2 ** ((18 - plan.quality) / 6) if codec.by_quality else 1)
        shown = len(plan.pieces) if codec.by_quality else plan.frames
        size = int(plan.size[0] * plan.size[1] * shown * bits / 8)
        while_made = 2 if codec.joins else 1  # segments stand beside the clip until they are joined
    need, free = size * while_made, shutil.disk_usage(path.parent).free
    if need + before > free:
        beside = f" beside the {before / 1e6:.0f} MB of other clips" if before > 0 else ""
        raise UserError(
            f"{path.name} needs some {need / 1e6:.0f} MB{beside} and {path.parent} has {free / 1e6:.0f} MB free; "
            "make room or name another folder with --out"
        )
    return size


def paced(name: str, total: int, told: Told) -> Callable[[int], None]:
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
