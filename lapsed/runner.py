"""One printer: tells the director what happens, and carries out what it decides.

No decision is made here. What blocks (disk, host, camera) runs in tasks, threads and processes, and what became of it
is told to the director as an event.
"""

import asyncio
import logging
from collections import deque
from collections.abc import Callable, Coroutine, Mapping
from dataclasses import asdict
from pathlib import Path

from lapsed import clock, forecaster
from lapsed.by_signal import BySignal, Signal
from lapsed.camera.keeper import Starts
from lapsed.cameras import Cameras
from lapsed.decide import director
from lapsed.decide import state as s
from lapsed.errors import LapsedError, RetryError, TakeEndedError, UserError
from lapsed.holds import Holds
from lapsed.ledger import Ledger
from lapsed.model import (
    CameraEvent,
    CameraTold,
    Check,
    Forecast,
    Landed,
    Missed,
    Note,
    OnCard,
    PrintTold,
    Released,
    Why,
)
from lapsed.now import PrinterNow, Told
from lapsed.onlooker import Onlooker
from lapsed.recorder import LeftOpen, Recorder, records_of
from lapsed.rules import rules_of
from lapsed.settings import Printer, Store
from lapsed.take.records import CameraNoted, Kept, Noted, PrintNoted

log = logging.getLogger(__name__)

DISK_AGAIN_S = 2.0
"""Between looks after a disk that refused to be written."""


