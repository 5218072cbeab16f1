"""The heart: what is done about what happened, `step(state, event, now) -> (state, actions)`."""

from collections.abc import Iterable
from dataclasses import replace
from typing import assert_never

from lapsed.decide import cadence, prints, shot, watch
from lapsed.decide.state import (
    Action,
    DiskWell,
    Done,
    EndTake,
    Event,
    Failed,
    FileRead,
    Leave,
    Planned,
    Recovered,
    Rules,
    ShootNow,
    Skip,
    State,
    Stopped,
    TakeFailed,
    Tick,
    WriteMissed,
)
from lapsed.decide.turn import Turn
from lapsed.model import (
    CameraTold,
    ConsoleSeen,
    Exposed,
    HeightSeen,
    Landed,
    LayerSeen,
    LinkDown,
    LinkUp,
    Missed,
    MotionSeen,
    OnCard,
    PrintEnded,
    PrintPaused,
    PrintResumed,
    PrintStarted,
    PrintTold,
    ProgressSeen,
    Released,
)


def start(rules: Rules) -> State:
    """The state of a director that knows nothing yet."""
    return State(rules)


def wake_at(state: State) -> float | None:
    """When `step` wants a Tick at the latest, on the monotonic clock; None if only events matter."""
    track = state.track
    times = [
        track.next_s if watch.by_time(state) else None,
        track.layerless_at,
        cadence.next_by_clock(state),
        state.shot.until if state.shot is not None else None,
    ]
    return min((time for time in times if time is not None), default=None)


def step(state: State, event: Event, now: float) -> tuple[State, tuple[Action, ...]]:
    """The state after `event` at `now` (monotonic seconds), and what is to be done, in order."""
    turn = Turn(state, now)
    match event:
        case Tick():
            shot.tick(turn)
            watch.time(turn)
        case Done() | Planned() | Failed():
            shot.answer(turn, event)
        case Released():
            pass
        case CameraTold(camera, ready):
            turn.change(away=turn.state.away - {camera} if ready else turn.state.away | {camera})
        case Exposed() | Landed() | OnCard() | Missed():
            _camera(turn, event)
        case LayerSeen() | HeightSeen() | ProgressSeen():
            watch.seen(turn, event)
        case MotionSeen():
            turn.change(motion=event.motion)
        case ConsoleSeen():
            watch.console(turn, event.line)
        case LinkUp() | LinkDown():
            _link(turn, event)
        case PrintStarted() | PrintTold() | PrintPaused() | PrintResumed() | PrintEnded() | Recovered() | FileRead():
            _print(turn, event)
        case TakeFailed() | DiskWell() | Stopped() | Leave() | Skip() | ShootNow() | EndTake():
            _told(turn, event)
        case _:
            assert_never(event)
    _count_out(turn, [(action.shot, action.cameras) for action in turn.actions if isinstance(action, WriteMissed)])
    return turn.state, tuple(turn.actions)


# ---------------------------------------------------------------------------------------------- links and prints


def _link(turn: Turn, event: LinkUp | LinkDown) -> None:
    if isinstance(event, LinkDown):
        turn.change(link=False, motion=None)
        turn.change_track(after_gap=True)
        turn.note("link", f"the host can't be heard: {event.reason}")
        return
    turn.change(link=True)
    if event.gap_s is not None:
        turn.change_track(after_gap=True, gap_s=turn.state.track.gap_s + event.gap_s)
        turn.note("link", f"the host is heard again after {event.gap_s:.1f} s", gap_s=event.gap_s)


def _camera(turn: Turn, event: Exposed | Landed | OnCard | Missed) -> None:
    if isinstance(event, Exposed | Missed):
        shot.camera(turn, event)
    if isinstance(event, Exposed):
        return
    if isinstance(event, Missed):
        _count_out(turn, [(event.shot, (event.camera,))])
    elif turn.state.take is not None and event.camera == turn.state.rules.cameras[0]:
        # One given up for late that has landed all the same is a frame.
        turn.change(take=replace(turn.state.take, missed=turn.state.take.missed - {event.shot}))
    turn.change(pending=turn.state.pending - {(event.shot, event.camera)})
    prints.close(turn)


def _count_out(turn: Turn, missed: Iterable[tuple[int, tuple[str, ...]]]) -> None:
    """The clip is made of the main camera's frames: shots that have none are made up for."""
    take, main = turn.state.take, turn.state.rules.cameras[0]
    lost = {number for number, cameras in missed if main in cameras}
    if lost and take is not None:
        turn.change(take=replace(take, missed=take.missed | {number for number in lost if number <= take.cues}))


def _print(turn: Turn, event: prints.Told | Recovered | FileRead) -> None:
    match event:
        case Recovered():
            prints.recovered(turn, event)
        case FileRead():
            watch.file_read(turn, event)
        case PrintEnded():
            watch.ended(turn, event)
        case _:
            prints.told(turn, event)
    watch.estimate(turn)


def _told(turn: Turn, event: TakeFailed | DiskWell | Stopped | Leave | Skip | ShootNow | EndTake) -> None:
    match event:
        case Skip(on):
            turn.change(skipping=on)
            turn.note("skipping", "no shots until further notice" if on else "shots are taken again")
        case ShootNow(why):
            watch.at_once(turn, why)
        case EndTake():
            prints.end_by_hand(turn)
        case TakeFailed(reason):
            prints.failed(turn, reason)
        case DiskWell():
            prints.film_on(turn)
        case Stopped(reason):
            turn.change(stopped=reason)
        case Leave():
            turn.change(leaving=True)
            shot.let_go(turn, "the daemon was stopped")
