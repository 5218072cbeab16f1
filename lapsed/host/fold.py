"""The pure fold from what a host says to events."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from math import isclose
from typing import Any

from lapsed.host import facts
from lapsed.model import (
    ConsoleSeen,
    HeightSeen,
    HostEvent,
    LayerSeen,
    Motion,
    MotionSeen,
    Outcome,
    Position,
    PrintEnded,
    PrintInfo,
    PrintPaused,
    PrintResumed,
    PrintStarted,
    PrintTold,
    ProgressSeen,
)
from lapsed.settings import FeedLink, States

SAME_MM = 1e-4
"""Heights, places or amounts of filament closer than this are one: hosts round, and no machine moves so little."""


class Stage(StrEnum):
    """What a host's word for its state comes down to; all but idle are the lists of `settings.States`."""

    PRINTING = "printing"
    PAUSED = "paused"
    HELD = "held"
    FINISHED = "finished"
    CANCELLED = "cancelled"
    FAILED = "failed"
    IDLE = "idle"


_ACTIVE = frozenset({Stage.PRINTING, Stage.PAUSED, Stage.HELD})
_OVER = frozenset({Stage.FINISHED, Stage.CANCELLED, Stage.FAILED})


@dataclass(frozen=True, slots=True)
class Known:
    """The facts told so far, by their names in `settings.Facts`; None where unknown."""

    file: str | None = None
    layers: int | None = None
    expected_s: float | None = None
    part_height_mm: float | None = None
    identity: str | int | float | None = None
    detail: str | None = None
    layer: int | None = None
    height_mm: float | None = None
    progress: float | None = None
    x: float | None = None
    y: float | None = None
    z: float | None = None
    e: float | None = None
    feed_mm_min: float | None = None
    absolute: bool | None = None
    absolute_extrusion: bool | None = None
    retracted: bool | None = None


_OF_FILE = frozenset({"file", "layers", "expected_s", "part_height_mm"})
_OF_PLACE = frozenset({"layer", "height_mm", "progress"})
_OF_RUN = _OF_PLACE | {"identity", "detail"}
_NEEDED = frozenset({"x", "y", "z", "e", "feed_mm_min", "absolute", "absolute_extrusion"})
_OF_MOTION = _NEEDED | {"retracted"}


@dataclass(frozen=True, slots=True)
class Odd:
    """A fact that came as what it can't be: how often, and the first such value with its place."""

    count: int
    sample: str


@dataclass(frozen=True, slots=True)
class HostState:
    """What is known of a host.

    `stage` is None until the host's state is heard on this connection. `print` is the print that was told of and not
    ended; one who has a take open from an earlier life gives the take's print here, and its end is told even if it
    came unseen. `carried` names the facts told of an earlier print that may or may not hold for this one. `told` holds
    the layer, height and progress that were last told. `spot` is what was known when Z or E was last reported.
    """

    stage: Stage | None = None
    print: PrintInfo | None = None
    known: Known = field(default_factory=Known)
    carried: frozenset[str] = frozenset()
    told: Known = field(default_factory=Known)
    spot: Known = field(default_factory=Known)
    tells_height: bool = False
    odd: Mapping[str, Odd] = field(default_factory=dict)


def fold(state: HostState, message: object, link: FeedLink) -> tuple[HostState, tuple[HostEvent, ...]]:
    """`state` with what `message` adds to it, and the events in that: state, print, layer, motion, console in order.

    `message` is any parsed JSON and may tell any part of the facts; what it doesn't tell stays as it was. The parts
    of a JSON-RPC batch are folded one after the other.
    """
    batch = message if link.protocol == "json-rpc" and isinstance(message, list) else [message]
    events: list[HostEvent] = []
    for part in batch:
        told = facts.read(part, link)
        if told.odd:
            state = replace(state, odd=_counted(state.odd, told.odd))
        if told.facts:
            state, more = _fold_facts(state, told.facts, link.states)
            events += more
        events += map(ConsoleSeen, told.lines)
    return state, tuple(events)


def forget(state: HostState) -> HostState:
    """`state` for a new connection, before which much may have happened unseen.

    The next state heard counts as joined; layer, height and progress are told again; where the head is has to be
    heard again. The print is remembered, and what belongs to it holds until another file is told.
    """
    known = _without(state.known, _OF_MOTION | _OF_PLACE | {"detail"})
    return replace(
        state,
        stage=None,
        known=known,
        carried=state.carried | (_OF_FILE | {"identity"}) - {"file"},
        told=Known(),
        spot=Known(),
    )


