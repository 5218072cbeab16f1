"""What to do with the orders for frames, and with the worker that carries them out: pure decisions.

`step(state, event, now)` gives the next state and what the keeper must do now. However events fall, each order
ends in exactly one Landed, OnCard or Missed, and at most one Released and one Exposed come before it; what is asked
of a camera between orders ends in one Inspected. Times are seconds on the monotonic clock.
"""

import math
from dataclasses import replace

from lapsed.camera.ordering import (
    Action,
    Asked,
    Close,
    Crowded,
    Emit,
    Ended,
    Event,
    Heard,
    Kill,
    Open,
    Ordered,
    Passed,
    Phase,
    Plugged,
    Print,
    Send,
    Start,
    State,
    Switch,
    Switched,
)
from lapsed.camera.wire import Inspect, Inspected, Message, Order
from lapsed.errors import BugError
from lapsed.model import CameraTold, Check, Exposed, Landed, Missed, OnCard, Released, Verdict

END_WITHIN_S = 2.0
"""How long a killed process may take to go; one that hangs in the kernel is left behind."""

LONGEST_REST_S = 30.0
"""The longest pause before a worker that failed again and again is started once more."""

QUIET_REST_S = 300.0
"""The same while nothing is filmed and a camera that is switched on would be heard of: most of a day it is off."""

SILENCE_S = 10.0
"""How much longer than `ready_within_s` an idle worker may be silent; it speaks every few seconds."""

CROWDED_S = 0.2
"""How long a start is put off while others start."""


def step(state: State, event: Event, now: float) -> tuple[State, tuple[Action, ...]]:
    """What follows from `event` at `now`; actions are to be carried out in their order."""
    turn = _Turn(state, now)
    turn.take(event)
    turn.expire()
    turn.give()
    return turn.state, tuple(turn.does + turn.emits)


def wake_s(state: State) -> float:
    """When `step` must be called with Passed if nothing happens before; infinity if never."""
    idle = state.phase is Phase.AWAY and not state.open
    return min([math.inf if idle else state.until_s, *(_latest_s(state, order) for order in state.waiting)])


def rest_s(failures: int, longest_s: float = LONGEST_REST_S) -> float:
    """The pause before the next start after so many failures in a row: none at first, then doubling."""
    return 0.0 if failures <= 1 else min(longest_s, 0.25 * 2.0 ** min(failures - 2, 20))


def _latest_s(state: State, order: Order) -> float:
    # Given out later, the shutter could not have closed in time however quick the camera is.
    return order.by_s - state.part.least_s


