"""One shot from its cue until the print goes on: hold, ask, plan, park, settle, expose, return, resume.

The print comes first: every station has an end to its patience, and from every one the way leads to the print going on.
"""

from dataclasses import replace

from lapsed.decide.state import (
    AWAY,
    Ask,
    Done,
    Failed,
    Hold,
    HoldOver,
    Phase,
    Plan,
    Planned,
    Release,
    Resume,
    SendBack,
    SendLeave,
    Shot,
    WriteCue,
    WriteMissed,
    WriteStep,
)
from lapsed.decide.turn import Turn
from lapsed.model import Cue, Exposed, Missed, Step, Why

AGAIN_S = 0.5
"""How long after a refused return or resume the same is asked again."""

RESERVE_S = 0.5
"""Kept back from the hold limit for messages on their way."""

REJOIN_S = 1.0
"""How long after the link is back the host may take to say that it holds."""

GRACE_S = 0.5
"""How long the head waits for cameras that are not required, once the required ones have exposed."""


VAIN_HOLDS = 3
"""After so many holds in vain none is made for cameras that are away."""


# -------------------------------------------------------------------------------------------------------- begin


def begin(turn: Turn, cue: Cue, *, holds: bool) -> None:
    """Carry out `cue`: with a hold, or (marked files, no parking) by releasing at once."""
    rules, now = turn.state.rules, turn.now
    limit = now + rules.cadence.hold_limit_s
    turn.do(WriteCue(cue))
    shot = Shot(cue, Phase.HOLDING, holds, limit, limit - RESERVE_S, limit - RESERVE_S)
    turn.change(shot=shot)
    if holds:
        turn.change(vain=turn.state.vain + 1)
        turn.do(Hold(cue.number))
    else:
        _release(turn, shot)


def in_vain(turn: Turn) -> bool:
    """Whether the print would be held for nothing: all that are required are away, as they were the last times."""
    return turn.state.vain >= VAIN_HOLDS and turn.state.rules.required <= turn.state.away


def refuse(turn: Turn, cue: Cue, reason: str) -> None:
    """Journal `cue` as one that could not be carried out."""
    turn.do(WriteCue(cue), WriteMissed(cue.number, turn.state.rules.cameras, reason))


def _release(turn: Turn, shot: Shot) -> None:
    rules, number = turn.state.rules, shot.cue.number
    cameras = frozenset(rules.cameras)
    turn.change_shot(phase=Phase.EXPOSING, until=shot.back_at, waiting=cameras, known=True)
    turn.change(pending=turn.state.pending | {(number, camera) for camera in cameras})
    turn.do(Release(number, shot.back_at))


# ----------------------------------------------------------------------------------------------------- stations


def answer(turn: Turn, event: Done | Planned | Failed) -> None:
    """Go on with what became of the last thing asked for."""
    match event:
        case Done():
            done(turn, event)
        case Planned():
            planned(turn, event)
        case Failed():
            failed(turn, event)


def done(turn: Turn, event: Done) -> None:
    """Go on from a station that was reached; an answer to anything but the present question is stale."""
    shot = turn.state.shot
    if shot is None or (event.shot, event.phase) != (shot.cue.number, shot.phase):
        return
    number = shot.cue.number
    match event.phase:
        case Phase.HOLDING:
            turn.change_shot(phase=Phase.ASKING)
            if turn.state.rules.held_at_rest:
                limit = turn.now + turn.state.rules.cadence.hold_limit_s
                turn.change_shot(limit_at=limit, back_at=limit - RESERVE_S, until=limit - RESERVE_S)
            turn.do(WriteStep(number, Step.HELD), Ask(number))
        case Phase.ASKING:
            _plan(turn, shot)
        case Phase.PARKING:
            turn.do(WriteStep(number, Step.PARKED))
            turn.change_shot(phase=Phase.SETTLING, until=turn.now + turn.state.rules.settle_s)
        case Phase.RETURNING:
            turn.do(WriteStep(number, Step.RETURNED))
            _resume(turn)
        case Phase.RESUMING:
            turn.do(WriteStep(number, Step.RESUMED))
            over(turn)
        case _:
            pass


def _plan(turn: Turn, shot: Shot) -> None:
    motion = turn.state.motion
    if motion is None:
        give_up(turn, "the host did not tell the head's position and modes")
        return
    track, rules = turn.state.track, turn.state.rules
    ceiling = turn.state.take.print.height_mm if turn.state.take is not None else None
    top = track.top_mm if track.top_sure else max(track.top_mm, ceiling or rules.tallest_mm)
    turn.change_shot(phase=Phase.PLANNING)
    turn.do(Plan(shot.cue.number, motion, top))


