"""Looks after one camera from the daemon: keeps a worker alive, hands it orders, holds the deadlines."""

import asyncio
import os
from collections.abc import Callable
from pathlib import Path

from lapsed.camera import ordering, orders, power
from lapsed.camera.child import Child
from lapsed.camera.home import home as fresh_home
from lapsed.camera.plugged import Plugs
from lapsed.camera.wire import Inspected, Opening, Order, pack, unpack
from lapsed.clock import monotonic
from lapsed.errors import RetryError
from lapsed.model import CameraEvent, Check
from lapsed.settings import CameraPart

_ELSEWHERE = frozenset({"url", "argv"})
"""Settings of cameras on the network, and behind a program: of those the kernel has nothing to tell."""

FINISH_WITHIN_S = 0.8
"""How long a worker may go on with its shot once we are told to stop."""


class Starts:
    """How many workers of a daemon may be starting at a time.

    Fifty that load their libraries at once on a small computer would all be too late, be ended, and start again.
    """

    def __init__(self, most: int | None = None) -> None:
        self._left = most if most is not None else 2 * len(os.sched_getaffinity(0))

    def begin(self) -> bool:
        """Whether one more may start now; `over` must follow once it has."""
        if self._left < 1:
            return False
        self._left -= 1
        return True

    def over(self) -> None:
        """One has started, or failed to."""
        self._left += 1


