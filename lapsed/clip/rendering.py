"""The pictures of a clip, shaped in threads ahead of the encoder and handed out in the order they are shown."""

import contextlib
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from math import ceil
from pathlib import Path
from typing import Generic, TypeVar

from av.video.frame import VideoFrame

from lapsed.clip.blend import barred, mixed
from lapsed.clip.codec import CODECS
from lapsed.clip.decoding import BrokenFrameError, Decoded, Decoder, reduction
from lapsed.clip.editlist import EditList, Look, Piece
from lapsed.clip.lettering import lettered
from lapsed.clip.orient import turned
from lapsed.clip.planes import Shaper
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
        self._decoded: dict[str, _Once[Decoded]] = {}
        self._shaped: dict[Look, _Once[VideoFrame]] = {}
        # All frames are scaled in one way, or they would differ in sharpness.
        self._fine = edit.fine
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
                        self._note(piece.frame, error)
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
                return self._finish(piece, [_Once(self._shape(look)) for look in piece.looks])()
        return None

    def _jobs(self) -> Iterator[tuple[Piece, Callable[[], VideoFrame]]]:
        """What is to be done for each piece; what the next piece needs again is not made twice."""
        pieces = self._edit.pieces[self._start : self._stop]
        for piece, following in zip(pieces, (*pieces[1:], None), strict=True):
            again = following.looks if following is not None else ()
            shaped = [self._shaped.get(look) or _Once(self._shape(look)) for look in piece.looks]
            self._shaped = {look: made for look, made in zip(piece.looks, shaped, strict=True) if look in again}
            frames = {look.frame for look in again if look not in self._shaped}
            self._decoded = {frame: made for frame, made in self._decoded.items() if frame in frames}
            yield piece, self._finish(piece, shaped)

    def _shape(self, look: Look) -> Callable[[], VideoFrame]:
        if look.frame not in self._decoded:
            self._decoded[look.frame] = _Once(lambda: self._decoder().decode(self._folder / look.frame))
        decoded = self._decoded[look.frame]
        return lambda: self._framed(self._shaper().shape(decoded.get(), look.window, look.gain))

    def _framed(self, picture: VideoFrame) -> VideoFrame:
        edit = self._edit
        return picture if edit.place is None else barred(picture, edit.size, edit.place, edit.bars)

    def _finish(self, piece: Piece, shaped: list[_Once[VideoFrame]]) -> Callable[[], VideoFrame]:
        def work() -> VideoFrame:
            picture = shaped[0].get()
            if piece.mix is not None:
                try:
                    picture = mixed(picture, shaped[1].get(), piece.mix.share)
                except BrokenFrameError as error:
                    self._note(piece.mix.frame, error)
            return lettered(picture, piece.caption, self._edit.caption_corner) if piece.caption else picture

        return work

    def _note(self, frame: str, error: BrokenFrameError) -> None:
        self.broken.setdefault(frame, Broken(frame, str(error)))

    def _decoder(self) -> Decoder:
        """The calling thread's own, likewise."""
        if not hasattr(self._own, "decoder"):
            first = self._folder / self._edit.pieces[0].frame
            self._own.decoder = Decoder(self._edit.stored, reduction_of(self._edit), first, rows_of(self._edit))
        decoder: Decoder = self._own.decoder
        return decoder

    def _shaper(self) -> Shaper:
        """The calling thread's own, as decoders and filters can't be shared."""
        if not hasattr(self._own, "shaper"):
            edit = self._edit
            upright = turned(edit.stored, edit.orientation)
            size = edit.size if edit.place is None else edit.place[2:]
            pixels = CODECS[edit.codec].pixels
            self._own.shaper = Shaper(upright, size, edit.orientation, pixels, fine=self._fine)
        shaper: Shaper = self._own.shaper
        return shaper


def reduction_of(edit: EditList) -> int:
    """How much smaller the frames of a clip may be decoded, by the smallest crop of all."""
    size = edit.size if edit.place is None else edit.place[2:]
    width, height = edit.least
    # Fractions of a pixel want twice the pixels, or their places are not kept: measured, 0.17 px off without.
    spare = 2 if edit.fine else 1
    return reduction((width / spare, height / spare), size)


def rows_of(edit: EditList) -> int:
    """How many rows of the stored frames a clip shows any part of, with some to spare for what is scaled finely."""
    return min(16 * ceil((edit.lowest + 32) / 16), edit.stored[1])
