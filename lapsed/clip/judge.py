"""Judging: every frame looked at once, small, in order; what was judged before is taken from the take's file.

Worker threads decode and measure ahead; what depends on the order, how a frame stands against those before it and
whether those around are unlike it, is found in the caller's thread.
"""

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Final, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from lapsed.clip.judged import Header, Judged
from lapsed.clip.likeness import Cells, Stranger, cells, stranger
from lapsed.clip.measure import DARK, Light, cut, measure
from lapsed.clip.reduced import BrokenFrameError, reduced
from lapsed.clip.shift import Grey, Shift, moved, prepared, shift_of

T = TypeVar("T")

_NEW: Final = 1 / 8  # the share of a new frame in the running reference
_WARM: Final = 16  # frames that a reference is made of again when judging goes on: (7/8)^16 is 12 %
_RUN: Final = 4  # frames in a row that something foreign may stand in
_AROUND: Final = 8  # frames on either side of them that are asked whether they show it
_STARTED_OVER: Final = 5  # frames in a row that fit no reference make one of their own


@dataclass(frozen=True, slots=True)
class Job:
    """One frame to judge: its name and what its file was like when it was looked up."""

    name: str
    size_bytes: int
    mtime_ns: int


@dataclass(frozen=True, slots=True)
class _Look:
    """What a worker found, without any neighbour."""

    light: Light
    coarse: NDArray[np.uint8]
    grey: Grey
    factor: int


def judge(
    jobs: Sequence[Job],
    folder: Path,
    header: Header,
    known: Sequence[Judged],
    told: Callable[[int], None],
    *,
    workers: int,
) -> tuple[Judged, ...]:
    """Judge the frames in `folder`; `known` is what an earlier run found and is used as far as nothing has changed.

    `told` gets the number of frames done.
    """
    cv2.setNumThreads(1)  # the workers are the parallelism
    start = _unchanged(jobs, known)
    if start == len(jobs):
        return tuple(known[:start])
    done = [*known[:start]]
    walk = _Walk()
    warm = max(0, start - _WARM)
    with ThreadPoolExecutor(workers, thread_name_prefix="judge") as pool:
        looks = _in_turn(pool, [partial(_look, job, folder, header, jobs[0].name) for job in jobs[warm:]], workers + 2)
        for index, look in enumerate(looks, warm):
            if index < start:
                walk.recall(index, look, done[index])
                continue
            done.append(walk.step(index, jobs[index], look))
            _note(walk.strangers(), done, start)
            told(index + 1)
    _note(walk.last_strangers(), done, start)
    return tuple(done)


def _note(found: Iterable[tuple[int, Stranger]], done: list[Judged], start: int) -> None:
    """Write down strangers, the largest where there are several; what was known from before stays."""
    for index, seen in found:
        before = done[index].stranger
        if index >= start and (before is None or before.area < seen.area):
            done[index] = replace(done[index], stranger=seen)


def _unchanged(jobs: Sequence[Job], known: Sequence[Judged]) -> int:
    """How many frames from the first on need not be judged again; the last known ones have new neighbours now."""
    same = 0
    for job, entry in zip(jobs, known, strict=False):
        if (job.name, job.size_bytes, job.mtime_ns) != entry.key:
            break
        same += 1
    return same if same == len(jobs) else max(0, same - _RUN - _AROUND + 1)


def _in_turn(pool: ThreadPoolExecutor, work: Sequence[Callable[[], T]], ahead: int) -> Iterator[T]:
    """The results of `work` in order, with at most `ahead` under way."""
    under_way: deque[Future[T]] = deque()
    try:
        for each in work:
            under_way.append(pool.submit(each))
            if len(under_way) >= ahead:
                yield under_way.popleft().result()
        while under_way:
            yield under_way.popleft().result()
    finally:
        for future in under_way:
            future.cancel()


def _look(job: Job, folder: Path, header: Header, first: str) -> _Look | str:
    """Decode and measure one frame; a sentence's end where it is broken."""
    try:
        picture = reduced(folder / job.name, header.stored, header.orientation, folder / first)
    except BrokenFrameError as error:
        return str(error)
    except OSError as error:
        return f"can't be read ({error.strerror or error})"
    grey = cv2.cvtColor(np.ascontiguousarray(cut(picture.coarse, header.steady_region)), cv2.COLOR_BGR2GRAY)
    light = measure(picture.fine, picture.coarse, header.region)
    return _Look(light, picture.coarse, prepared(np.asarray(grey, np.uint8)), picture.factor)


