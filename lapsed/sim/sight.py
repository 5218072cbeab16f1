"""Looking at the simulated machine: what its host tells of the scene, drawn."""

import json
from pathlib import Path

from websockets.exceptions import WebSocketException
from websockets.sync.client import ClientConnection, connect

from lapsed.errors import RetryError
from lapsed.sim.scene import Scene, View
from lapsed.sim.strands import Strands, read

ANSWER_WITHIN_S = 5.0


class Sight:
    """Sees the machine behind the simulated host at `url` with a sensor of `size_px`; blocks, for a process of its own.

    `ensure_open` first; `look` at the instant of exposure, `draw` afterwards as what was seen.
    """

    def __init__(self, url: str, size_px: tuple[int, int]) -> None:
        self._url = url
        self._size_px = size_px
        self._connection: ClientConnection | None = None
        self._calls = 0
        self._file: str | None = None
        self._scene: Scene | None = None

    def ensure_open(self) -> None:
        """Reach the host; draws the empty workshop on the way. Raises RetryError."""
        if self._connection is None:
            try:
                self._connection = connect(self._url, compression=None, max_size=2**20)
            except (OSError, TimeoutError, WebSocketException) as error:
                raise RetryError(f"the simulated host at {self._url} can't be reached") from error
        self.look()

    def look(self) -> View:
        """The scene at this instant. Raises RetryError."""
        told = self._ask("bench.scene")
        if self._scene is None or told["file"] != self._file:
            self._file = told["file"]
            bed = told["bed"]
            sides = (tuple(bed["x_mm"]), tuple(bed["y_mm"]))
            self._scene = Scene(_strands(self._file), sides, self._size_px)
        at = told["head"]
        return View(told["lines_done"], (at["x"], at["y"], at["z"]))

    def draw(self, view: View, shot: int) -> bytes:
        """What was seen, as a JPEG."""
        if self._scene is None:
            raise RetryError("nothing has been looked at yet")
        return self._scene.jpeg(view, shot)

    def close(self) -> None:
        """Leave the host; does nothing when it was not reached."""
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    def _ask(self, method: str) -> dict[str, object]:
        connection = self._connection
        if connection is None:
            raise RetryError("the simulated host was not reached")
        self._calls += 1
        try:
            connection.send(json.dumps({"jsonrpc": "2.0", "method": method, "id": self._calls}))
            while True:
                message = json.loads(connection.recv(timeout=ANSWER_WITHIN_S))
                if isinstance(message, dict) and message.get("id") == self._calls and "result" in message:
                    return dict(message["result"])
        except (OSError, TimeoutError, WebSocketException, ValueError) as error:
            self.close()
            raise RetryError(f"the simulated host at {self._url} went away") from error


def _strands(file: str | None) -> Strands:
    return read([] if file is None else Path(file).read_text("utf-8").splitlines())
