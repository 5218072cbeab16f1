"""The pictures of a clip, shaped in threads ahead of the encoder and handed out in the order they are shown."""

import contextlib
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Generic, TypeVar

from av.video.frame import VideoFrame

from lapsed.clip.codec import CODECS
from lapsed.clip.editlist import EditList, Piece
from lapsed.clip.orient import turned
from lapsed.clip.planes import BrokenFrameError, Shaper
from lapsed.clip.room import Room
from lapsed.errors import UserError

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Broken:
    """A frame whose picture could not be decoded, so that its neighbour stood in for it."""

    frame: str
    reason: str


class _Once(Generic[T]):
    """A value that the first thread to ask makes while others wait for it; a broken frame stays broken."""

    def __init__(self, make: Callable[[], T]) -> None:
        self._make: Callable[[], T] | None = make
        self._lock = threading.Lock()
        self._result: Future[T] = Future()

    def get(self) -> T:
        with self._lock:
            if self._make is not None:
                try:
                    self._result.set_result(self._make())
                except BrokenFrameError as error:
                    self._result.set_exception(error)
                self._make = None  # lets go of the full-size picture that it was made from
        return self._result.result()


class Rendering:
    """Renders the pieces of `edit` in `span` from the frames in `folder`.

    `broken` fills up with those that can't be decoded.
    """

    def __init__(self, edit: EditList, folder: Path, space: Room, span: tuple[int, int] | None = None) -> None:
        self._edit = edit
        self._start, self._stop = span or (0, len(edit.pieces))
        self._folder = folder
        self._space = space
        self._own = threading.local()
        self._decoded: dict[str, _Once[VideoFrame]] = {}
        self.broken: dict[str, Broken] = {}

    def pictures(self) -> Iterator[tuple[VideoFrame, int]]:
        """Each picture with its shows, made ahead as far as there is room.

        A broken one is replaced by the one before it, or by the one after it at the start, whether in the span or
        not. Raises UserError where none can be decoded.
        """
        last: VideoFrame | None = None
        owed = 0
        with ThreadPoolExecutor(self._space.workers, thread_name_prefix="shape") as pool:
            ahead: deque[tuple[Piece, Future[VideoFrame]]] = deque()
            jobs = self._jobs()
            try:
                while True:
                    while len(ahead) < self._space.ahead and (job := next(jobs, None)) is not None:
                        piece, work = job
                        ahead.append((piece, pool.submit(work)))
                    if not ahead:
                        break
                    piece, future = ahead.popleft()
                    owed += piece.shows
                    try:
                        last = future.result()
                    except BrokenFrameError as error:
                        self.broken.setdefault(piece.frame, Broken(piece.frame, str(error)))
                        last = last or self._stand_in(reversed(self._edit.pieces[: self._start]))
                    if last is not None:
                        yield last, owed
                        owed = 0
            finally:
                pool.shutdown(cancel_futures=True)
        if last is None:
            last = self._stand_in(self._edit.pieces[self._stop :])
            if last is None:
                raise UserError(f"none of the {len(self._edit.pieces)} frames in {self._folder} can be decoded")
            yield last, owed

    def _stand_in(self, pieces: Iterable[Piece]) -> VideoFrame | None:
        """The picture of the first of `pieces` that can be decoded."""
        for piece in pieces:
            with contextlib.suppress(BrokenFrameError):
                return self._shape(piece, _Once(self._decode(piece.frame)))()
        return None

    def _jobs(self) -> Iterator[tuple[Piece, Callable[[], VideoFrame]]]:
        """What is to be done for each piece; what the next piece needs again is not made twice."""
        pieces = self._edit.pieces[self._start : self._stop]
        for piece, following in zip(pieces, (*pieces[1:], None), strict=True):
            decoded = self._decoded.get(piece.frame) or _Once(self._decode(piece.frame))
            self._decoded = {piece.frame: decoded} if following and following.frame == piece.frame else {}
            yield piece, self._shape(piece, decoded)

    def _decode(self, frame: str) -> Callable[[], VideoFrame]:
        return lambda: self._shaper().decode(self._folder / frame)

    def _shape(self, piece: Piece, decoded: _Once[VideoFrame]) -> Callable[[], VideoFrame]:
        return lambda: self._shaper().shape(decoded.get(), piece.window, piece.gain)

    def _shaper(self) -> Shaper:
        """The calling thread's own, as decoders and filters can't be shared."""
        if not hasattr(self._own, "shaper"):
            edit = self._edit
            upright = turned(edit.stored, edit.orientation)
            self._own.shaper = Shaper(upright, edit.size, edit.orientation, CODECS[edit.codec].pixels)
        shaper: Shaper = self._own.shaper
        return shaper
