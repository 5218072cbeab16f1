"""The worker process: holds one camera, carries out the daemon's orders one by one, and says what became of them.

Started as `python -m lapsed.camera.worker` with pipes on its standard streams. It ends when its input does, when the
camera is lost (having said so), or when the daemon is gone; whatever hangs in it, the daemon kills it.
"""

import ctypes
import logging
import os
import select
import signal
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Self

from lapsed.camera.kind import Condition, Kind, load
from lapsed.camera.landing import Landing, sweep
from lapsed.camera.wire import Inspect, Inspected, Lines, Opening, Order, pack, unpack
from lapsed.clock import monotonic
from lapsed.errors import RetryError, ShotMissedError, UserError
from lapsed.model import CameraEvent, CameraTold, Exposed, Landed, Missed, OnCard, Released

IDLE_EVERY_S = 5.0
"""How often an unused camera is spoken to: more often than the shortest sleep timers of cameras, some 10 s."""

_PR_SET_PDEATHSIG = 1  # linux/prctl.h
_log = logging.getLogger(__name__)


class Channel:
    """The worker's end of the pipes, out of reach of the camera's library."""

    def __init__(self, in_fd: int, out_fd: int) -> None:
        self._in_fd = in_fd
        self._out_fd = out_fd
        self._lines = Lines()
        self._waiting: list[bytes] = []

    @classmethod
    def take_over(cls) -> Self:
        """Move the pipes away from descriptors 0 and 1, where vendor code prints and reads as it likes."""
        channel = cls(os.dup(0), os.dup(1))
        nothing = os.open(os.devnull, os.O_RDONLY)
        os.dup2(nothing, 0)
        os.close(nothing)
        os.dup2(2, 1)
        return channel

    def say(self, event: CameraEvent | Inspected) -> None:
        """Tell the daemon; SystemExit when it is gone."""
        line = pack(event)
        try:
            while line:
                line = line[os.write(self._out_fd, line) :]
        except BrokenPipeError:
            raise SystemExit(0) from None

    def heard(self, every_s: float | None) -> Iterator[Opening | Order | Inspect | None]:
        """What the daemon sends until it closes the pipe; None each time nothing came for `every_s`."""
        while True:
            while self._waiting:
                message = unpack(self._waiting.pop(0))
                if isinstance(message, Opening | Order | Inspect):
                    yield message
                else:
                    _log.warning("passed over a line from the daemon that is no order")
            if not select.select([self._in_fd], [], [], every_s)[0]:
                yield None
                continue
            data = os.read(self._in_fd, 65_536)
            if not data:
                return
            self._waiting.extend(self._lines.feed(data))


def serve(channel: Channel) -> None:
    """Hold one camera until the daemon closes the pipe or the camera is lost."""
    opening = next((heard for heard in channel.heard(None) if isinstance(heard, Opening)), None)
    if opening is None:
        return
    try:
        kind = load(opening.kind)(opening.part)
        channel.say(_ready(opening.camera, kind.ensure_ready()))
        swept: set[Path] = set()
        for heard in channel.heard(IDLE_EVERY_S):
            if isinstance(heard, Order):
                carry_out(kind, opening.camera, heard, channel, swept)
            elif isinstance(heard, Inspect):
                channel.say(Inspected(kind.inspect()))
            else:
                channel.say(_ready(opening.camera, kind.idle()))
    except (RetryError, UserError) as error:
        # The process ends without closing the camera: what is lost may hang in closing, and the end of the process
        # frees it anyway.
        channel.say(CameraTold(opening.camera, ready=False, text=str(error)))
        return
    kind.ensure_stopped()


def _ready(camera: str, found: str | Condition) -> CameraTold:
    is_now = Condition(found) if isinstance(found, str) else found
    return CameraTold(
        camera, ready=True, text=is_now.text, charge_percent=is_now.charge_percent, card_mb=is_now.card_mb
    )


def carry_out(kind: Kind, camera: str, order: Order, channel: Channel, swept: set[Path]) -> None:
    """Take one frame, and say what became of it. `swept` is the folders where no half-written file can be."""
    shot = order.shot
    landing = Landing(Path(order.folder), order.stem)
    try:
        kind.release(order.by_s, lambda at_s: channel.say(Released(shot, camera, at_s)))
        channel.say(Exposed(shot, camera, monotonic()))
        folder = (Path(order.folder) / order.stem).parent
        if folder not in swept:
            sweep(folder)
            swept.add(folder)
        kind.fetch(landing)
        if landing.on_card:
            channel.say(OnCard(shot, camera, monotonic()))
        else:
            channel.say(Landed(shot, camera, monotonic(), *landing.land()))
    except ShotMissedError as error:
        landing.discard()
        channel.say(Missed(shot, camera, monotonic(), str(error)))
        return
    kind.clear()


def main() -> None:
    """Run the worker on the standard streams."""
    # Set first, so that no later hang outlives the daemon. Had the daemon died before, the pipe is at its end.
    ctypes.CDLL(None, use_errno=True).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
    # A service manager or a terminal signals every process at once; the daemon alone decides when a worker ends.
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)
    logging.basicConfig(stream=sys.stderr, level=logging.WARNING, format="%(name)s: %(message)s")
    serve(Channel.take_over())


if __name__ == "__main__":
    main()
