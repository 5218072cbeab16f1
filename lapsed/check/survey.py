"""The whole check of one printer: facts are gathered, judged, and put into sections."""

import asyncio
import shutil
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path

from lapsed.camera.battery import Wanted
from lapsed.check import judge, place
from lapsed.check.bridged import bridge
from lapsed.check.facts import Lately, TrialFrame, TrialShot
from lapsed.check.holders import camera_nodes, holders
from lapsed.check.lately import of_all
from lapsed.check.printed import Printed
from lapsed.check.session import Session, Taken, opened
from lapsed.check.table import Section
from lapsed.errors import RetryError, UserError
from lapsed.forecaster import read
from lapsed.model import Check, PrintInfo, Verdict
from lapsed.settings import (
    BridgeLink,
    Camera,
    CaptureCamera,
    Clip,
    GphotoCamera,
    Printer,
    ReleaseCamera,
    Settings,
    SignalLink,
)

INSPECT_WITHIN_S = 25.0


@dataclass(slots=True)
class _Seen:
    """What looking at one camera came to."""

    checks: list[Check]
    shots: list[TrialShot] = field(default_factory=list)
    frame: TrialFrame | None = None
    bytes_each: int | None = None

    def compare(self, last: Lately, wanted: Wanted) -> None:
        """Judge card and battery against what is wanted, by the test shots, and else by the last take."""
        self.bytes_each = self.bytes_each or last.bytes_each
        self.checks = list(judge.supplies(self.checks, replace(last, bytes_each=self.bytes_each), wanted))


@dataclass(slots=True)
class _Told:
    """What host and printed file came to: the print, and the share of it that is done."""

    checks: tuple[Check, ...]
    print: PrintInfo | None = None
    done: float = 0.0
    printed: Printed | None = None

    @property
    def hours(self) -> float | None:
        """How long the print is still to take, h."""
        if self.print is None or self.print.expected_s is None:
            return None
        return self.print.expected_s * (1 - self.done) / 3600