def _counted(odd: Mapping[str, Odd], more: Mapping[str, str]) -> Mapping[str, Odd]:
    first = {name: odd.get(name, Odd(0, sample)) for name, sample in more.items()}
    return {**odd, **{name: replace(one, count=one.count + 1) for name, one in first.items()}}


def _without(known: Known, names: frozenset[str]) -> Known:
    cleared: dict[str, Any] = dict.fromkeys(names)
    return replace(known, **cleared)


def _fold_facts(state: HostState, told: Mapping[str, Any], states: States) -> tuple[HostState, list[HostEvent]]:
    before = state.known
    state, events = _staged(state, told, states)
    if state.stage in _ACTIVE:
        state, seen = _progressed(state, told)
        events += seen
    if not _OF_MOTION.isdisjoint(told):
        events += _moved(before, state.known, told)
        if "z" in told or "e" in told:
            state = replace(state, spot=state.known)
    return state, events


# ------------------------------------------------------------------------------------------- the print and its state


def _staged(state: HostState, told: Mapping[str, Any], states: States) -> tuple[HostState, list[HostEvent]]:
    """Take `told` in, and tell how the print begins, waits, goes on and ends."""
    was = state.stage
    now = _stage(told["state"], states) if "state" in told else was
    told = _believed(state, told, now)
    events: list[HostEvent] = []
    another = was in _ACTIVE and state.print is not None and _is_another(state.print, told, state.carried)
    if state.print is not None and now is not None and (another or now not in _ACTIVE):
        outcome, detail = _end(was, now, told.get("detail") or state.known.detail)
        events.append(PrintEnded(outcome, detail))
        state = _closed(state)
    if now in _OVER:
        # What such a host goes on to say of layer and progress is of the print that is over, not of the next one.
        told = {name: value for name, value in told.items() if name not in _OF_PLACE}
    state = replace(_taken_in(state, told), stage=now)
    if now not in _ACTIVE:
        return state, events
    begins = was not in _ACTIVE or another
    if begins:
        info = _info(state.known)
        state = replace(state, print=info, known=replace(state.known, detail=told.get("detail")))
        events.append(PrintStarted(info, joined=was is None))
    if now is not Stage.PRINTING and (begins or now is not was):
        events.append(PrintPaused(held=now is Stage.HELD))
    elif now is Stage.PRINTING and not begins and was is not now:
        events.append(PrintResumed())
    if not begins and state.print is not None:
        info = _grown(state.print, _info(state.known))
        if info != state.print:
            state = replace(state, print=info)
            events.append(PrintTold(info))
    return state, events


def _believed(state: HostState, told: Mapping[str, Any], now: Stage | None) -> Mapping[str, Any]:
    """`told` without the state, and without slips that would make the print under way look like another."""
    void = {"state"}
    if state.stage in _ACTIVE and now in _ACTIVE:
        # It came from some file, whatever the host forgets meanwhile.
        void |= {name for name in ("file", "identity") if told.get(name) is None}
    identity, known = told.get("identity"), state.known.identity
    if None not in (identity, known) and isinstance(identity, str) != isinstance(known, str):
        # A host that tells runs apart by texts doesn't go over to numbers.
        void.add("identity")
    return {name: value for name, value in told.items() if name not in void}


def _stage(word: str, states: States) -> Stage:
    return next((stage for stage in Stage if word in getattr(states, stage, ())), Stage.IDLE)


def _is_another(info: PrintInfo, told: Mapping[str, Any], carried: frozenset[str]) -> bool:
    """Whether `told` can't be said of the print in `info`; a name carried over was only supposed to be its."""
    name, identity = told.get("file"), told.get("identity")
    renamed = bool(name and info.name) and name != info.name and "file" not in carried
    return renamed or (None not in (identity, info.identity) and str(identity) != info.identity)


def _end(was: Stage | None, now: Stage, detail: str | None) -> tuple[Outcome, str]:
    match now:
        case Stage.FINISHED:
            return Outcome.FINISHED, detail or ""
        case Stage.CANCELLED:
            return Outcome.CANCELLED, detail or ""
        case Stage.FAILED:
            return Outcome.FAILED, detail or "the host gave no reason"
        case Stage.IDLE if was is None:
            return Outcome.LOST, "it ended while the host could not be heard"
        case Stage.IDLE:
            return Outcome.CANCELLED, "the host went idle and said nothing of the end"
    return Outcome.LOST, "another print took its place"


