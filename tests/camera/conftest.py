import asyncio
import contextlib
import shutil
import subprocess
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np
import pytest
import simplejpeg

from lapsed.camera.keeper import Keeper
from lapsed.clock import monotonic
from lapsed.model import CameraEvent, CameraTold, Landed, Missed, OnCard
from lapsed.settings import CameraPart

PICTURE_BYTES = 20_000


class ScriptedCamera(CameraPart):
    """The part of the configuration of a camera that fails as it is told."""

    kind: Literal["scripted"] = "scripted"
    script: dict[str, list[str]] = {}  # noqa: RUF012 - pydantic copies defaults
    home: str


@dataclass
class Tended:
    """A keeper at work, and all that it told."""

    folder: Path
    keeper: Keeper = field(init=False)
    run: asyncio.Task[None] = field(init=False)
    told: list[CameraEvent] = field(default_factory=list)
    news: asyncio.Event = field(default_factory=asyncio.Event)

    def hear(self, event: CameraEvent) -> None:
        self.told.append(event)
        self.news.set()

    def order(self, shot: int, within_s: float = 20.0) -> None:
        self.keeper.order(shot, self.folder, f"{shot:06}", monotonic() + within_s)

    async def until(self, found: Callable[[list[CameraEvent]], bool], patience_s: float = 30.0) -> None:
        async with asyncio.timeout(patience_s):
            while not found(self.told):
                self.news.clear()
                await self.news.wait()

    async def ready(self) -> None:
        await self.until(lambda told: any(isinstance(event, CameraTold) and event.ready for event in told), 60.0)

    async def heard(self, what: type, shot: int) -> None:
        await self.until(lambda told: any(isinstance(event, what) and event.shot == shot for event in told))

    async def end(self, shot: int) -> Landed | OnCard | Missed:
        await self.until(lambda _: bool(self.ends(shot)))
        return self.ends(shot)[0]

    async def shoot(self, shot: int, within_s: float = 20.0) -> Landed | OnCard | Missed:
        self.order(shot, within_s)
        return await self.end(shot)

    def of(self, shot: int) -> list[CameraEvent]:
        return [event for event in self.told if not isinstance(event, CameraTold) and event.shot == shot]

    def ends(self, shot: int) -> list[Landed | OnCard | Missed]:
        return [event for event in self.of(shot) if isinstance(event, Landed | OnCard | Missed)]

    def stations(self, shot: int) -> list[type]:
        return [type(event) for event in self.of(shot)]


@pytest.fixture
def tend(tmp_path, monkeypatch):
    """Makes a context in which a keeper looks after a camera of the given part and kind."""
    monkeypatch.syspath_prepend(Path(__file__).parent / "kinds")
    folder = tmp_path / "frames"
    folder.mkdir()

    @contextlib.asynccontextmanager
    async def tending(part: CameraPart, kind: str) -> AsyncIterator[Tended]:
        told = Tended(folder)
        told.keeper = Keeper(part, kind, told.hear)
        told.run = asyncio.create_task(told.keeper.run())
        try:
            await asyncio.sleep(0)
            yield told
        finally:
            await told.keeper.stop()
            with contextlib.suppress(asyncio.CancelledError):
                await told.run

    return tending


@pytest.fixture
def scripted(tend, tmp_path):
    """Makes a context in which a keeper looks after a scripted camera: faults by call, limits by name."""

    def tending(script: dict[str, list[str]] | None = None, **limits: object):
        home = tmp_path / f"home-{limits.get('name', 'main')}"
        home.mkdir(exist_ok=True)
        known = {"exposure_s": 0.01, "expose_within_s": 0.5, "fetch_within_s": 0.5, "ready_within_s": 15.0}
        part = ScriptedCamera(script=script or {}, home=str(home), **{**known, **limits})
        return tend(part, "scripted:open_camera")

    return tending


@dataclass
class Card:
    """What the virtual camera sees."""

    path: Path

    def show(self, grey: int) -> None:
        """Show an even picture; the virtual camera transfers as many bytes as it saw when it was opened."""
        pixels = np.full((480, 640, 3), grey, np.uint8)
        self.put(simplejpeg.encode_jpeg(pixels, colorspace="RGB").ljust(PICTURE_BYTES, b"\0"))

    def put(self, data: bytes) -> None:
        draft = self.path.parent / "draft"
        draft.write_bytes(data)
        draft.replace(self.path)


@pytest.fixture
def card(tmp_path, monkeypatch):
    folder = tmp_path / "card" / "DCIM" / "100TESTS"
    folder.mkdir(parents=True)
    monkeypatch.setenv("VCAMERADIR", str(tmp_path / "card"))
    card = Card(folder / "a.jpg")
    card.show(0)
    return card


@pytest.fixture
def grey():
    """Tells how bright an even picture is."""
    return lambda path: int(simplejpeg.decode_jpeg(path.read_bytes(), "GRAY").mean().round())


@pytest.fixture(scope="session")
def certificate(tmp_path_factory):
    """Key and certificate of a camera that signed its own, made out to localhost."""
    if shutil.which("openssl") is None:
        pytest.skip("there is no openssl to make a certificate with")
    folder = tmp_path_factory.mktemp("tls")
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-days", "2",
         "-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost",
         "-keyout", folder / "key.pem", "-out", folder / "cert.pem"],
        check=True, capture_output=True,
    )  # fmt: skip
    both = folder / "both.pem"
    both.write_bytes((folder / "key.pem").read_bytes() + (folder / "cert.pem").read_bytes())
    return folder
