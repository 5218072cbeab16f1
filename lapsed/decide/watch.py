"""Watching the print: layers, heights, time and cue lines, and the cues that come of them."""

import re
from dataclasses import replace

from lapsed.decide import cadence, prints, shot
from lapsed.decide.state import Done, FileRead, Phase, State, Track
from lapsed.decide.turn import Turn
from lapsed.model import Cue, HeightSeen, LayerSeen, Outcome, PrintEnded, ProgressSeen, Why

CONSOLE = re.compile(r"\blapsed (cue|parked|returned) ([0-9]{1,9})\b")
"""The lines that our own blocks have the machine say."""

SKIPPED = "shots were being skipped by hand"
AWAY = "the camera is away, and the print is not held for it until it is back"

SAME_OBJECT_LAYERS = 5
SAME_OBJECT_GAP_S = 120.0
"""A gap shorter than this, in which the print rose by no more layers, can't hide another object of the same height."""

AGAIN_SHARE = 0.05
"""A print whose share done has fallen by so much over a gap is another run of the file."""


def by_time(state: State) -> bool:
    """Whether the clock makes cues at present."""
    filming = state.take is not None and not state.take.paused and state.closing is None
    return filming and state.link and state.rules.cadence.every_s is not None and state.track.line is None


def seen(turn: Turn, event: LayerSeen | HeightSeen | ProgressSeen) -> None:
    """Follow a layer, a height or the share done, while a take is open."""
    if not _filming(turn):
        return
    match event:
        case LayerSeen():
            turn.change_track(layerless_at=None, layerless=False)
            _layer(turn, event)
        case HeightSeen():
            turn.change_track(layerless_at=None)
            _height(turn, event.height_mm)
        case ProgressSeen():
            _progress(turn, event.fraction)
    estimate(turn)


def _filming(turn: Turn) -> bool:
    return turn.state.take is not None and turn.state.closing is None


def _layer(turn: Turn, event: LayerSeen) -> None:
    track, rules = turn.state.track, turn.state.rules
    if track.layer is None and event.layer <= 0 and event.height_mm is None:
        return  # a host that stands at 0 until the first layer begins
    if track.layer is not None and event.layer <= track.layer:
        if event.height_mm is None or not _fell(track, event):
            if event.layer == track.layer and event.height_mm is not None:
                _height(turn, event.height_mm)
            return
        turn.note("object", f"layer {event.layer} follows layer {track.layer}: the next object begins")
        _settle_gap(turn, event, fell=True)
        passed = track.passed + 1 + (track.layer or 0) - (track.first_layer or 0)
        turn.change_track(layer=event.layer - 1, first_layer=min(event.layer, 1), passed=passed)
        track = turn.state.track
    else:
        _settle_gap(turn, event, fell=False)
        track = turn.state.track
    if track.first_layer is None:
        # Joined late, the host's count still tells how many layers went before; hosts count from 0 or from 1.
        turn.change_track(first_layer=min(event.layer, 1))
        track = turn.state.track
    due = cadence.layers_due(rules.cadence, track, event.layer)
    turn.change_track(layer=event.layer)
    if event.height_mm is not None:
        _height(turn, event.height_mm)
    if track.line is not None:
        return
    if rules.cadence.length_s is not None:
        _chance(turn, Why.LAYER, event.height_mm)
    for number in due[:-1]:
        _cue(
            turn,
            Why.LAYER,
            number,
            None,
            missed="the host told several layers at once, and this one had passed",
        )
    if due:
        late = due[-1] != event.layer
        reason = "the host told several layers at once, and this one had passed" if late else None
        _cue(turn, Why.LAYER, due[-1], event.height_mm, missed=reason)


def _chance(turn: Turn, why: Why, height_mm: float | None) -> None:
    """A frame of a wished length might be shot here; whether it is depends on what is left of print and frames."""
    state = turn.state
    here = cadence.spot(state, turn.now, height_mm)
    due = cadence.length_due(state, here)
    turn.change_track(pace=state.track.pace.met(here))
    _say_spread(turn)
    if due:
        _cue(turn, why, state.track.layer, height_mm if height_mm is not None else state.track.height_mm)