def planned(turn: Turn, event: Planned) -> None:
    """Leave, if there is time to go, expose and come back within the hold limit."""
    shot, rules = turn.state.shot, turn.state.rules
    if shot is None or (shot.phase, shot.cue.number) != (Phase.PLANNING, event.shot):
        return
    back_at = shot.limit_at - RESERVE_S - event.come_back_s
    needed = event.leave_s + rules.settle_s + rules.exposure_s
    if turn.now + needed > back_at:
        whole = needed + event.come_back_s + RESERVE_S
        give_up(
            turn,
            f"parking here would take {whole:.1f} s of the {rules.cadence.hold_limit_s:g} s that are allowed",
        )
        return
    turn.change_shot(phase=Phase.PARKING, until=back_at, back_at=back_at, left=True)
    turn.do(SendLeave(event.shot))


def failed(turn: Turn, event: Failed) -> None:
    """Answer a station that was not reached."""
    shot = turn.state.shot
    if shot is None or (event.shot, event.phase) != (shot.cue.number, shot.phase):
        return
    match event.phase:
        case Phase.HOLDING if not event.silent:
            _miss(turn, event.reason)
            over(turn)
        case Phase.HOLDING | Phase.ASKING | Phase.PLANNING:
            give_up(turn, event.reason)
        case Phase.PARKING:
            _miss(turn, f"the head was not parked: {event.reason}")
            _go_back(turn)
        case Phase.RETURNING if event.silent:
            # The lines went out in order before the resume will, so a host that merely doesn't answer runs them first.
            turn.do(SendBack(shot.cue.number))
            _resume(turn)
        case Phase.RESUMING if not event.silent and turn.state.link and not turn.state.waits:
            # It refuses because it isn't waiting; should our hold come about after all, `paused` sees it.
            turn.change(loose=shot)
            over(turn)
        case Phase.RETURNING | Phase.RESUMING:
            # A print let go on with the head away would be ruined: a host that refuses is asked until it takes it.
            if shot.reason is None:
                turn.note("host", f"shot {shot.cue.number}: the host refused to go on: {event.reason}")
            turn.change_shot(until=turn.now + AGAIN_S, reason=event.reason)
        case _:
            pass


# ------------------------------------------------------------------------------------------------------ cameras


def camera(turn: Turn, event: Exposed | Missed) -> None:
    """A shutter has closed, or won't: when none is waited for any more, the head goes back."""
    shot = turn.state.shot
    if shot is None or event.shot != shot.cue.number:
        return
    waiting = shot.waiting - {event.camera}
    turn.change_shot(waiting=waiting)
    if isinstance(event, Exposed) and event.camera in turn.state.rules.required:
        turn.change(vain=0)
    if shot.phase is not Phase.EXPOSING:
        return
    if not waiting:
        _exposed(turn)
    elif not waiting & turn.state.rules.required:
        turn.change_shot(until=min(shot.until, turn.now + GRACE_S))


def _exposed(turn: Turn) -> None:
    shot = turn.shot
    if shot.left:
        _go_back(turn)
    else:
        over(turn)


# --------------------------------------------------------------------------------------------------- the way back


def give_up(turn: Turn, reason: str) -> None:
    """Miss the shot before the head has moved, and let the print go on."""
    _miss(turn, reason)
    _resume(turn)


def _miss(turn: Turn, reason: str) -> None:
    shot = turn.shot
    if not shot.known:
        turn.change_shot(known=True)
        turn.do(WriteMissed(shot.cue.number, turn.state.rules.cameras, reason))


def _go_back(turn: Turn) -> None:
    shot = turn.shot
    turn.change_shot(phase=Phase.RETURNING, until=max(shot.limit_at, turn.now + AGAIN_S))
    turn.do(SendBack(shot.cue.number))


def _resume(turn: Turn) -> None:
    shot = turn.shot
    if not shot.resume or shot.foreign:
        if not shot.resume:
            # Where a host keeps hold and pause apart, our hold comes to light again once the person's pause is over.
            turn.change(loose=replace(shot, resume=True))
        over(turn)
        return
    turn.change_shot(phase=Phase.RESUMING, until=turn.now + turn.state.rules.cadence.hold_limit_s)
    turn.do(Resume(shot.cue.number))


def over(turn: Turn) -> None:
    """The shot holds the print no more."""
    shot, take = turn.state.shot, turn.state.take
    if shot is not None and shot.holds:
        turn.do(HoldOver(shot.cue.number))
        if take is not None:
            turn.change(take=replace(take, held_s=take.held_s + turn.now - shot.cue.decided_s))
    turn.change(shot=None)