@dataclass(frozen=True, slots=True)
class _Seen:
    index: int
    cells: Cells


class _Walk:
    """Goes from frame to frame: the running reference, and the last frames that something could be seen in."""

    def __init__(self) -> None:
        self._reference: Grey | None = None
        self._origin = (0.0, 0.0)  # where the reference stands, px of the coarse pictures
        self._last = (0.0, 0.0)
        self._lost = 0
        self._seen: deque[_Seen] = deque(maxlen=2 * _AROUND + _RUN)

    def recall(self, index: int, look: _Look | str, entry: Judged) -> None:
        """Take in a frame whose shift is known from before."""
        if isinstance(look, str) or look.light.high < DARK:
            return
        if entry.shift_px is not None:
            self._last = entry.shift_px[0] / look.factor, entry.shift_px[1] / look.factor
            self._merge(look.grey, self._last)
        self._remember(index, look)

    def step(self, index: int, job: Job, look: _Look | str) -> Judged:
        """Judge the next frame; whether it shows a stranger is known some frames later."""
        entry = Judged(job.name, job.size_bytes, job.mtime_ns)
        if isinstance(look, str):
            return replace(entry, broken=look)
        if look.light.high < DARK:
            return replace(entry, light=look.light)
        shift = self._shift(look)
        if shift is not None:
            x, y = (round(side * look.factor, 3) + 0.0 for side in (shift.x, shift.y))  # no -0.0
            entry = replace(entry, shift_px=(x, y), shift_error_px=round(shift.error * look.factor, 4))
        self._remember(index, look)
        return replace(entry, light=look.light)

    def strangers(self) -> Iterator[tuple[int, Stranger]]:
        """What stands in runs of frames, once all that are asked about it have been seen."""
        yield from self._in_runs(len(self._seen) - _AROUND)

    def last_strangers(self) -> Iterator[tuple[int, Stranger]]:
        """What stands in the last runs, with fewer frames to ask."""
        for after in range(max(2, len(self._seen) - _AROUND + 1), len(self._seen)):
            yield from self._in_runs(after)

    def _in_runs(self, after: int) -> Iterator[tuple[int, Stranger]]:
        """What stands in any of the runs before the frame at `after`; a shorter run of the same is within it."""
        seen = self._seen
        for first in range(max(1, after - _RUN), after):
            run = [seen[at] for at in range(first, after)]
            before = [seen[at].cells for at in range(first - 1, max(-1, first - 1 - _AROUND), -1)]
            later = [seen[at].cells for at in range(after, min(len(seen), after + _AROUND))]
            found = stranger([each.cells for each in run], before, later)
            if found is not None:
                yield from ((each.index, found) for each in run)

    def _remember(self, index: int, look: _Look) -> None:
        self._seen.append(_Seen(index, cells(look.coarse, self._last)))

    def _shift(self, look: _Look) -> Shift | None:
        """Where the frame stands, in coarse pixels from the first frame; None where it can't be told."""
        if self._reference is None:
            self._merge(look.grey, (0.0, 0.0))
            return Shift(0.0, 0.0, 0.0, 1.0)
        off_x, off_y = self._origin
        found = shift_of(look.grey, self._reference, (self._last[0] - off_x, self._last[1] - off_y))
        if not found.sure:
            self._lost += 1
            if self._lost == _STARTED_OVER:
                self._reference, self._origin, self._lost = look.grey, self._last, 0
            return None
        self._lost = 0
        self._last = found.x + off_x, found.y + off_y
        self._merge(look.grey, self._last)
        return replace(found, x=self._last[0], y=self._last[1])

    def _merge(self, grey: Grey, at: tuple[float, float]) -> None:
        if self._reference is None:
            self._origin = at
            self._reference = grey.copy()
            return
        there = moved(grey, at[0] - self._origin[0], at[1] - self._origin[1])
        cv2.addWeighted(self._reference, 1 - _NEW, there, _NEW, 0, dst=self._reference)
