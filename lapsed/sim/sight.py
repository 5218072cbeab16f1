"""Looking at the simulated machine: what its host tells of the scene, drawn."""

import json
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
from websockets.exceptions import WebSocketException
from websockets.sync.client import ClientConnection, connect

from lapsed.errors import RetryError, ShotMissedError
from lapsed.sim.scene import Scene, View
from lapsed.sim.shadow import Bed
from lapsed.sim.strands import read

ANSWER_WITHIN_S = 5.0
_LEAVE_WITHIN_S = 1.0


@dataclass(frozen=True, slots=True)
class Glimpse:
    """The machine at one instant: the file it prints, None where it prints none, its bed, and what is to be seen."""

    file: Path | None
    bed: Bed
    view: View


class Sight:
    """Looks at the machine behind the simulated host at `url`; it blocks, and is for one thread."""

    def __init__(self, url: str) -> None:
        self._url = url
        self._calls = 0
        self._held = ExitStack()
        self._connection: ClientConnection | None = None

    def look(self, within_s: float = ANSWER_WITHIN_S) -> Glimpse:
        """The machine at this instant; the host is reached at the first look and again after a failed one.

        Raises RetryError.
        """
        try:
            return _glimpse(self._ask(within_s))
        except (OSError, WebSocketException, ValueError, LookupError, TypeError) as error:
            self.close()
            raise RetryError(f"the simulated host at {self._url} tells no scene: {error}") from error

    def close(self) -> None:
        """Leave the host; does nothing when it was not reached."""
        self._connection = None
        self._held.close()

    def _ask(self, within_s: float) -> Any:
        if self._connection is None:
            reaching = connect(
                self._url, compression=None, max_size=2**20, open_timeout=within_s, close_timeout=_LEAVE_WITHIN_S
            )
            self._connection = self._held.enter_context(reaching)
        self._calls += 1
        self._connection.send(json.dumps({"jsonrpc": "2.0", "method": "bench.scene", "id": self._calls}))
        while True:
            answer = json.loads(self._connection.recv(timeout=within_s))
            if isinstance(answer, dict) and answer.get("id") == self._calls:
                return answer["result"]


def _glimpse(told: Any) -> Glimpse:
    file, head, (x, y) = told["file"], told["head"], (told["bed"][side] for side in ("x_mm", "y_mm"))
    return Glimpse(
        None if file is None else Path(file),
        ((float(x[0]), float(x[1])), (float(y[0]), float(y[1]))),
        View(int(told["lines_done"]), (float(head["x"]), float(head["y"]), float(head["z"]))),
    )


class Studio:
    """Draws glimpses with a sensor of `size_px`; a file is read, and its scene built, when it is first seen."""

    def __init__(self, size_px: tuple[int, int]) -> None:
        # Cameras are guests of a computer that runs prints, so one core is what they get.
        cv2.setNumThreads(1)
        self._size_px = size_px
        self._of: object = None
        self._scene: Scene | None = None

    def ready(self, glimpse: Glimpse) -> Scene:
        """The scene of what `glimpse` shows. Raises ShotMissedError where the file can't be read."""
        file = glimpse.file
        try:
            seen = None if file is None else file.stat()
            of = (file, glimpse.bed, seen and (seen.st_mtime_ns, seen.st_size))
            if self._scene is None or of != self._of:
                lines = [] if file is None else file.read_text("utf-8", "surrogateescape").splitlines()
                self._scene, self._of = Scene(read(lines), glimpse.bed, self._size_px), of
        except OSError as error:
            raise ShotMissedError(f"the printed file {file} can't be read: {error.strerror}") from error
        return self._scene

    def draw(self, glimpse: Glimpse, shot: int, exif: bytes = b"") -> bytes:
        """The picture as a JPEG. Raises ShotMissedError."""
        return self.ready(glimpse).jpeg(glimpse.view, shot, exif)
