"""A desk with a take of its own, served over a real socket."""

import asyncio
import contextlib
import http.client
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import simplejpeg

from lapsed import settings
from lapsed.clock import Stamp
from lapsed.errors import RetryError, UserError
from lapsed.model import Cue, Landed, Missed, Outcome, PrintInfo, Why
from lapsed.now import CameraNow, DiskNow, Now, PrinterNow, StitchNow
from lapsed.take.journal import Journal
from lapsed.take.records import CameraNoted, CueNoted
from lapsed.web.bell import Bell
from lapsed.web.server import Server
from lapsed.web.takes import NotHereError
from lapsed.web.words import CheckLine, Checks, Clips, ClipShape, Done, SignalWish

UTC = "2026-05-04T09:30:00.000000Z"

PRINTER = PrinterNow(
    name="pier",
    link=True,
    link_text="heard",
    cameras=(CameraNow("main", "gphoto", main=True, ready=True, text='a "camera"\n', landed=3),),
    print=None,
    take=None,
    shot=None,
    stopped=None,
    skipping=False,
    trouble=None,
)


def picture(grey: int, size=(96, 144)) -> bytes:
    ramp = np.linspace(0, 8, size[1], dtype=np.uint8)
    pixels = np.clip(np.full((*size, 3), grey, np.uint8) + ramp[None, :, None], 0, 255)
    return simplejpeg.encode_jpeg(np.ascontiguousarray(pixels), quality=95, colorspace="RGB")


class PlainDesk:
    """Keeps what it is asked, and answers from values."""

    def __init__(self, store: Path) -> None:
        self.bell = Bell()
        self.store = store
        self.asked: list[tuple[object, ...]] = []
        self.printer = PRINTER

    def now(self) -> Now:
        return Now("0", UTC, (self.printer,), StitchNow(None, 0, stands_still=False), DiskNow(1234.5, 500))

    def change(self, **changes: object) -> None:
        self.printer = replace(self.printer, **changes)
        self.bell.ring()

    def _known(self, printer: str) -> None:
        if printer != "pier":
            raise NotHereError(f"there is no printer {printer!r}")

    def clips(self) -> Clips:
        wide = ClipShape(name="wide", codec="h264", width_px=3840, height_px=2160, focus_x=0.5, focus_y=0.5)
        return Clips(clips=(wide,))

    def skip(self, printer: str, *, on: bool) -> Done:
        self._known(printer)
        self.asked.append(("skip", on))
        return Done(text="so be it")

    async def shoot(self, printer: str, camera: str | None) -> Done:
        self._known(printer)
        if camera == "busy":
            raise RetryError("the camera is busy; ask again")
        self.asked.append(("shoot", camera))
        return Done(text="so be it", frame="proof.jpg")

    async def signal(self, printer: str, wish: SignalWish) -> Done:
        self._known(printer)
        self.asked.append(("signal", wish))
        return Done(text="so be it")

    async def check(self, printer: str) -> Checks:
        self._known(printer)
        return Checks(checks=(CheckLine(what="host", verdict="fail", found="not heard", advice="start it"),))

    def test_frame(self, name: str) -> Path:
        path = self.store / "test-frames" / name
        if not path.is_file():
            raise NotHereError("there is no such test frame")
        return path

    def end_take(self, printer: str) -> Done:
        self._known(printer)
        raise UserError("pier has no take that could be ended")

    def stitch(self, take: Path, wish: object) -> Done:
        self.asked.append(("stitch", take.name, wish))
        return Done(text="so be it")

    async def delete(self, take: Path) -> Done:
        self.asked.append(("delete", take.name))
        return Done(text="so be it")


def make_take(store: Path) -> str:
    """A take of five shots, the third missed, with a clip."""
    store.mkdir(parents=True, exist_ok=True)
    journal = Journal.create(
        store, PrintInfo("beacon.gcode", layers=5), {"printer": "pier", "cameras": ["main"]}, Stamp(1.0, UTC)
    )
    frames = journal.folder / "frames" / "main"
    frames.mkdir(parents=True)
    for shot in range(1, 6):
        now = Stamp(float(shot), UTC)
        name = f"frames/main/{shot:06}.jpg"
        fate = Landed(shot, "main", float(shot), (name,), 9) if shot != 3 else Missed(shot, "main", 3.0, "no light")
        if shot != 3:
            (journal.folder / name).write_bytes(picture(40 * shot))
        journal.submit(
            CueNoted(Cue(shot, Why.LAYER, float(shot), shot, shot * 0.2), now), CameraNoted(fate, now)
        ).result()
    journal.close(Outcome.FINISHED, "", Stamp(9.0, UTC)).result()
    clips = journal.folder / "clips"
    clips.mkdir()
    (clips / "wide.mp4").write_bytes(bytes(range(256)) * 40)
    (clips / ".half").write_bytes(b"x")
    return journal.folder.name


class Site:
    """The server at work, and a client for it."""

    def __init__(self, server: Server, desk: PlainDesk, take: str) -> None:
        self.server = server
        self.desk = desk
        self.take = take
        self.host = f"127.0.0.1:{server.port}"

    def _ask(
        self, method: str, path: str, body: bytes | None, headers: dict[str, str]
    ) -> tuple[int, dict[str, str], bytes]:
        with contextlib.closing(http.client.HTTPConnection("127.0.0.1", self.server.port, timeout=20)) as connection:
            connection.request(method, path, body, headers)
            answer = connection.getresponse()
            return answer.status, {name.lower(): value for name, value in answer.getheaders()}, answer.read()

    async def get(self, path: str, **headers: str) -> tuple[int, dict[str, str], bytes]:
        return await asyncio.to_thread(self._ask, "GET", path, None, headers)

    async def post(self, path: str, value: object = None, **headers: str) -> tuple[int, object]:
        body = json.dumps(value).encode() if value is not None else b""
        given = {"Content-Type": "application/json", **headers}
        status, _, data = await asyncio.to_thread(self._ask, "POST", path, body, given)
        return status, json.loads(data)


@pytest.fixture
def serving(tmp_path):
    """Serves with the given settings of [web]."""

    @contextlib.asynccontextmanager
    async def serve(**part: object):
        desk = PlainDesk(tmp_path / "takes")
        take = make_take(desk.store)
        server = Server(settings.Web.model_validate({"port": 0, **part}), desk, tmp_path / "token")
        server.listen()
        task = asyncio.create_task(server.run())
        try:
            yield Site(server, desk, take)
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)

    return serve


@pytest.fixture
async def site(serving):
    """Serves this computer alone."""
    async with serving() as made:
        yield made
