"""The delivery: frames cropped, scaled and encoded for a destination, a segment at a time."""

import ctypes
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import cv2
from av.error import FFmpegError

from lapsed.clip import encoder, workers
from lapsed.clip.codec import CODECS, Effort
from lapsed.clip.cut import Segment, cut
from lapsed.clip.editlist import EditList
from lapsed.clip.join import join
from lapsed.clip.labels import Tags
from lapsed.clip.memory import free_bytes
from lapsed.clip.partial import said, whole_or_nothing
from lapsed.clip.parts import Parts
from lapsed.clip.probe import RAW_SUFFIXES
from lapsed.clip.rendering import Broken, Rendering, reduction_of
from lapsed.clip.room import Room, allowed, room
from lapsed.errors import UserError

_SAFE = 0.9
"""The share of the free memory past which a stitch would push others into swapping."""


@dataclass(frozen=True, slots=True)
class Means:
    """What a delivery may use: processor cores, and processes that encode a segment each."""

    cores: int
    processes: int = 1


def write(
    edit: EditList, folder: Path, out: Path, tags: Tags, told: Callable[[int], None], *, means: Means | None = None
) -> tuple[Broken, ...]:
    """Encode the clip of `edit` to `out`; `told` gets the number of output frames done.

    A frame that can't be decoded is replaced by the one before it, or by the one after it at the start, and is
    returned. What a kill left of an earlier try is used. Raises UserError where nothing could be decoded or the file
    can't be written.
    """
    means = means or Means(cores())
    codec = CODECS[edit.codec]
    segments = cut(edit) if codec.joins else (Segment(0, 0, len(edit.pieces), edit.frames),)
    ensure_memory(edit, means)
    with whole_or_nothing(out) as draft:
        parts = Parts(out, edit, folder)
        try:
            _encode(edit, folder, parts, segments, told=told, means=means)
            paths = [parts.path(segment) for segment in segments]
            if codec.joins:
                join(paths, edit, tags, draft)
            else:
                paths[0].replace(draft)
            broken = [bad for segment in segments for bad in parts.broken(segment)]
        except FFmpegError as error:
            raise UserError(f"cannot encode {out}: {said(error.errno, error.strerror)}") from error
        finally:
            parts.clear()
    return tuple({bad.frame: bad for bad in broken}.values())


def _encode(
    edit: EditList,
    folder: Path,
    parts: Parts,
    segments: tuple[Segment, ...],
    *,
    told: Callable[[int], None],
    means: Means,
) -> None:
    missing = [segment for segment in segments if not parts.has(segment)]
    before = sum(segment.frames for segment in segments if parts.has(segment))
    if means.processes > 1 and len(missing) > 1:
        workers.encode(edit, folder, parts, missing, told=_from(before, told), processes=means.processes)
        return
    for segment in missing:
        broken = encode_segment(edit, folder, segment, out=parts.draft(segment), told=_from(before, told), means=means)
        parts.keep(segment, broken)
        before += segment.frames


def _from(before: int, told: Callable[[int], None]) -> Callable[[int], None]:
    return lambda done: told(before + done)


def encode_segment(
    edit: EditList, folder: Path, segment: Segment, *, out: Path, told: Callable[[int], None], means: Means
) -> tuple[Broken, ...]:
    """Encode one segment to `out`, in this process."""
    cv2.setNumThreads(1)  # the workers are the parallelism
    _give_back_freed_memory()
    space = room_for(edit, means)
    rendering = Rendering(edit, folder, space, (segment.start, segment.stop))
    effort = Effort(edit.quality, edit.preset, space.look_ahead, space.threads)
    encoder.write(out, edit, effort, rendering.pictures(), told)
    return tuple(rendering.broken.values())


def room_for(edit: EditList, means: Means) -> Room:
    """What one process may use of the memory that is free."""
    decoded = _decoded_bytes(edit, edit.stored[0] * edit.stored[1])
    limit = allowed(free_bytes(), means.processes, means.cores)
    pixels = edit.size[0] * edit.size[1]
    return room(CODECS[edit.codec], decoded, pixels, means.cores, limit, processes=means.processes)


def ensure_memory(edit: EditList, means: Means) -> None:
    """Raise UserError where encoding the clip would make the computer swap."""
    free, need = free_bytes(), room_for(edit, means).bytes_needed * means.processes
    if free is not None and need > _SAFE * free:
        raise UserError(
            f"{edit.clip} would take {need / 1e6:.0f} MB of memory, and {free / 1e6:.0f} MB are free; choose a smaller "
            "size_px or another codec, or stitch it on another computer"
        )


def _decoded_bytes(edit: EditList, pixels: int) -> float:
    """What one frame takes while it is decoded."""
    if Path(edit.pieces[0].frame).suffix.lower() in RAW_SUFFIXES:
        return 20.0 * pixels  # LibRaw works on four 16-bit colours beside what it read and what it gives
    by = reduction_of(edit)
    # In 4:2:2 with its share of the file; made smaller, it is R'G'B'.
    return 2.5 * pixels if by == 1 else pixels / 3 + 3.0 * pixels / by**2


def cores() -> int:
    """How many cores this process may use."""
    return len(os.sched_getaffinity(0))


def _give_back_freed_memory() -> None:
    """Have glibc map big blocks on their own: by default it keeps freed frames in each thread's heap, 75 MB at UHD."""
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
    if mallopt is not None:
        mallopt(-3, 1 << 20)  # M_MMAP_THRESHOLD, malloc.h