def _say_spread(turn: Turn) -> None:
    """Journal how a wished length is come by, and each time that changes."""
    take, by = cadence.filmed(turn.state), cadence.spread_by(turn.state)
    if by is None or by == take.spread_by:
        return
    turn.change(take=replace(take, spread_by=by))
    text, figures = cadence.describe(turn.state)
    turn.note("plan", text, **figures)


def estimate(turn: Turn) -> None:
    """Reckon anew, after news of the print, when it will end."""
    if turn.state.rules.cadence.length_s is not None and turn.state.take is not None:
        end_s = cadence.estimated_end(turn.state, turn.now)
        turn.change_track(pace=replace(turn.state.track.pace, end_s=end_s))


def file_read(turn: Turn, event: FileRead) -> None:
    """The printed file was read beforehand, or could not be; the frames still wanted are spread accordingly."""
    take = turn.state.take
    if take is None or turn.state.closing is not None or take.print.name != event.name:
        return
    if turn.state.rules.cadence.length_s is None:
        return
    turn.change(take=replace(take, forecast=event.forecast, awaits=False))
    if event.forecast is None:
        turn.note("plan", f"the printed file could not be read beforehand: {event.reason}")
    if turn.state.track.line is None and cadence.spread_by(turn.state) != "nothing":
        _say_spread(turn)


def _fell(track: Track, event: LayerSeen) -> bool:
    """Whether a smaller number is the next object's: number and height have both fallen by half or more."""
    if track.layer is None or track.height_mm is None or event.height_mm is None:
        return False
    return event.layer * 2 <= track.layer and event.height_mm * 2 <= track.height_mm


def _settle_gap(turn: Turn, event: LayerSeen, *, fell: bool) -> None:
    """Judge, with the first layer after a gap, whether all that stands on the bed has been seen."""
    track = turn.state.track
    if not track.after_gap:
        return
    turn.change_track(after_gap=False, gap_s=0.0)
    if track.layer is None or not turn.state.rules.cadence.one_after_another:
        return
    near = 0 <= event.layer - track.layer <= SAME_OBJECT_LAYERS and track.gap_s <= SAME_OBJECT_GAP_S
    if fell or not near:
        turn.change_track(top_sure=False)
        turn.note(
            "gap",
            "what was printed during the gap is not known; the head now passes above the whole part's height",
        )


def _height(turn: Turn, height_mm: float) -> None:
    track, rules = turn.state.track, turn.state.rules
    turn.change_track(height_mm=height_mm, top_mm=max(track.top_mm, height_mm))
    if track.layer is None and track.line is None and rules.cadence.length_s is not None:
        _rise(turn, height_mm)
    every_mm = rules.cadence.every_mm
    if every_mm is None:
        return
    if track.height_mm is not None and height_mm < track.height_mm / 2:
        turn.change_track(next_mm=0.0)
    if height_mm >= turn.state.track.next_mm:
        turn.change_track(next_mm=cadence.next_mark(every_mm, height_mm))
        if track.line is None:
            _cue(turn, Why.HEIGHT, track.layer, height_mm)


def _rise(turn: Turn, height_mm: float) -> None:
    """A host that tells heights alone is followed through the layers of the file, where that is known."""
    state = turn.state
    whole, last = cadence.course(state), state.track.pace.last
    index = whole.index(cadence.spot(state, turn.now, height_mm))
    if index is not None and (last is None or index > (whole.index(last) or 0)):
        _chance(turn, Why.HEIGHT, height_mm)


def _progress(turn: Turn, fraction: float) -> None:
    track, take = turn.state.track, cadence.filmed(turn.state)
    if track.after_gap and track.progress is not None and fraction < track.progress - AGAIN_SHARE:
        prints.over(turn, Outcome.LOST, "the file was begun again while the host could not be heard")
        if turn.state.take is None:
            prints.begin(turn, take.print, joined=True)
        else:
            turn.change(next_print=take.print)
        return
    turn.change_track(progress=fraction)
    if turn.state.rules.cadence.length_s is not None and cadence.layerless(turn.state) and track.line is None:
        _chance(turn, Why.TIME, None)


