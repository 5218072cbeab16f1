"""The demo: a simulated host prints a beacon, the real daemon films it, and the clips are stitched."""

import asyncio
import contextlib
import json
import os
import sys
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from pathlib import Path

from lapsed import app, settings
from lapsed.clip import stitch
from lapsed.clip.footage import Made, Progress, Report
from lapsed.commands_stitch import footage_of_take
from lapsed.errors import RetryError, UserError
from lapsed.host.feed import Feed
from lapsed.sim import posed_camera
from lapsed.sim.part import write_part
from lapsed.take import reader
from lapsed.web.server import Server

SPEED = 85.0
"""How many times faster than a real machine the simulated one prints."""

READY_WITHIN_S = 30.0
PRINT_WITHIN_S = 90.0
SHOT_WITHIN_S = 2.0
"""How long daemon and host may take to find each other, the print without shots, and each shot."""

Tell = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Summary:
    """What the demo planned, shot and missed, and what came out."""

    take: Path
    cues: int
    landed: int
    missed: int
    report: Report

    def as_json(self) -> dict[str, object]:
        """Plain values for a JSON document."""
        return {
            "take": str(self.take),
            "cues": self.cues,
            "landed": self.landed,
            "missed": self.missed,
            "clips": [clip.as_json() for clip in self.report.clips],
            "sheet": None if self.report.sheet is None else str(self.report.sheet),
            "left_out": [{"frame": left.frame, "reason": left.reason} for left in self.report.left_out],
        }

    def as_text(self) -> str:
        """The same for people."""
        clips = "\n".join(map(_line, self.report.clips))
        return (
            f"{self.cues} frames planned, {self.landed} shot, {self.missed} missed\n"
            f"{clips}\nsheet    {self.report.sheet or 'none'}\ntake     {self.take}"
        )


def _line(clip: Made) -> str:
    return f"{clip.name:8} {clip.width}x{clip.height}, {clip.seconds:.1f} s: {clip.path}"


def play(out: Path, *, camera: str, shots: int, tell: Tell) -> Summary:
    """Film and stitch a print of `shots` layers into the folder `out`; `camera` is "scene" or "gphoto".

    `tell` hears a sentence for each stage. Raises UserError if `out` can't be used, RetryError if a part of the
    simulation did not come up.
    """
    try:
        out.mkdir(parents=True, exist_ok=True)
        part = out / "beacon.gcode"
        part.write_text(write_part(shots), "utf-8")
    except OSError as error:
        raise UserError(f"cannot write to {out}: {error.strerror}; name another folder with --out") from error
    take = asyncio.run(_film(out.absolute(), part.absolute(), camera, shots, tell))
    view = reader.read_take(take)
    outcomes = [shot.outcome for shot in view.shots]
    tell(f"stitching {outcomes.count('landed')} frames")
    report = stitch.stitch(footage_of_take(take), CLIPS, None, _Teller(tell))
    return Summary(take, len(view.cues), outcomes.count("landed"), outcomes.count("missed"), report)


CLIPS = (
    settings.Clip(name="master", codec="master"),
    settings.Clip(name="wide", size_px=(3840, 2160), focus=(0.5, 0.55), preset="veryfast"),
    settings.Clip(
        name="tall",
        size_px=(1080, 1920),
        focus=(0.5, 0.6),
        end_zoom=1.2,
        burn_in=("layer", "height"),
        preset="veryfast",
    ),
)


