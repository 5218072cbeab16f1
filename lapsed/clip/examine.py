"""Examining footage before it is stitched: frames judged, and what is left out, evened and moved decided from that."""

import os
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path

import numpy as np

from lapsed.clip import chart, judged, verdict
from lapsed.clip.editlist import Correction
from lapsed.clip.even import Course, Evened, even
from lapsed.clip.footage import Examined, Footage, LeftOut, Proposed
from lapsed.clip.judge import Job, judge
from lapsed.clip.judged import Header, Judged
from lapsed.clip.orient import Rect, turned
from lapsed.clip.partial import whole_or_nothing
from lapsed.clip.sift import Sifted
from lapsed.clip.steady import Steadied, steady
from lapsed.errors import UserError
from lapsed.settings import Clip, Judge

TABLE = "judged.csv"


@dataclass(frozen=True, slots=True)
class Wishes:
    """How to judge, and the numbers of frames to keep or drop whatever judging says.

    A frame's number is its shot's, or its place in the folder, counted from 1.
    """

    rules: Judge = field(default_factory=Judge)
    keep: frozenset[int] = frozenset()
    drop: frozenset[int] = frozenset()


@dataclass(frozen=True)
class Examination:
    """What was found in the frames `names`, and what follows from it for those at the indices `kept`."""

    names: tuple[str, ...]
    judged: tuple[Judged, ...]
    ruling: verdict.Ruling
    kept: tuple[int, ...]
    evened: tuple[Evened, ...]
    course: Course
    steadied: Steadied
    upright: tuple[int, int]

    @cached_property
    def coloured(self) -> tuple[Evened, ...]:
        """The kept frames evened by channel, which few clips ask for and takes twice as long as by their light."""
        return even([self.judged[index].light for index in self.kept], replace(self.course, colour=True))

    def corrections(self, clip: Clip) -> Mapping[str, Correction]:
        """What corrects the kept frames for `clip`, by name; a master has the camera's own."""
        if clip.codec == "master":
            return {}
        lit = self.coloured if clip.even == "colour" else self.evened
        made: dict[str, Correction] = {}
        for index, evened, shift in zip(self.kept, lit, self.steadied.shifts_px, strict=True):
            correction = Correction()
            made[self.names[index]] = Correction(
                evened.gain if clip.even else correction.gain, shift if clip.steady else correction.shift_px
            )
        return made

    def inner(self, clip: Clip) -> Rect:
        """The part of the picture that `clip` can show of every frame."""
        return self.steadied.inner if clip.steady and clip.codec != "master" else Rect(0, 0, *self.upright)

    @property
    def figures(self) -> Mapping[str, float]:
        """How sharp each kept frame is, by name, beside the others."""
        lights = ((self.names[index], self.judged[index].light) for index in self.kept)
        return {name: light.sharpness for name, light in lights if light is not None}

    def proposed(self, footage: Footage) -> tuple[Proposed, ...]:
        """What a person may want to leave out."""
        numbers = numbers_of(footage)
        paths = {each.index: footage.folder / self.names[each.index] for each in self.ruling.proposed}
        return tuple(
            Proposed(numbers[paths[each.index]], str(paths[each.index]), each.fault, each.reason)
            for each in self.ruling.proposed
        )

    def left_out(self, footage: Footage) -> tuple[LeftOut, ...]:
        """What is in no clip."""
        return tuple(
            LeftOut(str(footage.folder / self.names[each.index]), each.reason) for each in self.ruling.left_out
        )

    def write(self, footage: Footage, target: Path, unfit: Sequence[LeftOut] = ()) -> Examined:
        """Write the table and the chart of all frames into `target`, and sum them up. Raises UserError.

        `unfit` were sorted out by their headers, before judging.
        """
        numbers = numbers_of(footage)
        rows = sorted(
            (*self._rows(numbers, footage.folder), *_unfit(unfit, numbers, footage)), key=lambda row: row.number
        )
        table, picture = target / TABLE, target / "judged.svg"
        _write(table, chart.table(rows))
        _write(picture, chart.svg(rows, footage.title))
        lit = [each for each in self.evened if each.light_ev is not None and each.trend_ev is not None]
        off = np.array([(each.light_ev or 0.0) - (each.trend_ev or 0.0) for each in lit] or [0.0])
        return Examined(
            flicker=round(float(np.sqrt(np.mean((2.0**off - 1) ** 2))), 5),
            most_ev=round(float(np.max(np.abs(off))), 3),
            limited=sum(each.limited for each in self.evened),
            moved_px=round(self.steadied.most_px, 2),
            size=self.upright,
            inner=self.steadied.inner,
            beyond=len(self.steadied.beyond),
            frames=len(self.kept),
            unplaced=self.steadied.unknown,
            table=table,
            chart=picture,
        )

    def _rows(self, numbers: Mapping[Path, int], folder: Path) -> Iterator[chart.Row]:
        said = {each.index: f"left out: {each.reason}" for each in self.ruling.left_out}
        said |= {each.index: f"proposed: {each.reason}" for each in self.ruling.proposed}
        said |= {each.index: f"kept on request: {each.reason}" for each in self.ruling.kept}
        fault = {each.index: each.fault for each in (*self.ruling.left_out, *self.ruling.proposed, *self.ruling.kept)}
        place = {index: at for at, index in enumerate(self.kept)}
        for index, (name, entry) in enumerate(zip(self.names, self.judged, strict=True)):
            at = place.get(index)
            lit = Evened() if at is None else self.evened[at]
            back = (0.0, 0.0) if at is None else self.steadied.shifts_px[at]
            light, stands = entry.light, entry.shift_px
            yield chart.Row(
                numbers[folder / name],
                name,
                at is not None,
                lit.light_ev,
                lit.trend_ev,
                *lit.gain,
                limited=lit.limited,
                shift_x_px=None if stands is None else stands[0],
                shift_y_px=None if stands is None else stands[1],
                moved_x_px=0.0 - back[0],
                moved_y_px=0.0 - back[1],
                clipped=None if light is None else light.clipped,
                sharpness=None if light is None else light.sharpness,
                fault=fault.get(index, ""),
                said=said.get(index, ""),
            )