@dataclass(frozen=True, slots=True)
class Survey:
    """How a printer is checked: `kinds` names where each kind of camera lives, `shots` are the test shots of each.

    `file` is what is to be printed: a path, or its name where the host keeps its files.
    `out` is the folder for the test frames. With `daemon`, the process id of a daemon that has the cameras, they are
    left alone, and `ask` has it look over those of a printer.
    """

    settings: Settings
    kinds: Mapping[str, str]
    shots: int
    out: Path
    daemon: int | None
    ask: Callable[[str], tuple[Check, ...]]
    file: str | None = None

    async def of(self, printer: Printer) -> list[Section]:
        """The sections of `printer`: host, machine and disk, then each camera."""
        asking = asyncio.create_task(self._host(printer))
        seen = [await self._camera(printer, camera) for camera in printer.camera]
        for camera, one in zip(printer.camera, seen, strict=True):
            if camera.power is not None:
                one.checks.append(judge.power(camera.power, shutil.which(camera.power.argv[0])))
        told = await asking
        wanted = judge.frames_wanted(printer.cadence, told.print, told.done)
        last = await asyncio.to_thread(of_all, self.settings.store.folder.expanduser(), printer)
        for camera, one in zip(printer.camera, seen, strict=True):
            one.compare(last[camera.name], Wanted(told.hours, wanted))
        each = sum(one.bytes_each or 0 for one in seen) or None
        return [
            Section(printer.name, "host", told.checks),
            Section(printer.name, "machine and disk", await self._machine(printer, told, wanted, each)),
            *(
                Section(
                    printer.name, f"camera {camera.name}", tuple(one.checks), one.frame.light if one.frame else None
                )
                for camera, one in zip(printer.camera, seen, strict=True)
            ),
        ]

    async def _machine(self, printer: Printer, told: _Told, wanted: int | None, each: int | None) -> tuple[Check, ...]:
        """The lines of machine, printed file and disk; `each` is the bytes that a shot takes."""
        printed = told.printed
        lines = [judge.park_point(printer.machine, printer.cadence, printed.top_mm if printed is not None else None)]
        if printer.files is not None and printer.files.folder is not None:
            lines.append(await asyncio.to_thread(place.files, printer.files.folder.expanduser()))
        if printed is not None:
            lines.append(printed.line(wanted))
        store = await asyncio.to_thread(place.store, self.settings.store.folder.expanduser())
        return (*lines, *judge.store(store, self.settings.store.min_free_mb, wanted, each))

    async def _host(self, printer: Printer) -> _Told:
        """What the host comes to, and the print that is judged for: the file that was asked for, else the host's."""
        if isinstance(printer.link, BridgeLink):
            told = _Told((await bridge(printer.link, printer.name),))
        elif isinstance(printer.link, SignalLink):
            text = "tells of its prints by itself, with lapsed signal or a URL"
            told = _Told((Check("host", Verdict.PASS, text),))
        else:
            seen = await place.host(printer.link)
            told = _Told(tuple(judge.host(seen, printer)), seen.running, seen.done if seen.running is not None else 0.0)
            if self.file is None and printer.files is not None and seen.file:
                told.printed = Printed(seen.file, *await read(seen.file, printer.files, printer.machine), named=False)
        if self.file is not None:
            name, files = place.file(self.file, printer.files)
            told.printed = Printed(self.file, *await read(name, files, printer.machine), named=True)
            told.done = 0.0
        if told.printed is not None:
            told.print = told.printed.told(told.print if self.file is None else None)
        return told

    async def _camera(self, printer: Printer, camera: Camera) -> _Seen:
        if self.daemon is not None:
            named = f"camera {camera.name}"
            told = [check for check in await self._told(printer) if check.what.partition(": ")[0] == named]
            text = f"the daemon (process {self.daemon}) has it"
            advice = "" if told else "read the daemon's log for how it is, or stop the daemon and check again"
            found = Check("found", Verdict.PASS if told else Verdict.WARN, text, advice)
            return _Seen([found, *(replace(check, what=check.what.partition(": ")[2] or "now") for check in told)])
        try:
            async with opened(camera, self.kinds[camera.kind]) as session:
                return await self._looked_over(session, printer, camera)
        except RetryError as error:
            held = await asyncio.to_thread(lambda: holders(_nodes(camera)))
            return _Seen([judge.away(str(error), camera.kind, held)])

    async def _told(self, printer: Printer) -> tuple[Check, ...]:
        """What the daemon itself says when it looks its cameras over; nothing where it can't be asked."""
        try:
            return await asyncio.to_thread(self.ask, printer.name)
        except (RetryError, UserError):
            return ()

    async def _looked_over(self, session: Session, printer: Printer, camera: Camera) -> _Seen:
        seen = _Seen([Check("found", Verdict.PASS, await session.ready())])
        try:
            async with asyncio.timeout(INSPECT_WITHIN_S):
                seen.checks += await session.inspect()
        except TimeoutError:
            seen.checks.append(Check("settings", Verdict.FAIL, "the camera did not tell them in time", "try again"))
        last: Taken | None = None
        for _ in range(self.shots):
            taken = await session.shoot()
            seen.shots.append(taken.shot)
            if taken.files:
                last = taken
                seen.bytes_each = sum(path.stat().st_size for path in taken.files)
            if taken.shot.missed is not None:
                break  # the next would most likely miss for the same reason, after as long a wait
        seen.checks += judge.cycle(seen.shots, camera, printer.cadence)
        if last is not None:
            seen.frame = await asyncio.to_thread(self._kept, last, f"{printer.name}-{camera.name}")
        if seen.frame is not None:
            seen.checks += judge.frame(seen.frame, camera, self._clips(printer))
        return seen

    def _clips(self, printer: Printer) -> tuple[Clip, ...]:
        return self.settings.clips_of(printer)

    def _kept(self, taken: Taken, name: str) -> TrialFrame | None:
        """Look at the test frame, and keep it where a person finds it."""
        from lapsed.check import picture  # noqa: PLC0415 - loads image libraries, which a check without a camera spares

        path = taken.files[0]
        with suppress(OSError):
            self.out.mkdir(parents=True, exist_ok=True)
            path = Path(shutil.copyfile(path, self.out / f"{name}{path.suffix}"))
        return picture.look(path)


def _nodes(camera: Camera) -> frozenset[str]:
    """The device nodes that another program would have open if it had the camera."""
    match camera:
        case GphotoCamera():
            return camera_nodes()
        case CaptureCamera(device=name) | ReleaseCamera(port=name):
            return frozenset({str(Path(name).resolve())})
        case _:
            return frozenset()
