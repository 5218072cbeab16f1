"""Answers what the page and the API ask of the daemon."""

import asyncio
import os
import shutil
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import asdict, replace
from pathlib import Path

from lapsed import __version__, clock
from lapsed.by_signal import Signal
from lapsed.camera.battery import Wanted
from lapsed.check import judge, place
from lapsed.check.lately import of_all
from lapsed.decide import state as s
from lapsed.errors import LapsedError, UserError
from lapsed.model import Check, Missed, OnCard, Outcome, Verdict
from lapsed.now import DiskNow, Now, PrinterNow
from lapsed.runner import Runner
from lapsed.settings import Settings
from lapsed.stitcher import Stitcher
from lapsed.take import space
from lapsed.take.digest import digest
from lapsed.web.bell import Bell
from lapsed.web.takes import NotHereError
from lapsed.web.words import CheckLine, Checks, Clips, ClipShape, Done, SignalWish, StitchWish

TEST_FRAMES = "test-frames"
MOST_TEST_FRAMES = 10
MOST_SIGNALS = 64
"""Signals that are remembered by their keys: a retry comes within seconds."""

LOOK_AT_DISK_EVERY_S = 10.0

CLOSED_WITHIN_S = 5.0
"""How long a take may take to be closed after its print."""

_HOST_ADVICE = "start the host, and compare the link's url with the host's own reference"