BY_DEFAULT = Wishes()
"""What is done where nobody wishes for anything."""


def examine(
    footage: Footage, sifted: Sifted, wishes: Wishes, target: Path, told: Callable[[int], None], *, workers: int
) -> Examination:
    """Judge the frames of `sifted`, as far as an earlier run has not, and decide what becomes of them.

    What is found is kept in `target`, and taken from there or from the footage's own clips. `told` gets the number
    of frames done. Raises UserError.
    """
    upright = turned(sifted.stored, sifted.orientation)
    rules = wishes.rules
    names = [os.path.relpath(picture.path, footage.folder) for picture in sifted.kept]
    header = Header(judged.VERSION, rules.region, rules.steady_region, sifted.orientation, sifted.stored)
    jobs = [
        Job(name, picture.size_bytes, _changed_ns(picture.path))
        for name, picture in zip(names, sifted.kept, strict=True)
    ]
    places = {place.resolve(): place for place in (target, footage.folder / "clips")}.values()
    known = max((judged.load(place / judged.FILE, header) for place in places), key=len)
    found = judge(jobs, footage.folder, header, known, told, workers=workers)
    if found != known or not (target / judged.FILE).exists():
        judged.save(target / judged.FILE, header, found)
    numbers = numbers_of(footage)
    of_name = {name: numbers[picture.path] for name, picture in zip(names, sifted.kept, strict=True)}
    keep, drop = (_indices(asked, numbers.values(), names, of_name) for asked in (wishes.keep, wishes.drop))
    ruling = verdict.rule(verdict.verdicts(found), len(found), rules.leave_out, keep, drop)
    out = {each.index for each in ruling.left_out}
    kept = [index for index in range(len(found)) if index not in out]
    if not kept:
        raise UserError(f"all {len(found)} frames of {footage.folder} would be left out; name those to --keep")
    course = Course(rules.even_span_frames, rules.even_limit_ev)
    evened = even([found[index].light for index in kept], course)
    held = steady([found[index].shift_px for index in kept], upright, rules.steady_limit)
    return Examination(tuple(names), found, ruling, tuple(kept), evened, course, held, upright)


def unexamined(footage: Footage, sifted: Sifted, drop: Collection[int], target: Path) -> Sifted:
    """`sifted` without the frames to `drop`, where nobody looks at any; the table in `target` tells what is left out.

    Raises UserError.
    """
    numbers = numbers_of(footage)
    names = [os.path.relpath(picture.path, footage.folder) for picture in sifted.kept]
    of_name = {name: numbers[picture.path] for name, picture in zip(names, sifted.kept, strict=True)}
    out = _indices(drop, numbers.values(), names, of_name)
    if len(out) == len(names):
        raise UserError(f"all {len(names)} frames of {footage.folder} would be left out; drop fewer")
    dropped = tuple(LeftOut(str(sifted.kept[index].path), "was dropped on request") for index in sorted(out))
    kept = tuple(picture for index, picture in enumerate(sifted.kept) if index not in out)
    rows = [
        *(chart.Row(of_name[name], name, used=True) for index, name in enumerate(names) if index not in out),
        *_unfit(sifted.left_out, numbers, footage),
        *(replace(row, fault="dropped") for row in _unfit(dropped, numbers, footage)),
    ]
    _write(target / TABLE, chart.table(sorted(rows, key=lambda row: row.number)))
    return replace(sifted, kept=kept, left_out=(*sifted.left_out, *dropped))


def numbers_of(footage: Footage) -> dict[Path, int]:
    """What each frame is called by: its shot, or its place from 1 where it has none."""
    return {
        frame.path: place if frame.shot is None else frame.shot for place, frame in enumerate(footage.frames, start=1)
    }


def _unfit(left_out: Sequence[LeftOut], numbers: Mapping[Path, int], footage: Footage) -> Iterator[chart.Row]:
    for left in left_out:
        path = Path(left.frame)
        name, said = os.path.relpath(path, footage.folder), f"left out: {left.reason}"
        yield chart.Row(numbers[path], name, used=False, fault="unfit", said=said)


def _write(path: Path, lines: Iterable[str]) -> None:
    with whole_or_nothing(path) as draft, draft.open("w", encoding="utf-8", newline="") as file:
        file.writelines(lines)


def _changed_ns(path: Path) -> int:
    try:
        return path.stat().st_mtime_ns
    except OSError:
        return 0  # gone since it was looked at: decoding will say so


def _indices(
    asked: Collection[int], there: Collection[int], names: Sequence[str], of_name: Mapping[str, int]
) -> frozenset[int]:
    """Where the frames with these numbers are; a number that none has is an error, one sifted out before is not."""
    known = frozenset(there)
    for number in sorted(asked):
        if number not in known:
            raise UserError(f"there is no frame {number} to keep or drop; they are {min(there)} to {max(there)}")
    return frozenset(index for index, name in enumerate(names) if of_name[name] in asked)
