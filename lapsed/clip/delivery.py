"""The delivery: frames cropped, scaled and encoded for a destination."""

import ctypes
import os
from collections.abc import Callable
from pathlib import Path

import cv2
from av.error import FFmpegError

from lapsed.clip import encoder
from lapsed.clip.codec import CODECS, Effort
from lapsed.clip.editlist import EditList
from lapsed.clip.encoder import Tags
from lapsed.clip.join import join
from lapsed.clip.partial import whole_or_nothing
from lapsed.clip.rendering import Broken, Rendering
from lapsed.clip.room import room
from lapsed.errors import UserError


def write(edit: EditList, folder: Path, out: Path, tags: Tags, told: Callable[[int], None]) -> tuple[Broken, ...]:
    """Encode the clip of `edit` to `out`; `told` gets the number of output frames done.

    A frame that can't be decoded is replaced by the one before it, or by the one after it at the start, and is
    returned. Raises UserError where nothing could be decoded or the file can't be written.
    """
    cv2.setNumThreads(1)  # the workers are the parallelism
    _give_back_freed_memory()
    space = room(edit.stored[0] * edit.stored[1], edit.size[0] * edit.size[1], _cores())
    rendering = Rendering(edit, folder, space)
    effort = Effort(edit.quality, edit.preset, space.look_ahead, min(_cores(), 8))
    try:
        with whole_or_nothing(out) as draft:
            bare = draft.with_name(f"{draft.name}.track")
            try:
                encoder.write(bare, edit, effort, rendering.pictures(), told)
                if CODECS[edit.codec].joins:
                    join([bare], edit, tags, draft)
                else:
                    bare.replace(draft)
            finally:
                bare.unlink(missing_ok=True)
    except FFmpegError as error:
        raise UserError(f"cannot encode {out}: {error.strerror}") from error
    return tuple(rendering.broken.values())


def _cores() -> int:
    return len(os.sched_getaffinity(0))


def _give_back_freed_memory() -> None:
    """Have glibc map big blocks on their own: by default it keeps freed frames in each thread's heap, 75 MB at UHD."""
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
    if mallopt is not None:
        mallopt(-3, 1 << 20)  # M_MMAP_THRESHOLD, malloc.h