class Reception:
    """The desk of `web`, for the printers in `runners`."""

    def __init__(self, settings: Settings, runners: Mapping[str, Runner], stitcher: Stitcher, bell: Bell) -> None:
        self.bell = bell
        self._settings = settings
        self._runners = runners
        self._stitcher = stitcher
        self._signals: OrderedDict[tuple[str, str], asyncio.Task[Done]] = OrderedDict()
        self._began_utc = clock.stamp().utc
        self._disk: tuple[float, DiskNow | None] = (float("-inf"), None)

    @property
    def store(self) -> Path:
        """The folder of all takes."""
        return self._settings.store.folder.expanduser()

    def now(self) -> Now:
        """What everything is doing now."""
        return Now(
            version=__version__,
            began_utc=self._began_utc,
            printers=tuple(runner.now() for runner in self._runners.values()),
            stitch=self._stitcher.now(),
            disk=self._free(),
        )

    def _free(self) -> DiskNow | None:
        looked_s, seen = self._disk
        if clock.monotonic() - looked_s >= LOOK_AT_DISK_EVERY_S:
            try:
                seen = DiskNow(round(space.free_mb(self.store), 1), self._settings.store.min_free_mb)
            except LapsedError:
                seen = None
            self._disk = clock.monotonic(), seen
        return seen

    def clips(self) -> Clips:
        """The clips of the configuration."""
        return Clips(
            clips=tuple(
                ClipShape(
                    name=clip.name,
                    codec=clip.codec,
                    width_px=clip.size_px[0] if clip.size_px is not None else None,
                    height_px=clip.size_px[1] if clip.size_px is not None else None,
                    focus_x=clip.focus[0],
                    focus_y=clip.focus[1],
                )
                for clip in self._settings.clip
            )
        )

    def skip(self, printer: str, *, on: bool) -> Done:
        """No shots until further notice, or shots again."""
        self._runner(printer).tell(s.Skip(on))
        return Done(text="no shots until further notice" if on else "shots are taken again")

    async def signal(self, printer: str, wish: SignalWish) -> Done:
        """What a host signals; a key that was used before is answered as it was then."""
        runner = self._runner(printer)
        if wish.key is None:
            return await _signalled(runner, wish)
        known = (printer, wish.key)
        if known not in self._signals:
            self._signals[known] = asyncio.get_running_loop().create_task(_signalled(runner, wish))
            while len(self._signals) > MOST_SIGNALS:
                self._signals.popitem(last=False)
        return await asyncio.shield(self._signals[known])

    async def shoot(self, printer: str, camera: str | None) -> Done:
        """A shot of the print while one is filmed, else a test frame."""
        runner = self._runner(printer)
        now = runner.now()
        if now.take is not None:
            runner.tell(s.ShootNow())
            return Done(text="a shot is on its way")
        return await self._test_frame(runner, now, camera or now.cameras[0].name)

    async def _test_frame(self, runner: Runner, now: PrinterNow, camera: str) -> Done:
        folder = self.store / TEST_FRAMES
        stem = f"{now.name}_{camera}_{clock.utc_now():%Y%m%d-%H%M%S-%f}"
        try:
            await asyncio.to_thread(_keep_room, folder)
        except OSError as error:
            raise UserError(f"no test frame can be kept in {folder}: {error.strerror}; look after the disk") from error
        became = await runner.test_frame(camera, folder, stem)
        if isinstance(became, Missed):
            raise UserError(f"no test frame: {became.reason}")
        if isinstance(became, OnCard):
            return Done(text=f"camera {camera} was released; its picture is on its card")
        return Done(text=f"a test frame of camera {camera} is taken", frame=became.files[0])

    async def check(self, printer: str) -> Checks:
        """What can be told of host, machine, disk and cameras; cameras are left alone while they film."""
        runner = self._runner(printer)
        part = next(part for part in self._settings.printer if part.name == printer)
        now = runner.now()
        store = await asyncio.to_thread(place.store, self.store)
        last = await asyncio.to_thread(of_all, self.store, part)
        wanted = now.take.to_come if now.take is not None else judge.frames_wanted(part.cadence)
        each = sum(one.bytes_each or 0 for one in last.values()) or None
        found = [
            Check("host", Verdict.PASS, "heard")
            if now.link
            else Check("host", Verdict.FAIL, now.link_text, _HOST_ADVICE),
            judge.park_point(part.machine, part.cadence),
            *judge.store(store, self._settings.store.min_free_mb, wanted, each),
        ]
        if now.take is not None:
            found += [Check(f"camera {one.name}", Verdict.PASS, f"filming; {one.text}") for one in now.cameras]
        else:
            for name, checks in (await runner.inspect()).items():
                named = f"camera {name}"
                found += [
                    check if check.what == named else replace(check, what=f"{named}: {check.what}")
                    for check in judge.supplies(checks, last[name], Wanted(None, wanted))
                ]
        return Checks(checks=tuple(CheckLine.model_validate(asdict(one)) for one in found))

    def test_frame(self, name: str) -> Path:
        """The file of a test frame."""
        path = self.store / TEST_FRAMES / name
        if Path(name).name != name or name.startswith(".") or path.is_symlink() or not path.is_file():
            raise NotHereError(f"there is no test frame {name!r} any more")
        return path

    def end_take(self, printer: str) -> Done:
        """End the open take; the print goes on."""
        runner = self._runner(printer)
        if runner.now().take is None:
            raise UserError(f"{printer} has no take that could be ended")
        runner.tell(s.EndTake())
        return Done(text="the take ends when its last frame is in; the print goes on")

    def stitch(self, take: Path, wish: StitchWish) -> Done:
        """Stitch the take when there is time."""
        if take.name in self._filmed():
            raise UserError(f"{take.name} is still being filmed; it can be stitched when it is over")
        options = [word for name in wish.clips for word in ("--clip", name)]
        for option, value in (
            ("--size", wish.size),
            ("--rate", wish.rate),
            ("--length", wish.length_s),
            ("--codec", wish.codec),
        ):
            options += [option, str(value)] if value is not None else []
        both = sorted({*wish.keep} & {*wish.drop})
        if both:
            raise UserError(f"the frame of shot {both[0]} can't be both kept and left out; choose one")
        for option, shots in (("--keep", wish.keep), ("--drop", wish.drop)):
            options += [option, ",".join(map(str, shots))] if shots else []
        self._stitcher.enqueue(take, options=tuple(options))
        return Done(text="it is stitched when there is time" if self._stitcher.now().stands_still else "being stitched")

    async def delete(self, take: Path) -> Done:
        """Delete the take and all its frames."""
        if take.name in self._filmed():
            raise UserError(f"{take.name} is still being filmed; end the take first")
        if self._stitcher.works_on(take):
            raise UserError(f"{take.name} is being stitched, or waits for it; delete it afterwards")
        shots = sum((await asyncio.to_thread(digest, take)).counts.values())
        handle = await _alone(take)
        try:
            await asyncio.to_thread(shutil.rmtree, take)
        except OSError as error:
            raise UserError(f"{take.name} could not be deleted whole: {error.strerror}; look after the disk") from error
        finally:
            os.close(handle)
        self.bell.ring()
        return Done(text=f"{take.name} and its {shots} shots are deleted")

    def _filmed(self) -> set[str | None]:
        takes = (runner.now().take for runner in self._runners.values())
        return {take.name for take in takes if take is not None}

    def _runner(self, printer: str) -> Runner:
        if printer not in self._runners:
            raise NotHereError(f"there is no printer {printer!r}; there is {', '.join(self._runners)}")
        return self._runners[printer]


async def _alone(take: Path) -> int:
    """The lock of a take, waited for while the end of its print is still being written."""
    until = clock.monotonic() + CLOSED_WITHIN_S
    while True:
        try:
            return await asyncio.to_thread(space.lock, take)
        except UserError:
            if clock.monotonic() > until:
                raise
            await asyncio.sleep(0.05)


async def _signalled(runner: Runner, wish: SignalWish) -> Done:
    signal = Signal(wish.signal, wish.file, wish.layer, wish.layers, wish.height_mm, Outcome(wish.outcome))
    return Done(text=await runner.signal(signal, wait=wish.wait))


def _keep_room(folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for path in sorted(folder.iterdir(), key=lambda path: path.stat().st_mtime)[: 1 - MOST_TEST_FRAMES]:
        path.unlink()