def time(turn: Turn) -> None:
    """Cue by the clock, and say so once when the host tells no layers."""
    track, every = turn.state.track, turn.state.rules.cadence.every_s
    if track.layerless_at is not None and turn.now >= track.layerless_at:
        turn.change_track(layerless_at=None, layerless=True)
        turn.note("layerless", "the host has told no layer and no height; set every_s, or mark the file beforehand")
    if every is not None and by_time(turn.state) and track.next_s is not None and turn.now >= track.next_s:
        # Marks missed while nothing could be shot are not made up for: the next one counts from now.
        turn.change_track(next_s=max(track.next_s + every, turn.now + every / 2))
        _cue(turn, Why.TIME, track.layer, track.height_mm)
    wanted_at = cadence.next_by_clock(turn.state)
    if wanted_at is not None and turn.now >= wanted_at:
        _say_spread(turn)
        _cue(turn, Why.TIME, track.layer, track.height_mm)


def at_once(turn: Turn, why: Why) -> None:
    """A shot that someone asked for or the host signalled, whatever the cadence says."""
    if _filming(turn):
        _cue(turn, why, turn.state.track.layer, turn.state.track.height_mm)


def ended(turn: Turn, event: PrintEnded) -> None:
    """The print is over; if finished, one more frame shows the whole part, which a layer's first moment never does."""
    rule, track = turn.state.rules.cadence, turn.state.track
    marked = rule.cue_lines_only or track.line is not None
    take = turn.state.take
    cued = take is not None and take.ended
    if event.outcome is Outcome.FINISHED and rule.last_frame and not (marked or cued) and _filming(turn):
        # Whatever was under way can't be held for any more, and must not stand in the way of this one.
        shot.lost(turn, prints.ended_as(event.detail))
        _cue(turn, Why.END, track.layer, track.height_mm)
    prints.told(turn, event)


def console(turn: Turn, line: str) -> None:
    """Heed the lines that our own blocks have the machine say."""
    found = CONSOLE.search(line)
    if found is None:
        return
    word, number = found[1], int(found[2])
    if word == "parked":
        shot.done(turn, Done(number, Phase.PARKING))
    elif word == "returned":
        shot.done(turn, Done(number, Phase.RETURNING))
    elif _filming(turn):
        _cue_line(turn, number)


def _cue_line(turn: Turn, number: int) -> None:
    """A marked file's block is at its park point, and dwells there by itself: shoot at once, without a hold."""
    track = turn.state.track
    last = track.line
    if last is None:
        turn.note("marked", "the file brings its own cue lines; they alone count from here on")
        last = number - 1 if number > 0 else 0
        turn.change_track(line=last)
    if number <= last:
        return
    gap = number - last - 1
    for _ in range(min(gap, cadence.MOST_IN_BURST)):
        _cue(turn, Why.LINE, None, None, missed="its cue line was not heard")
    turn.change_track(line=number)
    _cue(turn, Why.LINE, track.layer, track.height_mm)


def _cue(turn: Turn, why: Why, layer: int | None, height_mm: float | None, *, missed: str | None = None) -> None:
    take = cadence.filmed(turn.state)
    cue = Cue(take.cues + 1, why, turn.now, layer, height_mm)
    turn.change(take=replace(take, cues=cue.number))
    if turn.state.rules.cadence.length_s is not None:
        last = turn.state.track.pace.last
        here = cadence.spot(turn.state, turn.now, height_mm if last is None or last.height_mm is not None else None)
        turn.change_track(pace=replace(turn.state.track.pace, shot=here))
    under_way = turn.state.shot
    goes_on = why in (Why.LAYER, Why.HEIGHT) and missed is None
    if goes_on and under_way is not None and under_way.phase is Phase.RESUMING:
        # The next layer comes of a print that has gone on, whether or not the answer to our asking is here yet.
        shot.done(turn, Done(under_way.cue.number, Phase.RESUMING))
    busy = turn.state.shot is not None
    holds = turn.state.rules.cadence.park and why not in (Why.LINE, Why.END)
    reason = missed or turn.state.stopped or ("the shot before it was still under way" if busy else None)
    if reason is None and holds and why is not Why.HAND and shot.in_vain(turn):
        reason = AWAY
    if turn.state.skipping and why is not Why.HAND:
        reason = SKIPPED
    if turn.state.leaving:
        reason = "the daemon was being stopped"
    if reason is not None:
        shot.refuse(turn, cue, reason)
    else:
        shot.begin(turn, cue, holds=holds)
