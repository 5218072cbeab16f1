"""A camera of each kind on its stand in the workshop, where faults befall it.

`part` is its part of the configuration, but for what all have; `struck(fault)` is a context in which it has that fault.
Faults are "hang", "crash", "garbage", "zero", "unplug" and "slow"; a kind lacks those that make no sense for it.
"""

import asyncio
import contextlib
import os
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import simplejpeg

from tests.camera import rtsp, streams, webcam

FAULTS = ("hang", "crash", "garbage", "zero", "unplug", "slow")
GARBAGE = b"no picture" * 99

Struck = Callable[[str], contextlib.AbstractContextManager[None]]


def picture(shade: int, size: int = 0) -> bytes:
    """An even picture as a JPEG; what follows the end marker is no part of it (ITU-T T.81, B.1.1.3)."""
    pixels = np.full((120, 160, 3), shade % 256, np.uint8)
    return simplejpeg.encode_jpeg(pixels, colorspace="RGB").ljust(size, b"\0")


class Stand:
    """Faults by files in the camera's home: `files` has their names where they are called otherwise."""

    part: dict[str, object]
    faults: tuple[str, ...] = FAULTS
    files: dict[str, str] = {}  # noqa: RUF012 - never changed

    def __init__(self, home: Path) -> None:
        self.home = home
        home.mkdir(parents=True)

    @contextlib.contextmanager
    def struck(self, fault: str) -> Iterator[None]:
        file = self.home / self.files.get(fault, fault)
        file.touch()
        yield
        file.unlink()

    def close(self) -> None:
        """Put it away."""


class Still(Stand):
    """libgphoto2's virtual camera, which takes as its picture a file on its card."""

    SIZE = 20_000

    def __init__(self, home: Path) -> None:
        super().__init__(home)
        self.part = {"kind": "gphoto"}
        self.file = home / "card" / "DCIM" / "100OTTER" / "OTTR0001.JPG"
        self.file.parent.mkdir(parents=True)
        self.file.write_bytes(picture(90, self.SIZE))
        os.environ["VCAMERADIR"] = str(home / "card")

    @contextlib.contextmanager
    def struck(self, fault: str) -> Iterator[None]:
        if fault in ("crash", "unplug"):
            with super().struck(fault):
                yield
        else:
            sound = self.home / "sound"
            self.file.rename(sound)
            with self._instead(fault):
                yield
            sound.replace(self.file)

    @contextlib.contextmanager
    def _instead(self, fault: str) -> Iterator[None]:
        if fault in ("garbage", "zero"):
            self.file.write_bytes(GARBAGE.ljust(self.SIZE, b"x") if fault == "garbage" else b"")
            yield
            return
        # From a pipe that nobody fills the library never comes back, as from a camera that hangs; or not in time.
        os.mkfifo(self.file)
        held = os.open(self.file, os.O_RDWR)
        ending = threading.Event()
        drip = threading.Thread(target=_drip, args=(held, ending))
        if fault == "slow":
            drip.start()
        yield
        ending.set()
        if fault == "slow":
            drip.join()
        os.close(held)


def _drip(held: int, ending: threading.Event) -> None:
    while not ending.wait(0.02):
        os.write(held, b"\xff")


class Line(Stand):
    """A release line on a real pty, with a double of the two lines that a pty lacks."""

    faults = ("hang", "crash", "unplug", "slow")
    files = {"hang": "lines.hang", "unplug": "lines.unplugged", "slow": "lines.slow"}  # noqa: RUF012 - never changed

    def __init__(self, home: Path) -> None:
        super().__init__(home)
        self._ends = os.openpty()
        presses = dict.fromkeys(("half_press_s", "full_press_s", "release_lag_s", "margin_s"), 0.02)
        self.part = {"kind": "release", "port": os.ttyname(self._ends[1]), **presses}

    def close(self) -> None:
        for end in self._ends:
            os.close(end)


class Device(Stand):
    """A capture device, by a double of the kernel's side."""

    files = {"zero": "black", "unplug": "gone"}  # noqa: RUF012 - never changed

    def __init__(self, home: Path) -> None:
        super().__init__(home)
        (home / "frame.jpg").write_bytes(picture(120))
        self.part = {"kind": "capture", "lag_s": 0.05, "warm_up_s": 0.05}