def lost(turn: Turn, reason: str) -> None:
    """The print has gone from under the shot: nothing is sent any more."""
    shot = turn.state.shot
    if shot is not None:
        _miss(turn, reason)
        over(turn)


def let_go(turn: Turn, reason: str) -> None:
    """End the shot early, by the shortest safe way, because of `reason`."""
    shot = turn.state.shot
    if shot is None:
        return
    if shot.phase in (Phase.HOLDING, Phase.ASKING, Phase.PLANNING):
        give_up(turn, reason)
    elif shot.phase in (Phase.PARKING, Phase.SETTLING):
        _miss(turn, reason)
        _go_back(turn)
    elif shot.phase is Phase.EXPOSING:
        _exposed(turn)


# ----------------------------------------------------------------------------------------------------------- time


def tick(turn: Turn) -> None:
    """Whatever the present station was waiting for has had its time."""
    shot = turn.state.shot
    if shot is None or turn.now < shot.until:
        return
    match shot.phase:
        case Phase.HOLDING | Phase.ASKING | Phase.PLANNING:
            give_up(turn, "the host did not answer in time")
        case Phase.PARKING:
            _miss(turn, "the head did not arrive in time")
            _go_back(turn)
        case Phase.SETTLING:
            _release(turn, shot)
        case Phase.EXPOSING:
            _exposed(turn)
        case Phase.RETURNING if shot.reason is not None:
            turn.change_shot(until=turn.now + AGAIN_S)
            turn.do(SendBack(shot.cue.number))
        case Phase.RETURNING:
            turn.do(SendBack(shot.cue.number))
            _resume(turn)
        case Phase.RESUMING:
            turn.change_shot(until=turn.now + AGAIN_S)
            turn.do(Resume(shot.cue.number))
        case Phase.RECOVERING:
            # It prints by itself: a way back sent now would undo what it has done since.
            turn.note("host", f"shot {shot.cue.number}: the print went on while the host could not be heard")
            lost(turn, "the print went on while the host could not be heard")


# ------------------------------------------------------------------------------------ what the host does meanwhile


def paused(turn: Turn, *, held: bool) -> bool:
    """The host waits: whether that is our own hold showing itself, and not someone who paused the print."""
    rules, shot, loose = turn.state.rules, turn.state.shot, turn.state.loose
    if shot is None and held and rules.held_word:
        return _stray(turn, loose)
    if shot is None or not shot.holds:
        return False
    if rules.held_word and not held:
        turn.change_shot(resume=False)
        return False
    if rules.held_word:
        turn.change_shot(resume=True)
    if shot.phase is Phase.HOLDING:
        done(turn, Done(shot.cue.number, Phase.HOLDING))
    elif shot.phase is Phase.RECOVERING and shot.waiting:
        turn.change_shot(phase=Phase.EXPOSING, until=shot.back_at)
    elif shot.phase is Phase.RECOVERING:
        turn.note("recovered", f"the print was still held for shot {shot.cue.number}; it goes on")
        _miss(turn, "the host could not be heard")
        if shot.left:
            _go_back(turn)
        else:
            _resume(turn)
    return True


def _stray(turn: Turn, loose: Shot | None) -> bool:
    """End a hold that no shot knows of: one given up unanswered, or one of a daemon that died as it asked for it."""
    take = turn.state.take
    if loose is None and (take is None or not turn.state.track.after_gap):
        return False
    if loose is None and take is not None:
        cue = Cue(take.cues, Why.LAYER, turn.now)
        loose = Shot(cue, Phase.RESUMING, holds=True, limit_at=turn.now, back_at=turn.now, until=turn.now, known=True)
        turn.note("recovered", "the print was held and no shot under way; it goes on")
    turn.change(shot=loose, loose=None)
    _resume(turn)
    return True


def resumed(turn: Turn, reason: str) -> None:
    """The host prints: our resume shows itself, or someone else let the print go on."""
    shot = turn.state.shot
    if shot is None or not shot.holds:
        return
    if shot.phase is Phase.RESUMING:
        done(turn, Done(shot.cue.number, Phase.RESUMING))
    elif shot.phase in AWAY:
        back = "; the head goes back" if turn.state.link else ""  # who can't be heard may leave it where it is
        turn.note("host", f"shot {shot.cue.number}: {reason}{back}")
        _miss(turn, reason)
        turn.change_shot(foreign=True)
        _go_back(turn)


def rejoin(turn: Turn) -> None:
    """The link is back in mid-shot: wait for the host's word on whether it still holds."""
    shot = turn.state.shot
    if shot is not None and shot.holds:
        turn.change_shot(phase=Phase.RECOVERING, until=turn.now + REJOIN_S)
