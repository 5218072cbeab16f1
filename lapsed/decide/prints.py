"""Prints and takes: which print is being filmed, and when its take opens and closes."""

from dataclasses import replace

from lapsed.decide import cadence, shot
from lapsed.decide.pacing import Pace
from lapsed.decide.state import CloseTake, OpenTake, Phase, Recovered, Shot, Take, Track
from lapsed.decide.turn import Turn
from lapsed.model import (
    Cue,
    Outcome,
    PrintEnded,
    PrintInfo,
    PrintPaused,
    PrintResumed,
    PrintStarted,
    PrintTold,
    Why,
)

LAYERLESS_S = 600.0
"""A print that has run so long, heating included, and of which no layer or height was told, won't be."""


Told = PrintStarted | PrintTold | PrintPaused | PrintResumed | PrintEnded
"""What a host says of a print as a whole."""


def told(turn: Turn, event: Told) -> None:
    """Follow what the host says of the print as a whole."""
    match event:
        case PrintStarted():
            turn.change(waits=False)
            _started(turn, event)
        case PrintTold():
            if turn.state.take is not None and turn.state.closing is None:
                turn.change(take=replace(turn.state.take, print=event.print))
        case PrintPaused():
            turn.change(waits=True)
            if not shot.paused(turn, held=event.held):
                _pause(turn)
        case PrintResumed():
            turn.change(waits=False)
            _unpause(turn)
            shot.resumed(turn, event.reason)
        case PrintEnded():
            turn.change(waits=False)
            over(turn, event.outcome, event.detail)


def _pause(turn: Turn) -> None:
    take = turn.state.take
    if take is not None and not take.paused:
        turn.change(take=replace(take, paused=True, paused_at=turn.now))
        turn.note("paused", "the print was paused")


def _unpause(turn: Turn) -> None:
    take = turn.state.take
    if take is not None and take.paused and take.paused_at is not None:
        waited = turn.now - take.paused_at
        turn.change(take=replace(take, paused=False, paused_at=None, paused_s=take.paused_s + waited))
        turn.note("resumed", f"the print went on after {waited:.0f} s")
        if turn.state.track.next_s is not None:
            turn.change_track(next_s=turn.now)


def _started(turn: Turn, event: PrintStarted) -> None:
    take = turn.state.take
    if event.joined and turn.state.ended is not None and _same(turn.state.ended, event.print):
        return
    turn.change(ended=None)
    if turn.state.closing is not None or (take is None and turn.state.pending):
        turn.change(next_print=event.print, unfilmed=None)
    elif take is None:
        begin(turn, event.print, joined=event.joined)
    elif event.joined and _same(take.print, event.print) and not take.ended:
        turn.change(take=replace(take, print=event.print))
        _unpause(turn)
        turn.change_track(after_gap=True)
        shot.rejoin(turn)
    else:
        if take.ended:
            over(turn, Outcome.FINISHED, "")
        else:
            over(turn, Outcome.LOST, "another print began before the end of this one was seen")
        if turn.state.take is None:
            begin(turn, event.print, joined=event.joined)
        else:
            turn.change(next_print=event.print)


def _same(old: PrintInfo, new: PrintInfo) -> bool:
    if old.identity is not None and new.identity is not None:
        return old.identity == new.identity
    return old.name == new.name


def begin(turn: Turn, info: PrintInfo, *, joined: bool) -> None:
    """Open a take for `info`; `joined` if the print was under way before it was seen."""
    rule = turn.state.rules.cadence
    track = Track(
        top_sure=not joined or not rule.one_after_another,
        next_s=turn.now if rule.every_s is not None else None,
        layerless_at=turn.now + LAYERLESS_S if rule.every_s is None and not rule.cue_lines_only else None,
    )
    taken = Take(info, turn.now, awaits=turn.state.rules.reads_file and bool(info.name))
    turn.change(take=taken, track=track, closing=None, next_print=None, unfilmed=None, loose=None, vain=0)
    turn.do(OpenTake(info))
    if joined:
        turn.note("joined", "the print was already under way; what came before is not on film")


def over(turn: Turn, outcome: Outcome, detail: str) -> None:
    """The print has ended: nothing more is sent for it, and its take closes when the last frame is in."""
    shot.lost(turn, ended_as(detail))
    turn.change(next_print=None, unfilmed=None, loose=None)
    if turn.state.take is None:
        return
    if turn.state.closing is None:
        turn.change(closing=(outcome, detail))
    close(turn)


def failed(turn: Turn, reason: str) -> None:
    """The take can't be written: the print goes on without us, until the disk is well or it is over."""
    state = turn.state
    shot.let_go(turn, reason)
    if turn.state.shot is not None:  # its numbers mean nothing in the take that comes next
        turn.change(shot=replace(turn.state.shot, known=True))
    going_on = state.next_print or (state.take.print if state.take is not None and state.closing is None else None)
    turn.change(take=None, closing=None, next_print=None, unfilmed=going_on)


def film_on(turn: Turn) -> None:
    """Film what is left of a print whose take had failed, in another one."""
    state = turn.state
    if state.unfilmed is not None and state.shot is None and not state.pending:
        begin(turn, state.unfilmed, joined=True)


def ended_as(detail: str) -> str:
    """The reason for a shot that was under way when the print ended."""
    return f"the print ended: {detail}" if detail else "the print ended"


def end_by_hand(turn: Turn) -> None:
    """Someone has seen enough of this print: let go of it, and close its take when the last frame is in."""
    take = turn.state.take
    if take is None or turn.state.closing is not None:
        turn.change(unfilmed=None)
        return
    shot.let_go(turn, "the take was ended by hand")
    turn.change(ended=take.print, closing=(Outcome.CANCELLED, "the take was ended by hand"))
    close(turn)


def close(turn: Turn) -> None:
    """Once every shot at a camera has come to its end, close a take that is over and begin one that waits."""
    state = turn.state
    if state.pending:
        return
    if state.closing is not None:
        turn.do(CloseTake(*state.closing))
        turn.change(take=None, track=Track(), closing=None)
    if turn.state.take is None and state.next_print is not None:
        begin(turn, state.next_print, joined=False)


def recovered(turn: Turn, event: Recovered) -> None:
    """Go on with the take that the last daemon left open."""
    rule = turn.state.rules.cadence
    track = Track(
        layer=event.layer,
        first_layer=event.first_layer,
        top_mm=event.top_mm,
        line=event.line,
        after_gap=True,
        gap_s=event.silent_s,
        next_s=turn.now if rule.every_s is not None else None,
    )
    take = Take(
        event.print,
        event.since_s,
        event.cues,
        missed=event.missed,
        held_s=event.held_s,
        forecast=event.forecast,
        awaits=turn.state.rules.reads_file and event.forecast is None and bool(event.print.name),
        ended=event.ended,
    )
    turn.change(take=take, track=track)
    if event.cued_s is not None and rule.length_s is not None:
        here = cadence.spot(turn.state, event.cued_s)
        turn.change_track(pace=Pace(shot=here))
    if event.holding is not None:
        cue = Cue(event.holding, Why.LAYER, turn.now, event.layer)
        # Until the host is heard nothing can be done, and what it then says of its state decides.
        held = Shot(cue, Phase.RECOVERING, holds=True, limit_at=turn.now, back_at=turn.now, until=float("inf"))
        turn.change(shot=replace(held, left=event.left, known=True))