class Served(Stand):
    """A camera on the network, by a server on loopback; `words` are what it calls the faults."""

    words: dict[str, str] = {}  # noqa: RUF012 - never changed

    def __init__(self, home: Path, kind: str, **more: object) -> None:
        super().__init__(home)
        self._up = contextlib.ExitStack()
        self._served = self._serve(0)
        self.part = {"kind": kind, "url": self._served.url, **more}

    def _serve(self, port: int):
        raise NotImplementedError

    @contextlib.contextmanager
    def struck(self, fault: str) -> Iterator[None]:
        if fault == "crash":
            with super().struck(fault):
                yield
        elif fault == "unplug":
            self._up.close()
            yield
            self._served = self._serve(int(self._served.url.split(":")[2].partition("/")[0]))
        else:
            self._served.fault = self.words.get(fault, fault)
            yield
            self._served.fault = None

    def close(self) -> None:
        self._up.close()


class Motion(Served):
    """A stream of MJPEG by HTTP."""

    def __init__(self, home: Path) -> None:
        super().__init__(home, "stream", lag_s=0.1)

    def _serve(self, port: int):
        return self._up.enter_context(streams.streaming(port=port))


class Live(Motion):
    """A stream of MJPEG by RTSP."""

    def _serve(self, port: int):
        return self._up.enter_context(rtsp.serving(port=port))


class Asked(Served):
    """A still URL."""

    words = {"garbage": "page", "slow": "drip"}  # noqa: RUF012 - never changed

    def __init__(self, home: Path) -> None:
        super().__init__(home, "url")

    def _serve(self, port: int):
        served = self._up.enter_context(webcam.serving(port=port))
        served.picture = lambda number: picture(60 + number)
        return served


class Program(Stand):
    """A program of the user's; it is slow with its file, when the shutter has closed long since."""

    files = {"crash": "killed"}  # noqa: RUF012 - never changed

    LINES = """#!/bin/sh
        cd {home}
        [ -e hang ] && sleep 600
        [ -e killed ] && kill -SEGV $$
        echo exposed
        [ -e garbage ] && echo no picture > "$1" && exit
        [ -e zero ] && : > "$1" && exit
        [ -e slow ] && sleep 20
        cat picture > "$1"
    """

    def __init__(self, home: Path) -> None:
        super().__init__(home)
        (home / "picture").write_bytes(picture(150))
        self.program = home / "photograph"
        self.program.write_text(self.LINES.format(home=home))
        self.program.chmod(0o755)
        self.part = {
            "kind": "command",
            "argv": [str(self.program), "{out}"],
            "tells_exposed": True,
            "fetch_within_s": 2,
        }

    @contextlib.contextmanager
    def struck(self, fault: str) -> Iterator[None]:
        if fault != "unplug":
            with super().struck(fault):
                yield
            return
        aside = self.home / "aside"  # as with a stick or a share that it lies on
        self.program.rename(aside)
        yield
        aside.rename(self.program)


class Scene(Stand):
    """The camera that draws the simulated machine, which it sees through a relay of ours; `open` must be called."""

    def __init__(self, home: Path) -> None:
        super().__init__(home)
        self.fault: str | None = None
        self._callers: list[asyncio.StreamWriter] = []

    async def open(self, port: int) -> None:
        """Relay to the simulated host on `port`."""
        self._port = port
        self._server = await asyncio.start_server(self._relay, "127.0.0.1", 0)
        mine = self._server.sockets[0].getsockname()[1]
        self.part = {"kind": "scene", "url": f"ws://127.0.0.1:{mine}/", "width_px": 160, "height_px": 120}

    async def _relay(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if self.fault == "unplug":
            writer.transport.abort()
            return
        from_host, to_host = await asyncio.open_connection("127.0.0.1", self._port)
        self._callers += [writer, to_host]
        with contextlib.suppress(OSError):
            await asyncio.gather(self._pass(reader, to_host, None), self._pass(from_host, writer, self))
        self._hang_up(writer, to_host)

    async def _pass(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, stand: "Scene | None") -> None:
        while data := await reader.read(65_536):
            while stand and stand.fault == "slow":  # noqa: ASYNC110 - a test says when it is over
                await asyncio.sleep(0.01)
            match stand and stand.fault:
                case "hang":
                    continue
                case "zero":
                    break
                case "garbage":
                    data = GARBAGE
            writer.write(data)
        writer.close()

    def _hang_up(self, *writers: asyncio.StreamWriter) -> None:
        for writer in writers:
            writer.transport.abort()

    @contextlib.contextmanager
    def struck(self, fault: str) -> Iterator[None]:
        if fault == "crash":
            with super().struck(fault):
                yield
            return
        self.fault = fault
        if fault == "unplug":
            self._hang_up(*self._callers)
        yield
        self.fault = None

    async def leave(self) -> None:
        """Relay no more."""
        self._server.close()
        self._hang_up(*self._callers)
        await self._server.wait_closed()