class _Teller:
    """Says how far a clip is, each time another quarter is done."""

    def __init__(self, tell: Tell) -> None:
        self._tell = tell
        self._told: set[tuple[str, int]] = set()

    def __call__(self, progress: Progress) -> None:
        quarter = (progress.clip, 4 * progress.done // progress.total)
        if quarter[1] and quarter not in self._told:
            self._told.add(quarter)
            self._tell(f"  {progress.clip}: {25 * quarter[1]} %, {progress.fps:.1f} frames a second")


# ------------------------------------------------------------------------------------------------------- filming


async def _film(out: Path, part: Path, camera: str, shots: int, tell: Tell) -> Path:
    """Print `part` and film it; the folder of the take."""
    ended: asyncio.Future[Path] = asyncio.get_running_loop().create_future()
    log = str(out / "host.jsonl")
    async with _process("lapsed.sim.host", "--speed", str(SPEED), "--log", log) as host:
        url = json.loads(await _first_line(host))["url"]
        # libgphoto2's virtual camera is told of its card by this variable; the camera's worker inherits both.
        os.environ["VCAMERADIR"] = str(out / "card")
        os.environ[posed_camera.URL] = url
        kinds = app.CAMERA_KINDS | {"gphoto": "lapsed.sim.posed_camera:open_camera"}
        whole = _settings(out, url, camera)
        daemon = app.Daemon(whole, None, kinds=kinds, ended=ended.set_result)
        page = Server(whole.web, daemon.desk, out / "token")
        page.listen()
        running, serving = asyncio.create_task(daemon.run()), asyncio.create_task(page.run())
        try:
            async with asyncio.timeout(READY_WITHIN_S):
                await _until(lambda: daemon.ready or running.done())
            tell(f"printing {part} and shooting {shots} frames")
            tell(f"watch it meanwhile at http://127.0.0.1:{page.port}/")
            await _begin(url, part)
            async with asyncio.timeout(PRINT_WITHIN_S + SHOT_WITHIN_S * shots):
                await _until(lambda: ended.done() or running.done())
        except TimeoutError as error:
            raise RetryError("the simulated print did not end in time; is the computer very busy?") from error
        finally:
            daemon.stop()
            await running
            serving.cancel()
            await asyncio.gather(serving, return_exceptions=True)
    return ended.result()


async def _until(condition: Callable[[], bool]) -> None:
    while not condition():  # noqa: ASYNC110 - the daemon has no other use for telling of these
        await asyncio.sleep(0.02)


def _settings(out: Path, url: str, camera: str) -> settings.Settings:
    """One printer, a frame of each layer, all times as short as the simulated machine is fast.

    A busy computer may be long about a shot, and no real print waits for it.
    """
    link = {"url": url}
    kind = {"kind": "scene", "url": url} if camera == "scene" else {"kind": "gphoto"}
    printer = {
        "name": "ottermole",
        "link": link,
        "machine": {"park_point_mm": [8, 212], "settle_s": 0.01},
        "camera": [{**kind, "exposure_s": 0.01, "ready_within_s": 60, "expose_within_s": 25}],
        "cadence": {"every_layers": 1, "last_frame": False, "hold_limit_s": 40},  # as many frames as were asked for
    }
    return settings.Settings.model_validate(
        {
            "store": {"folder": out, "min_free_mb": 50},
            "stitch": {"when": "never"},
            "web": {"port": 0},
            "printer": [printer],
        }
    )


async def _begin(url: str, part: Path) -> None:
    """Tell the host to print."""
    feed = Feed(settings.FeedLink(url=url, on_connect=()), lambda _event: None)
    running = asyncio.create_task(feed.run())
    try:
        await _until(lambda: feed.connected)
        await feed.call(settings.Call(method="job.begin", params={"file": str(part)}))
    finally:
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)


@contextlib.asynccontextmanager
async def _process(module: str, *arguments: str) -> AsyncIterator[asyncio.subprocess.Process]:
    """A simulator as a process of its own, ended with the block."""
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", module, *arguments, stdin=asyncio.subprocess.DEVNULL, stdout=asyncio.subprocess.PIPE
    )
    try:
        yield process
    finally:
        if process.returncode is None:
            process.terminate()
        await process.wait()


async def _first_line(process: asyncio.subprocess.Process) -> bytes:
    assert process.stdout is not None  # noqa: S101 - it was asked for
    async with asyncio.timeout(READY_WITHIN_S):
        line = await process.stdout.readline()
    if not line:
        raise RetryError("a simulator ended before it began; run the command again with --verbose")
    return line