class Runner:
    """Films one printer into takes in `store`.

    `kinds` names where each kind of camera lives. `busy` is told whether a print is running, `ended` the folder of each
    take that is over, `changed` is called whenever `now` may have, and `notice` hears what a person may want to know.
    `starts` is shared with the other printers; `spared` tells the takes that nothing may be removed from.
    """

    def __init__(
        self,
        printer: Printer,
        store: Store,
        kinds: Mapping[str, str],
        *,
        busy: Callable[[str, bool], None],
        ended: Callable[[Path], None],
        starts: Starts | None = None,
        changed: Callable[[], None] = lambda: None,
        notice: Callable[[Told], None] = lambda _: None,
        spared: Callable[[], frozenset[Path]] = frozenset,
    ) -> None:
        self.name = printer.name
        self._printer = printer
        self._busy = busy
        self._ended = ended
        self._changed = changed
        self._notice = notice
        self._onlooker = Onlooker(printer, self._noticed)
        self._state = director.start(rules_of(printer))
        self._cameras = Cameras(printer, kinds, starts, self._camera, lambda: self._state.shot is not None)
        self._recorder = Recorder(
            printer, store, over=self._take_over, failed=self._trouble, thinned=self._thinned, spared=spared
        )
        self._holds = Holds(printer, self._recorder, self.tell, self._do)
        self._forecaster = forecaster.Forecaster(printer, self._file_read)
        self._events: deque[s.Event] = deque()
        self._turning = False
        self._timer: asyncio.TimerHandle | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self._looking_after: asyncio.Task[None] | None = None
        self.refusal: TakeEndedError | None = None

    @property
    def ready(self) -> bool:
        """Whether the host is heard and every camera is ready."""
        return self._state.link and self._cameras.ready

    @property
    def holding(self) -> bool:
        """Whether a shot is under way, for which the print may be waiting."""
        return self._state.shot is not None

    @property
    def idle(self) -> bool:
        """Whether no print is filmed and nothing of the last is still to come."""
        state = self._state
        return state.take is None and state.shot is None and not state.pending and not self._cameras.on_trial

    def now(self) -> PrinterNow:
        """What the printer is doing now."""
        folder = self._recorder.folder
        return self._onlooker.now(self._state, folder.name if folder is not None else None, clock.monotonic())

    # ------------------------------------------------------------------------------------------------ start and end

    async def recover(self) -> None:
        """Go on with the take that the last daemon left open, and close older ones; before `run`.

        Where the disk refuses, `refusal` tells it, and `run` first lets go of a print that is still held.
        """
        left = await self._recorder.left_open()
        if left is not None:
            self._onlooker.go_on(left.digest, clock.stamp())
            self._go_on(left)
            self.refusal = left.refusal

    def _go_on(self, left: LeftOpen) -> None:
        take = left.take
        come_back = take.hold.come_back if take.hold is not None else ()
        self._holds = Holds(self._printer, self._recorder, self.tell, self._do, known=take.print, come_back=come_back)
        forecast = forecaster.kept(take.meta.get("forecast"))
        if forecast is None:
            self._forecaster.begin(take.print.name)
        self.tell(
            s.Recovered(
                take.print,
                take.cues,
                take.since_s,
                take.layer,
                take.first_layer,
                take.top_mm,
                take.cues if take.marked else None,
                left.silent_s,
                holding=take.hold.shot if take.hold is not None else None,
                left=bool(come_back),
                missed=take.unfilmed,
                held_s=take.held_s,
                forecast=forecast,
                cued_s=take.cued_s,
                ended=take.ended,
            )
        )

    async def run(self) -> None:
        """Film until cancelled."""
        self._mind_the_disk()
        try:
            async with asyncio.TaskGroup() as group:
                group.create_task(self._holds.by.run(), name=f"link {self.name}")
                self._cameras.run(group, self.name)
        finally:
            if self._timer is not None:
                self._timer.cancel()
            for task in self._tasks:
                task.cancel()
            await asyncio.gather(*self._tasks, return_exceptions=True)
            await self._forecaster.leave()
            await self._recorder.leave()

    async def leave(self, until: float, landed: float) -> None:
        """Let go of the print; returns when the head is back and what was exposed has landed.

        The head is waited for until `until`, a frame until `landed`, both on the monotonic clock.
        """
        self.tell(s.Leave())
        for waits, patience in ((lambda: self._state.shot, until), (lambda: self._state.pending, landed)):
            while waits() and clock.monotonic() < patience:  # noqa: ASYNC110 - once in a daemon's life
                await asyncio.sleep(0.02)

    # ------------------------------------------------------------------------------------------------------- events

    def tell(self, event: s.Event) -> None:
        """Have the director decide on `event`, and carry out what it asks for; call it on the loop."""
        self._events.append(event)
        if self._turning:
            return
        self._turning = True
        try:
            while self._events:
                self._turn(self._events.popleft())
        finally:
            self._turning = False
        self._set_timer()

    def _turn(self, event: s.Event) -> None:
        was, stamp = self._state.take, clock.stamp()
        self._state, actions = director.step(self._state, event, stamp.mono_s)
        self._onlooker.heard(event, stamp)
        if self._state.shot is not None:  # else they may do as they like once the shot is over for good
            self._cameras.meanwhile(filming=self._state.take is not None, shooting=True)
        for action in actions:
            self._onlooker.asked(action, stamp)
            self._carry_out(action)
            if isinstance(action, s.WriteCue):
                self._recorder.write(Kept({"printed_top_mm": self._state.track.top_mm}))
                if self._state.stopped is not None:
                    self._do(self._look_at_disk())  # room may have been made since
        if isinstance(event, PrintTold):
            self._recorder.write(PrintNoted(event.print))
            if self._state.take is not None:
                self._forecaster.begin(event.print.name)
        self._cameras.meanwhile(filming=self._state.take is not None, shooting=self._state.shot is not None)
        if (was is None) != (self._state.take is None):
            self._busy(self.name, self._state.take is not None)
        self._mind_the_disk()
        self._changed()

    def _mind_the_disk(self) -> None:
        """Give up the take that was found on a disk that refuses, once no print waits for the end of its hold."""
        if self.refusal is not None and not self.holding:
            refusal, self.refusal = self.refusal, None
            log.error("%s: %s", self.name, refusal)
            self._trouble(refusal, given_up=True)

    def _noticed(self, kind: str, text: str, utc: str) -> None:
        folder = self._recorder.folder
        self._notice(Told(kind, self.name, folder.name if folder is not None else None, text, utc))

    def _set_timer(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        wake = director.wake_at(self._state)
        if wake is not None and wake != float("inf"):
            # The loop's clock is the monotonic one (asyncio, "Event Loop", loop.time).
            self._timer = asyncio.get_running_loop().call_at(wake, self.tell, s.Tick())

    def _camera(self, event: CameraEvent) -> None:
        was = self._onlooker.told.get(event.camera)
        if not isinstance(event, Landed):
            self._onlooker.camera(event, clock.stamp())
        match event:
            case CameraTold():
                # A battery that is a little lower is no news.
                level = logging.DEBUG if was is not None and was.ready and event.ready else logging.INFO
                log.log(level, "camera %s of %s: %s", event.camera, self.name, event.text)
                self._recorder.write(CameraNoted(event, clock.stamp()))
                self.tell(event)
            case Landed():
                # Landed means safe: the row is committed before anyone hears of it.
                self._do(self._land(event))
            case Released():
                self.tell(event)
                self._recorder.write(CameraNoted(event, clock.stamp()))
                self._recorder.write(*self._cameras.spread(event))
            case _:
                # First the row: with the end of its last shot the take is closed.
                self._recorder.write(CameraNoted(event, clock.stamp()))
                self.tell(event)
                if isinstance(event, Missed):
                    log.warning("shot %d of %s missed: %s", event.shot, event.camera, event.reason)

    async def _land(self, event: Landed) -> None:
        if self._recorder.take is not None:
            await self._recorder.take.written(CameraNoted(event, clock.stamp()))
        self._onlooker.camera(event, clock.stamp())
        self.tell(event)
        await self._look_at_disk()
        stamp = clock.stamp()
        for text in self._onlooker.runs_short(self._state, self._recorder.room_mb, stamp):
            self._recorder.write(Noted(Note("supplies", text), stamp))

    def _file_read(self, name: str, forecast: Forecast | None, reason: str) -> None:
        if forecast is None:
            log.warning("%s: %s could not be read beforehand: %s", self.name, name, reason)
        else:
            self._recorder.write(Kept({"forecast": asdict(forecast)}))
        self.tell(s.FileRead(name, forecast, reason))

    # ------------------------------------------------------------------------------------------------------ actions

    def _carry_out(self, action: s.Action) -> None:
        match action:
            case s.OpenTake(info):
                take = self._recorder.open(info)
                self._recorder.write(*(CameraNoted(told, clock.stamp()) for told in self._onlooker.told.values()))
                self._cameras.begin_take()
                self._forecaster.begin(info.name)
                self._do(self._begun(take, info.name, clock.stamp().utc))
                self._do(self._look_at_disk())
            case s.CloseTake(outcome, reason):
                self._forecaster.end()
                self._recorder.close(outcome, reason, self._synced)
            case s.Release(shot, by_s):
                self._release(shot, by_s)
            case s.Hold() | s.Ask() | s.Plan() | s.SendLeave() | s.SendBack() | s.Resume() | s.HoldOver():
                self._holds.carry_out(action)
            case _:
                self._recorder.write(*records_of(action))

    def _release(self, shot: int, by_s: float) -> None:
        take = self._recorder.take
        if take is None:
            for name in self._cameras.names:
                self.tell(Missed(shot, name, clock.monotonic(), "there is no take to keep the frame in"))
            return
        if take.folder is None:
            self._do(self._release_when_open(take, shot, by_s))
            return
        self._recorder.write(*self._cameras.order(shot, take.folder, by_s))

    async def _release_when_open(self, take: Ledger, shot: int, by_s: float) -> None:
        await take.opened()
        self._release(shot, by_s)

    # ------------------------------------------------------------------------------------------------- signals

    async def signal(self, signal: Signal, *, wait: bool) -> str:
        """Take in what the host signals; what became of the frame it was worth, in a sentence.

        With `wait` it returns when the shutter has closed, and after `hold_limit_s` at the latest. Raises UserError.
        """
        before = self._state.take.cues if self._state.take is not None else 0
        if isinstance(self._holds.by, BySignal):
            self._holds.by.signal(signal)
        elif signal.kind == "cue":
            self.tell(s.ShootNow(Why.SIGNAL))
        else:
            raise UserError(
                f"{self.name} is followed by its {self._printer.link.kind}; it can be signalled a cue alone"
            )
        take = self._state.take
        if take is None or take.cues in (before, 0) or signal.kind in ("start", "end"):
            return "heard" if signal.kind in ("start", "end") else "no frame is wanted here"
        shot = take.cues
        until = clock.monotonic() + (self._printer.cadence.hold_limit_s if wait else 0.0)
        while shot not in self._onlooker.fates and clock.monotonic() < until:  # noqa: ASYNC110 - as long as a shutter
            await asyncio.sleep(0.01)
        return f"shot {shot}: {self._onlooker.fates.get(shot, 'under way')}"

    # -------------------------------------------------------------------------------------- checks and test frames

    async def inspect(self) -> dict[str, tuple[Check, ...]]:
        """What each camera says when it is looked over."""
        return await self._cameras.inspect()

    async def test_frame(self, camera: str, folder: Path, stem: str) -> Landed | OnCard | Missed:
        """One picture that belongs to no take, its files named `stem` in `folder`; refused while a print is filmed."""
        if self._state.take is not None or self._state.pending:
            raise RetryError(f"{self.name} is filming a print; a test frame would be in its way")
        return await self._cameras.test_frame(camera, folder, stem)

    # ------------------------------------------------------------------------------------------------ take and disk

    async def _begun(self, take: Ledger, name: str, utc: str) -> None:
        if (folder := await take.opened()) is not None:
            self._notice(Told("take started", self.name, folder.name, f"{name or 'a print'} is being filmed", utc))
        await self._synced(take)

    async def _synced(self, take: Ledger) -> None:
        """Take sync shots, where they are wanted, and journal them."""
        if (folder := await take.opened()) is not None and (notes := await self._cameras.sync(folder)):
            take.write(*notes)

    def _take_over(self, folder: Path, text: str) -> None:
        self._notice(Told("take ended", self.name, folder.name, text, clock.stamp().utc))
        self._ended(folder)

    def _trouble(self, error: LapsedError, given_up: bool) -> None:
        self._onlooker.went_wrong(str(error), clock.stamp())
        if given_up:
            self.tell(s.TakeFailed(str(error)))
            if self._looking_after is None or self._looking_after.done():
                self._looking_after = self._do(self._look_after_disk())

    async def _look_after_disk(self) -> None:
        """As long as a print goes on unfilmed, because its take could not be written."""
        while self._state.unfilmed is not None:
            await asyncio.sleep(DISK_AGAIN_S)
            if await self._recorder.well_again():
                self.tell(s.DiskWell())

    def _thinned(self, text: str) -> None:
        self._noticed("trouble", text, clock.stamp().utc)

    async def _look_at_disk(self) -> None:
        reason = await self._recorder.short_of_room()
        if reason != self._state.stopped:
            self.tell(s.Stopped(reason))

    def _do(self, work: Coroutine[object, object, None]) -> asyncio.Task[None]:
        task = asyncio.get_running_loop().create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._done)
        return task

    def _done(self, task: asyncio.Task[None]) -> None:
        self._tasks.discard(task)
        if not task.cancelled() and task.exception() is not None:
            log.error("%s: a task failed", self.name, exc_info=task.exception())