class Keeper:
    """One camera as the daemon sees it.

    `kind` is the import path of the camera's kind, loaded in the worker only. `starts` is shared with the other
    cameras. `emit` is called in the event loop, with Released, Exposed and then Landed, OnCard or Missed for each
    order, and with CameraTold when the camera comes or goes; it may give the next order. No call blocks the loop.
    """

    def __init__(
        self, camera: CameraPart, kind: str, emit: Callable[[CameraEvent], None], starts: Starts | None = None
    ) -> None:
        self._starts = starts or Starts()
        self._starting = False
        self._camera = camera
        self._kind = kind
        self._emit = emit
        self._state = ordering.State(camera)
        self._events: asyncio.Queue[ordering.Event] = asyncio.Queue()
        self._child: Child | None = None
        self._switching: asyncio.Task[None] | None = None
        self._home = Path()
        self._askers: list[asyncio.Future[tuple[Check, ...]]] = []
        self._stopping = asyncio.Event()
        self._idle = asyncio.Event()
        self._idle.set()

    @property
    def worker_pid(self) -> int | None:
        """The process id of the worker, None while there is none."""
        return self._child.pid if self._child else None

    def order(self, shot: int, folder: Path, stem: str, by_s: float) -> None:
        """Ask for one frame, its files named `stem` in `folder`, the shutter closed by `by_s` (monotonic).

        The folder of the files must exist, and no other camera may write to it; names in Landed are relative to
        `folder`, and `stem` may begin with folders inside it. Exactly one Landed, OnCard or Missed follows. Returns at
        once: an idle worker has the order in its pipe then; else the order waits, as long as `by_s` allows.
        """
        self._drain()
        self._feed(ordering.Ordered(Order(shot, str(folder), stem, by_s)))
        self._events.put_nowait(ordering.Passed())  # `run` must reckon anew how long it may sleep

    def meanwhile(self, *, filming: bool, shooting: bool) -> None:
        """What the print is at: whether it is filmed, and whether a shot of it is under way."""
        self._feed(ordering.Print(filming, shooting))
        self._events.put_nowait(ordering.Passed())

    async def inspect(self) -> tuple[Check, ...]:
        """What the camera tells of its settings and supplies, once it is open and no order waits.

        Returns a failed check where it can't be told, and not before the camera is there: bound it from outside.
        """
        answer: asyncio.Future[tuple[Check, ...]] = asyncio.get_running_loop().create_future()
        self._askers.append(answer)
        self._feed(ordering.Asked())
        self._events.put_nowait(ordering.Passed())
        return await answer

    async def run(self) -> None:
        """Look after the camera until `stop` or cancellation; either ends within 3 s, and all orders with it."""
        self._idle.clear()
        plugs = Plugs(lambda: self._events.put_nowait(ordering.Plugged()))
        try:
            with fresh_home() as self._home:
                try:
                    self._feed(ordering.Open(plugs.hears and _ELSEWHERE.isdisjoint(type(self._camera).model_fields)))
                    while not self._stopping.is_set():
                        await self._turn(orders.wake_s(self._state))
                finally:
                    await self._wind_up()
        finally:
            plugs.close()
            self._stopping.clear()
            self._idle.set()

    async def stop(self) -> None:
        """Make `run` return: the shot in hand may still land for 2 s, everything else is missed."""
        if not self._idle.is_set():
            self._stopping.set()
            self._events.put_nowait(ordering.Passed())
            await self._idle.wait()

    async def _turn(self, until_s: float) -> None:
        """Deal with the next event, or with time at `until_s`."""
        event: ordering.Event = ordering.Passed()
        try:
            async with asyncio.timeout(max(0.0, until_s - monotonic())):
                event = await self._events.get()
        except TimeoutError:
            # The loop may have been late as well: what a worker said in time is read before time is called.
            await asyncio.sleep(0)
            self._drain()
        self._feed(event)

    def _drain(self) -> None:
        while not self._events.empty():
            self._feed(self._events.get_nowait())

    async def _wind_up(self) -> None:
        self._feed(ordering.Close())
        try:
            if self._child:
                self._child.close_input()
            if self._switching:  # ended at once, it might leave the camera without power
                await asyncio.wait({self._switching}, timeout=FINISH_WITHIN_S)
            await self._until_gone(FINISH_WITHIN_S)
            if self._child:
                self._child.kill()
            await self._until_gone(orders.END_WITHIN_S / 4)
        finally:
            if self._switching:
                self._switching.cancel()
                await asyncio.gather(self._switching, return_exceptions=True)
            if self._child:
                self._child.kill()
                self._feed(ordering.Ended("was stopped"))

    async def _until_gone(self, patience_s: float) -> None:
        until_s = monotonic() + patience_s
        while self._child and monotonic() < until_s:
            await self._turn(min(until_s, orders.wake_s(self._state)))

    def _feed(self, event: ordering.Event) -> None:
        if isinstance(event, ordering.Ended) and self._child:
            self._child.close()
            self._child = None
        self._state, actions = orders.step(self._state, event, monotonic())
        if self._starting and self._state.phase is not ordering.Phase.OPENING:
            self._starting = False
            self._starts.over()
        for action in actions:
            self._do(action)

    def _do(self, action: ordering.Action) -> None:
        match action:
            case ordering.Start():
                self._start()
            case ordering.Send(message):
                if self._child:
                    self._child.send(pack(message))
            case ordering.Kill():
                if self._child:
                    self._child.kill()
            case ordering.Switch():
                self._switching = asyncio.get_running_loop().create_task(self._switch())
            case ordering.Emit(event):
                if isinstance(event, Inspected):
                    self._answer(event.checks)
                else:
                    self._emit(event)

    def _start(self) -> None:
        if self._child:  # it could not be killed, and is left to the kernel
            self._child.close()
            self._child = None
        self._starting = self._starts.begin()
        if not self._starting and not self._state.waiting:  # a frame that is wanted waits for nobody
            self._events.put_nowait(ordering.Crowded())
            return
        try:
            self._child = Child(self._camera.name, self._home, self._heard, self._ended)
        except OSError as error:
            self._events.put_nowait(ordering.Ended(f"could not be started: {error.strerror}"))
            return
        part = self._camera.model_dump(mode="json")
        self._child.send(pack(Opening(self._kind, self._camera.name, part)))

    async def _switch(self) -> None:
        trouble = None
        try:
            assert self._camera.power is not None  # noqa: S101 - orders ask for nothing that isn't configured
            await power.switch(self._camera.power)
        except RetryError as error:
            trouble = str(error)
        self._switching = None
        self._events.put_nowait(ordering.Switched(trouble))

    def _answer(self, checks: tuple[Check, ...]) -> None:
        for answer in self._askers:
            if not answer.done():
                answer.set_result(checks)
        self._askers.clear()

    def _heard(self, line: bytes) -> None:
        message = unpack(line)
        if message is not None:
            self._events.put_nowait(ordering.Heard(message))

    def _ended(self, how: str) -> None:
        self._events.put_nowait(ordering.Ended(how))