class _Turn:
    """One step in the making. Emits come last, so that whoever hears them meets finished business."""

    def __init__(self, state: State, now: float) -> None:
        self.state = state
        self.now = now
        self.does: list[Action] = []
        self.emits: list[Action] = []

    def take(self, event: Event) -> None:
        match event:
            case Open(hears):
                self._set(open=True, until_s=self.now, failures=0, hears=hears)
            case Close():
                for order in self.state.waiting:
                    self._miss(order, "lapsed is stopping")
                self._set(open=False, waiting=())
                self._answer_none("lapsed is stopping")
            case Ordered(order):
                self._ordered(order)
            case Asked():
                self._asked()
            case Heard(message):
                self._heard(message)
            case Ended(how):
                self._gone(f"the worker {how}")
            case Crowded() if self.state.phase is Phase.OPENING:
                self._set(phase=Phase.AWAY, until_s=self.now + (0.0 if self.state.waiting else CROWDED_S))
            case Plugged():
                self._look_now()
            case Print(filming, shooting):
                self._printing(filming=filming, shooting=shooting)
            case Switched(trouble):
                self._switched(trouble)
            case Crowded() | Passed():
                pass

    def expire(self) -> None:
        """Give up what can no longer be in time."""
        # The print is not to wait for a camera that starts up.
        none = self.state.phase is Phase.SWITCHING
        late = [order for order in self.state.waiting if none or self.now >= _latest_s(self.state, order)]
        for order in late:
            self._miss(order, self._why_waiting())
        if late:
            self._set(waiting=tuple(order for order in self.state.waiting if order not in late))
        if self.now >= self.state.until_s:
            self._overdue()

    def give(self) -> None:
        """Start what can be started."""
        if self.state.phase is Phase.IDLE and self._why_switch():
            self._end("the camera answers, but takes no pictures")
        state = self.state
        if state.phase is Phase.AWAY and (why := self._why_switch()):
            self._switch(why)
        elif state.phase is Phase.AWAY and state.open and self.now >= state.until_s:
            self.does.append(Start())
            self._set(phase=Phase.OPENING, until_s=self.now + state.part.ready_within_s)
            self._set(supply=state.supply.started())
        elif state.phase is Phase.IDLE and state.waiting:
            order, *rest = state.waiting
            until_s = min(order.by_s, self.now + state.part.expose_within_s)
            self.does.append(Send(replace(order, by_s=until_s)))
            self._set(phase=Phase.EXPOSING, until_s=until_s, current=order, released=False, waiting=tuple(rest))
        elif state.phase is Phase.IDLE and state.asked:
            self.does.append(Send(Inspect()))
            self._set(phase=Phase.INSPECTING, until_s=self.now + state.part.ready_within_s)

    def _why_switch(self) -> str:
        """Why the power is to be switched now; empty if it is not."""
        state = self.state
        if not state.open or state.waiting:
            return ""
        return state.supply.why(state.part.power, self.now, away=state.phase is Phase.AWAY)

    def _switch(self, why: str) -> None:
        power, supply = self.state.part.power, self.state.supply.try_now(self.now)
        assert power is not None  # noqa: S101 - there is a reason to switch it
        self.does.append(Switch())
        text = f"its power is being switched off and on (try {supply.switched} of {power.most}), as {why}"
        self._tell(ready=False, text=text)
        self._set(phase=Phase.SWITCHING, until_s=self.now + power.within_s + END_WITHIN_S, supply=supply)

    def _switched(self, trouble: str | None) -> None:
        if self.state.phase is Phase.SWITCHING:
            done = "its power was switched off and on" if trouble is None else f"its power was not switched: {trouble}"
            self._tell(ready=False, text=done)
            self._set(phase=Phase.AWAY, until_s=self.now, failures=0)

    def _set(self, **changes: object) -> None:
        self.state = replace(self.state, **changes)  # type: ignore[arg-type]  # names are checked by the dataclass

    def _ordered(self, order: Order) -> None:
        if not self.state.open:
            self._miss(order, "the camera is not looked after: lapsed is starting or stopping")
            return
        self._set(waiting=(*self.state.waiting, order))
        self._look_now()

    def _look_now(self) -> None:
        """The pause after failures is for when nobody waits, and nothing has changed."""
        if self.state.phase is Phase.AWAY:
            self._set(until_s=min(self.state.until_s, self.now), failures=0)

    def _printing(self, *, filming: bool, shooting: bool) -> None:
        if filming and not self.state.supply.filming:
            self._look_now()
        self._set(supply=self.state.supply.at(filming=filming, shooting=shooting))

    def _asked(self) -> None:
        self._set(asked=True)
        self._look_now()
        if not self.state.open:
            self._answer_none("the camera is not looked after: lapsed is starting or stopping")

    def _answer_none(self, text: str) -> None:
        """Tell whoever asked that the camera could not be looked over."""
        if self.state.asked:
            self._set(asked=False)
            self.emits.append(Emit(Inspected((Check("settings", Verdict.FAIL, text),))))

    def _heard(self, message: Message) -> None:
        match message:
            case CameraTold(ready=True):
                self._ready(message)
            case CameraTold(text=text):
                self._end(text)
            case Released() | Exposed() | Landed() | OnCard() | Missed():
                current = self.state.current
                if current is not None and message.shot == current.shot:
                    self._passed(replace(message, camera=self.state.part.name))
            case Inspected() if self.state.phase is Phase.INSPECTING:
                self._set(asked=False)
                self._rest(self.state.failures)
                self.emits.append(Emit(message))
            case _:
                pass

    def _ready(self, told: CameraTold) -> None:
        if self.state.phase in (Phase.OPENING, Phase.IDLE):
            # Only a worker that speaks for the second time has lasted; one that fails at once must not spin.
            failures = 0 if self.state.phase is Phase.IDLE else self.state.failures
            self._rest(failures)
            self._set(supply=self.state.supply.opened())
            self._news(replace(told, camera=self.state.part.name))

    def _passed(self, message: Released | Exposed | Landed | OnCard | Missed) -> None:
        phase = self.state.phase
        match message:
            case Released() if phase is Phase.EXPOSING and not self.state.released:
                self._set(released=True)
            case Exposed() if phase is Phase.EXPOSING:
                self._set(phase=Phase.FETCHING, until_s=self.now + self.state.part.fetch_within_s)
            case Landed() | OnCard() if phase is Phase.FETCHING:
                self._rest(0)
                self._set(supply=self.state.supply.landed())
            case Missed() if phase in (Phase.EXPOSING, Phase.FETCHING):
                self._rest(self.state.failures)
            case _:
                return
        self.emits.append(Emit(message))

    def _rest(self, failures: int) -> None:
        until_s = self.now + self.state.part.ready_within_s + SILENCE_S
        self._set(phase=Phase.IDLE, until_s=until_s, current=None, failures=failures)

    def _overdue(self) -> None:
        part = self.state.part
        if self.state.phase in (Phase.EXPOSING, Phase.FETCHING):
            self._set(supply=self.state.supply.lost())
        match self.state.phase:
            case Phase.OPENING:
                self._end(f"the camera could not be opened within {part.ready_within_s:g} s")
            case Phase.IDLE:
                self._end("the camera's worker has fallen silent")
            case Phase.INSPECTING:
                self._end("the camera hung while it was looked over and is being opened again")
            case Phase.EXPOSING:
                done = "was released, but its shutter did not close" if self.state.released else "did not fire"
                self._miss_current(f"the camera {done} in time; its worker was ended")
                self._end("the camera hung in a shot and is being opened again")
            case Phase.FETCHING:
                self._miss_current(
                    f"exposed, but the file was not fetched within {part.fetch_within_s:g} s; the worker was ended"
                )
                self._end("the camera hung in a fetch and is being opened again")
            case Phase.ENDING:
                self._gone("the worker hangs in the kernel and cannot be ended; unplug the camera and plug it in again")
            case Phase.SWITCHING:
                self._switched("its command hangs and can't be ended")
            case Phase.AWAY:
                pass

    def _end(self, text: str) -> None:
        if self.state.phase in (Phase.AWAY, Phase.ENDING, Phase.SWITCHING):
            return
        self.does.append(Kill())
        self._lose(text)
        self._set(phase=Phase.ENDING, until_s=self.now + END_WITHIN_S)
        self._tell(ready=False, text=text)

    def _gone(self, text: str) -> None:
        self._lose(text)
        told = self.state.told
        if self.state.phase is not Phase.ENDING and (told is None or told.ready):
            self._tell(ready=False, text=text)
        failures = self.state.failures + 1
        supply = self.state.supply.ended()
        longest_s = QUIET_REST_S if self.state.hears and not supply.filming else LONGEST_REST_S
        self._set(phase=Phase.AWAY, failures=failures, supply=supply, until_s=self.now + rest_s(failures, longest_s))

    def _lose(self, text: str) -> None:
        """The worker carries `current` out no more: wait for the next one, once, or give it up."""
        state = self.state
        order = state.current
        if state.phase is Phase.INSPECTING:
            self._answer_none(text)
        if order is None:
            return
        self._set(supply=state.supply.lost())
        if state.phase is Phase.EXPOSING and not state.released and state.open and order != state.lost:
            self._set(waiting=(order, *state.waiting), current=None, lost=order)
            return
        stage = "exposed" if state.phase is Phase.FETCHING else "released" if state.released else "ordered"
        self._miss_current(f"{stage}, but then {text}")

    def _why_waiting(self) -> str:
        state = self.state
        if state.phase is Phase.SWITCHING:
            return "the camera's power was being switched off and on"
        if state.phase in (Phase.EXPOSING, Phase.FETCHING) and state.current is not None:
            return f"the camera was still {state.phase} shot {state.current.shot}"
        if state.told is not None and not state.told.ready:
            return f"the camera was not ready in time: {state.told.text}"
        return "the camera was not ready in time"

    def _miss_current(self, reason: str) -> None:
        if self.state.current is None:
            raise BugError("a shot was given up that nobody ordered")
        self._miss(self.state.current, reason)
        self._set(current=None)

    def _miss(self, order: Order, reason: str) -> None:
        self.emits.append(Emit(Missed(order.shot, self.state.part.name, self.now, reason)))

    def _tell(self, *, ready: bool, text: str) -> None:
        self._news(CameraTold(self.state.part.name, ready, text))

    def _news(self, told: CameraTold) -> None:
        if self.state.open and told != self.state.told:
            self.emits.append(Emit(told))
            self._set(told=told)
