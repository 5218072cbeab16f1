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
from typing import Any

from lapsed import clock, forecaster
from lapsed.by_bridge import ByBridge
from lapsed.by_feed import ByFeed
from lapsed.by_signal import BySignal, Signal
from lapsed.camera.keeper import Keeper, Starts
from lapsed.decide import director
from lapsed.decide import state as s
from lapsed.errors import BugError, LapsedError, RetryError, UserError
from lapsed.gcode import park
from lapsed.ledger import Ledger
from lapsed.model import (
    Block,
    CameraEvent,
    CameraTold,
    Check,
    Forecast,
    Landed,
    Missed,
    Note,
    OnCard,
    Outcome,
    PrintInfo,
    PrintTold,
    Refusal,
    Released,
    Why,
)
from lapsed.now import PrinterNow, Told
from lapsed.onlooker import Onlooker
from lapsed.rules import rules_of
from lapsed.settings import BridgeLink, Printer, ReleaseCamera, SignalLink, Store
from lapsed.sync_shots import SyncShots
from lapsed.take import reader, recovery, space, thinning
from lapsed.take.journal import boot_id
from lapsed.take.records import (
    CameraNoted,
    CueNoted,
    HoldCleared,
    HoldNoted,
    Kept,
    Noted,
    PrintNoted,
    Record,
    ShotOrdered,
    StepNoted,
)
from lapsed.trials import Trials

log = logging.getLogger(__name__)

CLOSE_WITHIN_S = 5.0
"""How long a daemon that ends waits for takes that are just being closed; then the next start closes them."""

JOURNAL_WITHIN_S = 2.0
"""How long a hold waits for the disk to take its intention; a slower disk costs the shot, never the print."""