def _closed(state: HostState) -> HostState:
    """After a print: what was told of its run is void, what was told of its file may hold if it is printed again."""
    return replace(state, print=None, known=_without(state.known, _OF_RUN), carried=_OF_FILE, told=Known())


def _taken_in(state: HostState, told: Mapping[str, Any]) -> HostState:
    carried = state.carried - told.keys()
    name = told.get("file")
    void = carried if name is not None and name != state.known.file else frozenset[str]()
    return replace(
        state,
        known=replace(_without(state.known, void), **told),
        carried=carried - void,
        tells_height=state.tells_height or told.get("height_mm") is not None,
    )


def _info(known: Known) -> PrintInfo:
    return PrintInfo(
        name=known.file or "",
        identity=None if known.identity is None else str(known.identity),
        layers=known.layers,
        height_mm=known.part_height_mm,
        expected_s=known.expected_s,
    )


def _grown(old: PrintInfo, new: PrintInfo) -> PrintInfo:
    """`old` with what `new` adds; an estimate that moves by less than a hundredth is no news."""
    if new.name and old.name and new.name != old.name:
        return new
    return PrintInfo(
        name=new.name or old.name,
        identity=new.identity or old.identity,
        layers=new.layers or old.layers,
        height_mm=_news(old.height_mm, new.height_mm),
        expected_s=_news(old.expected_s, new.expected_s),
    )


def _news(old: float | None, new: float | None) -> float | None:
    return old if new is None or (old is not None and isclose(old, new, rel_tol=0.01)) else new


# ------------------------------------------------------------------------------------- layer, height, progress, motion


def _progressed(state: HostState, told: Mapping[str, Any]) -> tuple[HostState, list[HostEvent]]:
    known, last = state.known, state.told
    events: list[HostEvent] = []
    if known.layer is not None and known.layer != last.layer:
        # A height that came with an earlier layer is not this one's.
        fresh = "height_mm" in told or last.height_mm is None
        events.append(LayerSeen(known.layer, known.height_mm if fresh else None))
        last = replace(last, layer=known.layer)
    height = known.height_mm
    if not state.tells_height and state.stage is Stage.PRINTING:
        height = _laid_mm(state.spot, known)
    if height is not None and (last.height_mm is None or abs(height - last.height_mm) > SAME_MM):
        events.append(HeightSeen(height))
        last = replace(last, height_mm=height)
    if known.progress is not None and known.progress != last.progress:
        events.append(ProgressSeen(known.progress))
        last = replace(last, progress=known.progress)
    return (replace(state, told=last) if events else state), events


def _laid_mm(spot: Known, known: Known) -> float | None:
    """The height at which filament was laid between two reports, where that can be told.

    The extruder advanced on the way to another place and Z did not fall meanwhile: then it lies at the lower of the
    two heights, as a Z hop is above what is printed on both sides of it. That holds for a spiral's steady rise as well.
    """
    if spot.z is None or spot.e is None or known.z is None or known.e is None:
        return None
    stood = _near(spot.x, known.x) and _near(spot.y, known.y)
    if known.e - spot.e <= SAME_MM or known.z < spot.z - SAME_MM or stood:
        return None
    return spot.z


def _near(one: float | None, other: float | None) -> bool:
    return one is not None and other is not None and abs(one - other) <= SAME_MM


def _moved(before: Known, known: Known, told: Mapping[str, Any]) -> Iterator[MotionSeen]:
    """The motion if it changed, or if `told` is a whole answer to where the head is, which is news even unchanged."""
    motion = _motion(known)
    if motion is not None and (told.keys() >= _NEEDED or motion != _motion(before)):
        yield MotionSeen(motion)


def _motion(known: Known) -> Motion | None:
    if known.x is None or known.y is None or known.z is None or known.e is None:
        return None
    if known.feed_mm_min is None or known.absolute is None or known.absolute_extrusion is None:
        return None
    return Motion(
        Position(known.x, known.y, known.z, known.e),
        feed_mm_min=known.feed_mm_min,
        absolute=known.absolute,
        absolute_extrusion=known.absolute_extrusion,
        retracted=known.retracted,
    )