# Addresses, headers and arguments may carry passwords; a take is made to be handed on.
_SECRETS = {"url", "user", "password", "token", "argv"}
_PRIVATE: dict[str, Any] = {"link": {"headers", "url"}, "files": {"headers", "url"}, "camera": {"__all__": _SECRETS}}


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
        self._store = store.folder.expanduser()
        self._least_free_mb = store.min_free_mb
        self._thins = store.thin
        self._spared = spared
        self._thinning = asyncio.Lock()
        self._busy = busy
        self._ended = ended
        self._changed = changed
        self._notice = notice
        self._onlooker = Onlooker(printer, self._noticed)
        self._state = director.start(rules_of(printer))
        self._keepers = {
            camera.name: Keeper(camera, kinds[camera.kind], self._camera, starts) for camera in printer.camera
        }
        self._trials = Trials(printer, self._keepers)
        self._by = self._hand(None)
        wanting = {part.name for part in printer.camera if isinstance(part, ReleaseCamera) and part.sync_shots}
        synced = {name: keeper for name, keeper in self._keepers.items() if name in wanting}
        self._sync = SyncShots(synced, lambda: self._state.shot is not None)
        self._forecaster = forecaster.Forecaster(printer, self._file_read)
        self._events: deque[s.Event] = deque()
        self._turning = False
        self._timer: asyncio.TimerHandle | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self._closing: set[asyncio.Task[None]] = set()
        self._take: Ledger | None = None
        self._block: Block | None = None
        self._came_back: tuple[str, ...] = ()
        self._cleared: asyncio.Future[bool] | None = None
        self._released: dict[int, list[float]] = {}
        self._seen: set[str] = set()

    @property
    def ready(self) -> bool:
        """Whether the host is heard and every camera is ready."""
        return self._state.link and self._seen == set(self._keepers)

    @property
    def idle(self) -> bool:
        """Whether no print is filmed and nothing of the last is still to come."""
        state = self._state
        return state.take is None and state.shot is None and not state.pending and not self._trials.busy

    def now(self) -> PrinterNow:
        """What the printer is doing now."""
        folder = self._take.folder if self._take is not None else None
        return self._onlooker.now(self._state, folder.name if folder is not None else None, clock.monotonic())

    # ------------------------------------------------------------------------------------------------ start and end

    async def recover(self) -> None:
        """Go on with the take that the last daemon left open, and close older ones; before `run`."""
        found = await asyncio.to_thread(recovery.find_open, self._store)
        mine = [folder for folder in found if await asyncio.to_thread(_printer_of, folder) == self.name]
        for folder in mine:
            stamp = clock.stamp()
            silent_s = await asyncio.to_thread(_silent_s, folder, stamp)
            take = await asyncio.to_thread(recovery.recover, folder, stamp)
            if folder is mine[-1]:
                self._onlooker.go_on(await asyncio.to_thread(reader.read_take, folder))
                self._go_on(take, silent_s)
            else:
                reason = "a later take was begun before this one was ended"
                await asyncio.to_thread(recovery.finish, folder, Outcome.LOST, reason, stamp)

    def _go_on(self, take: recovery.Recovered, silent_s: float) -> None:
        self._take = Ledger.going_on(take.folder, self._keepers, self._trouble, take.since_s)
        self._came_back = take.hold.come_back if take.hold is not None else ()
        self._by = self._hand(take.print)
        log.info("take %s goes on after cue %d", take.folder.name, take.cues)
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
                silent_s,
                holding=take.hold.shot if take.hold is not None else None,
                left=bool(self._came_back),
                missed=take.unfilmed,
                held_s=take.held_s,
                forecast=forecast,
                cued_s=take.cued_s,
            )
        )

    def _hand(self, known: PrintInfo | None) -> ByFeed | ByBridge | BySignal:
        """The hand on the print, by the kind of link; `known` is the print that was filmed before."""
        link, limit_s = self._printer.link, self._printer.cadence.hold_limit_s
        if isinstance(link, BridgeLink):
            return ByBridge(link, self.name, limit_s, self.tell)
        if isinstance(link, SignalLink):
            return BySignal(link, self.tell, known)
        return ByFeed(link, limit_s, self.tell, self._do, known)

    async def run(self) -> None:
        """Film until cancelled."""
        try:
            async with asyncio.TaskGroup() as group:
                group.create_task(self._by.run(), name=f"link {self.name}")
                for keeper in self._keepers.values():
                    group.create_task(keeper.run(), name=f"camera {self.name}")
        finally:
            if self._timer is not None:
                self._timer.cancel()
            for task in self._tasks - self._closing:
                task.cancel()
            if self._closing:
                await asyncio.wait(self._closing, timeout=CLOSE_WITHIN_S)
            for task in self._closing:
                task.cancel()
            await asyncio.gather(*self._tasks, return_exceptions=True)
            await self._forecaster.leave()
            if self._take is not None:
                await self._take.leave()

    async def leave(self, until: float) -> None:
        """Let go of the print; returns when the head is back, or at `until` on the monotonic clock."""
        self.tell(s.Leave())
        while (self._state.shot is not None or self._state.pending) and clock.monotonic() < until:  # noqa: ASYNC110 - once in a daemon's life
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
        for action in actions:
            self._onlooker.asked(action, stamp)
            self._carry_out(action)
            if isinstance(action, s.WriteCue):
                self._write(Kept({"printed_top_mm": self._state.track.top_mm}))
                if self._state.stopped is not None:
                    self._do(self._look_at_disk())  # room may have been made since
        if isinstance(event, PrintTold):
            self._write(PrintNoted(event.print))
            if self._state.take is not None:
                self._forecaster.begin(event.print.name)
        if (was is None) != (self._state.take is None):
            self._busy(self.name, self._state.take is not None)
        self._changed()

    def _noticed(self, kind: str, text: str, utc: str) -> None:
        folder = self._take.folder if self._take is not None else None
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
        if SyncShots.concerns(event):
            self._sync.heard(event)
            return
        if Trials.concerns(event):
            self._trials.heard(event)
            return
        if not isinstance(event, Landed):
            self._onlooker.camera(event, clock.stamp())
        match event:
            case CameraTold():
                (self._seen.add if event.ready else self._seen.discard)(event.camera)
                log.info("camera %s of %s: %s", event.camera, self.name, event.text)
                self._write(CameraNoted(event, clock.stamp()))
            case Landed():
                # Landed means safe: the row is committed before anyone hears of it.
                self._do(self._land(event))
            case Released():
                self.tell(event)
                self._write(CameraNoted(event, clock.stamp()))
                self._spread(event)
            case _:
                # First the row: with the end of its last shot the take is closed.
                self._write(CameraNoted(event, clock.stamp()))
                self.tell(event)
                if isinstance(event, Missed):
                    log.warning("shot %d of %s missed: %s", event.shot, event.camera, event.reason)

    async def _land(self, event: Landed) -> None:
        if self._take is not None:
            await self._take.written(CameraNoted(event, clock.stamp()))
        self._onlooker.camera(event, clock.stamp())
        self.tell(event)
        await self._look_at_disk()

    def _file_read(self, name: str, forecast: Forecast | None, reason: str) -> None:
        if forecast is None:
            log.warning("%s: %s could not be read beforehand: %s", self.name, name, reason)
        else:
            self._write(Kept({"forecast": asdict(forecast)}))
        self.tell(s.FileRead(name, forecast, reason))

    def _spread(self, event: Released) -> None:
        """Journal how far apart the cameras of one shot were released."""
        if len(self._keepers) < 2:
            return
        times = self._released.setdefault(event.shot, [])
        times.append(event.at_s)
        if len(times) == len(self._keepers):
            del self._released[event.shot]
            spread_ms = (max(times) - min(times)) * 1000
            note = Note("spread", f"shot {event.shot}: released within {spread_ms:.1f} ms", {"spread_ms": spread_ms})
            self._write(Noted(note, clock.stamp()))

    # ------------------------------------------------------------------------------------------------------ actions

    def _carry_out(self, action: s.Action) -> None:
        match action:
            case s.OpenTake(info):
                settings = self._printer.model_dump(mode="json", exclude=_PRIVATE)
                meta = {"printer": self.name, "settings": settings}
                self._take = Ledger.beginning(self._store, info, meta, self._keepers, self._trouble)
                self._released.clear()
                self._forecaster.begin(info.name)
                self._do(self._synced(self._take))
                self._do(self._look_at_disk())
            case s.CloseTake(outcome, reason):
                self._forecaster.end()
                if self._take is not None:
                    self._closing.add(self._do(self._close(self._take, outcome, reason)))
                    self._take = None
            case s.Release(shot, by_s):
                self._release(shot, by_s)
            case s.Hold(shot):
                self._hold(shot)
            case s.Ask(shot):
                self._by.ask(shot)
            case s.Plan():
                self._plan(action)
            case s.SendLeave(shot):
                self._do(self._leave(shot))
            case s.SendBack(shot):
                self._by.back(shot, self._came_back)
            case s.Resume(shot):
                self._by.resume(shot)
            case s.HoldOver(shot):
                self._by.over(shot)
                self._cleared = self._take.write(HoldCleared()) if self._take is not None else None
            case _:
                self._write(*_records(action))

    def _release(self, shot: int, by_s: float) -> None:
        take = self._take
        if take is None:
            for name in self._keepers:
                self.tell(Missed(shot, name, clock.monotonic(), "there is no take to keep the frame in"))
            return
        if take.folder is None:
            self._do(self._release_when_open(take, shot, by_s))
            return
        for name, keeper in self._keepers.items():
            keeper.order(shot, take.folder, f"frames/{name}/{shot:06}", by_s)
        now = clock.stamp()
        self._write(*(ShotOrdered(shot, name, now) for name in self._keepers))

    async def _release_when_open(self, take: Ledger, shot: int, by_s: float) -> None:
        await take.opened()
        self._release(shot, by_s)

    def _plan(self, action: s.Plan) -> None:
        written = park.block(
            action.motion,
            self._printer.machine,
            self._by.top_mm(action.top_mm),
            action.shot,
            **self._by.terms(),
        )
        if isinstance(written, Refusal):
            self.tell(s.Failed(action.shot, s.Phase.PLANNING, written.reason))
            return
        self._block = written
        self._came_back = written.come_back
        self.tell(s.Planned(action.shot, written.leave_s, written.come_back_s))

    def _hold(self, shot: int) -> None:
        """Hold the print, and see to it that a later daemon would know of it.

        A host with a word of its own for our hold would tell it, and a bridge ends it by itself; otherwise the journal
        must know, before it is asked for. It also must where it may still hold the way back of the shot before: a later
        daemon would take this hold for that one, and send the head to where it was then.
        """
        cleared = self._cleared is None or (self._cleared.done() and self._cleared.result())
        if self._by.owns_hold and cleared:
            self._write(HoldNoted(shot, s.Phase.HOLDING, (), clock.stamp()))
            self._by.hold(shot)
        else:
            self._do(self._hold_noted(shot))

    async def _hold_noted(self, shot: int) -> None:
        if await self._intend(shot, s.Phase.HOLDING, ()):
            self._by.hold(shot)

    async def _leave(self, shot: int) -> None:
        """Move the head away, once a later daemon would know the way back."""
        block = self._block
        assert block is not None  # noqa: S101 - planned before
        if await self._intend(shot, s.Phase.PARKING, block.come_back):
            self._by.leave(shot, block)

    async def _intend(self, shot: int, phase: s.Phase, come_back: tuple[str, ...]) -> bool:
        take = self._take
        if take is None:
            return False
        try:
            async with asyncio.timeout(JOURNAL_WITHIN_S):
                written = await take.written(HoldNoted(shot, phase, come_back, clock.stamp()))
        except TimeoutError:
            written = False
        if not written:
            self.tell(s.Failed(shot, phase, "the journal could not be written in time"))
        return written

    # ------------------------------------------------------------------------------------------------- signals

    async def signal(self, signal: Signal, *, wait: bool) -> str:
        """Take in what the host signals; what became of the frame it was worth, in a sentence.

        With `wait` it returns when the shutter has closed, and after `hold_limit_s` at the latest. Raises UserError.
        """
        before = self._state.take.cues if self._state.take is not None else 0
        if isinstance(self._by, BySignal):
            self._by.signal(signal)
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
        return await self._trials.inspect()

    async def test_frame(self, camera: str, folder: Path, stem: str) -> Landed | OnCard | Missed:
        """One picture that belongs to no take, its files named `stem` in `folder`; refused while a print is filmed."""
        if self._state.take is not None or self._state.pending:
            raise RetryError(f"{self.name} is filming a print; a test frame would be in its way")
        return await self._trials.take(camera, folder, stem)

    # ------------------------------------------------------------------------------------------------ take and disk

    def _write(self, *records: Record) -> None:
        if self._take is not None:
            self._take.write(*records)

    async def _synced(self, take: Ledger) -> None:
        """Take sync shots, where they are wanted, and journal them."""
        folder = await take.opened()
        notes = await self._sync.take(folder) if folder is not None else ()
        if notes:
            take.write(*(Noted(note, clock.stamp()) for note in notes))

    async def _close(self, take: Ledger, outcome: Outcome, reason: str) -> None:
        if outcome is not Outcome.LOST:
            await self._synced(take)
        folder = await take.close(outcome, reason)
        if folder is not None:
            log.info("take %s is over: %s", folder.name, outcome)
            text = f"the take ended: {outcome}{f', {reason}' if reason else ''}"
            self._notice(Told("take ended", self.name, folder.name, text, clock.stamp().utc))
            self._ended(folder)

    def _trouble(self, take: Ledger, error: LapsedError) -> None:
        """A take could not be written: it is left as it is for the next start, and the print goes on without it."""
        log.error("%s: %s", self.name, error)
        self._onlooker.went_wrong(str(error), clock.stamp())
        if not isinstance(error, BugError) and take is self._take:
            self._take = None
            self._closing.add(self._do(take.leave()))
            self.tell(s.TakeFailed(str(error)))

    async def _look_at_disk(self) -> None:
        least = self._least_free_mb
        free = await asyncio.to_thread(space.free_mb, self._store)
        if free < least and self._thins and not self._thinning.locked():
            async with self._thinning:
                await self._thin(2 * least)
            free = await asyncio.to_thread(space.free_mb, self._store)
        reason = f"the disk has {free:.0f} MB left and min_free_mb is {least}" if free < least else None
        if reason != self._state.stopped:
            self.tell(s.Stopped(reason))

    async def _thin(self, wanted_mb: float) -> None:
        thinned = await asyncio.to_thread(thinning.make_room, self._store, wanted_mb, self._spared(), clock.stamp())
        if thinned:
            text = f"the frames of {', '.join(thinned)} were removed to make room"
            self._write(Noted(Note("thinned", text), clock.stamp()))
            self._noticed("trouble", text, clock.stamp().utc)

    def _do(self, work: Coroutine[object, object, None]) -> asyncio.Task[None]:
        task = asyncio.get_running_loop().create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._done)
        return task

    def _done(self, task: asyncio.Task[None]) -> None:
        self._tasks.discard(task)
        self._closing.discard(task)
        if not task.cancelled() and task.exception() is not None:
            log.error("%s: a task failed", self.name, exc_info=task.exception())


def _records(action: s.Action) -> tuple[Record, ...]:
    now = clock.stamp()
    match action:
        case s.WriteCue(cue):
            return (CueNoted(cue, now),)
        case s.WriteStep(shot, step):
            return (StepNoted(shot, step, now),)
        case s.WriteMissed(shot, cameras, reason):
            log.warning("shot %d missed: %s", shot, reason)
            return tuple(CameraNoted(Missed(shot, camera, now.mono_s, reason), now) for camera in cameras)
        case s.WriteNote(note):
            return (Noted(note, now),)
        case _:
            raise BugError(f"nothing carries out {action}")


def _printer_of(folder: Path) -> str:
    return str(reader.reading(folder, reader.meta_of).get("printer"))


def _silent_s(folder: Path, now: clock.Stamp) -> float:
    """Seconds since the take's last row; without end where the machine was started anew meanwhile."""
    view = reader.read_take(folder)
    if view.meta.get("boot") != boot_id():
        return float("inf")
    times = [cue.mono_s for cue in view.cues] + [event.mono_s for event in view.events]
    return now.mono_s - max((time for time in times if time is not None), default=float("-inf"))
