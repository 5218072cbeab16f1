"""Follows what a printer's runner does, and tells it as `now` values; decides nothing."""

import re
from collections import Counter, OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field

from lapsed import advice
from lapsed.camera.battery import Wanted
from lapsed.clock import Stamp
from lapsed.decide import cadence
from lapsed.decide import state as s
from lapsed.decide.watch import SKIPPED
from lapsed.model import CameraEvent, CameraTold, Exposed, Landed, LinkDown, Missed, OnCard
from lapsed.now import CameraNow, ClipNow, FrameNow, PrinterNow, PrintNow, ShotNow, TakeNow, Trouble
from lapsed.settings import Cadence, Printer
from lapsed.supplies import Supplies, learnt
from lapsed.take.digest import Digest

MOST_FATES = 16

MOST_NOTICED = 20
"""Troubles of one take that the hook is told of; a camera that fails in every way is known by then."""

TROUBLES = frozenset({"link", "host", "gap", "layerless", "recovered"})
"""Notes of the director that tell of something a person should know."""


@dataclass(slots=True)
class Onlooker:
    """What has been seen of one printer; `now` tells it."""

    printer: Printer
    notice: Callable[[str, str, str], None] = lambda _kind, _text, _utc: None
    link_text: str = "not heard yet"
    told: dict[str, CameraTold] = field(default_factory=dict)
    landed: Counter[str] = field(default_factory=Counter)
    missed: Counter[str] = field(default_factory=Counter)
    on_card: Counter[str] = field(default_factory=Counter)
    last_frame: FrameNow | None = None
    trouble: Trouble | None = None
    began_utc: str = ""
    noticed: set[str] = field(default_factory=set)
    fates: OrderedDict[int, str] = field(default_factory=OrderedDict)
    supplies: Supplies = field(default_factory=Supplies)
    shots: int = 0

    def heard(self, event: s.Event, stamp: Stamp) -> None:
        """The director was told `event`."""
        if isinstance(event, LinkDown):
            self.link_text = event.reason
            self.went_wrong(f"the host can't be heard: {event.reason}", stamp)
        elif isinstance(event, s.TakeFailed):
            self.went_wrong(event.reason, stamp)

    def asked(self, action: s.Action, stamp: Stamp) -> None:
        """The director asked for `action`."""
        match action:
            case s.OpenTake():
                self.begin(stamp)
            case s.CloseTake():
                self.supplies.end(stamp.mono_s, self.shots)
            case s.WriteCue(cue):
                self.shots = cue.number
            case s.WriteMissed(shot, cameras, reason):
                self._fate(shot, f"missed, {reason}")
                self.missed.update(cameras)
                if reason != SKIPPED:
                    self.went_wrong(f"shot {shot} missed: {reason}", stamp)
            case s.WriteNote(note) if note.kind in TROUBLES:
                self.went_wrong(note.text, stamp)
            case _:
                pass

    def camera(self, event: CameraEvent, stamp: Stamp) -> None:
        """A camera told `event`; pictures count once they are safe."""
        match event:
            case Exposed() if event.camera == self.printer.camera[0].name:
                self._fate(event.shot, "the shutter has closed")
            case CameraTold():
                self.told[event.camera] = event
                self.supplies.camera(event, stamp.mono_s, self.shots)
                if not event.ready:
                    self.went_wrong(f"camera {event.camera}: {event.text}", stamp)
            case Landed():
                self.landed[event.camera] += 1
                self.supplies.landed(event)
                if event.files:
                    self.last_frame = FrameNow(event.camera, event.shot, event.files[0], stamp.utc, event.size_bytes)
            case OnCard():
                self.on_card[event.camera] += 1
            case Missed():
                if event.camera == self.printer.camera[0].name:
                    self._fate(event.shot, f"missed, {event.reason}")
                self.missed[event.camera] += 1
                self.went_wrong(f"shot {event.shot} of camera {event.camera} missed: {event.reason}", stamp)
            case _:
                pass

    def _fate(self, shot: int, text: str) -> None:
        """What became of the main camera's part in a shot; of the last few."""
        self.fates[shot] = text
        while len(self.fates) > MOST_FATES:
            self.fates.popitem(last=False)

    def begin(self, stamp: Stamp, shots: int = 0) -> None:
        """A take begins, or goes on after so many shots."""
        self.shots = shots
        self.supplies.begin(stamp.mono_s, shots)
        self.fates.clear()
        self.landed.clear()
        self.missed.clear()
        self.on_card.clear()
        self.last_frame, self.trouble, self.began_utc = None, None, stamp.utc
        self.noticed.clear()

    def go_on(self, take: Digest, stamp: Stamp) -> None:
        """A take that an earlier daemon began goes on."""
        self.begin(stamp, take.cues)
        self.began_utc = take.began_utc or ""
        for camera in take.cameras:
            lost = learnt(take, camera)
            if lost is not None:
                self.supplies.taught[camera] = lost
            for outcome, counter in (("landed", self.landed), ("missed", self.missed), ("on card", self.on_card)):
                counter[camera] = take.counts.get((camera, outcome), 0)
        for shot in take.newest.values():
            if shot.files and (self.last_frame is None or shot.cue >= self.last_frame.shot):
                size = shot.size_bytes or 0
                self.last_frame = FrameNow(shot.camera, shot.cue, shot.files[0], shot.ended_utc or "", size)

    def went_wrong(self, text: str, stamp: Stamp) -> None:
        """Something a person should know of; the hook is told once of each, until the next take."""
        self.trouble = Trouble(stamp.utc, text, advice.of(text))
        kind = re.sub("[0-9]+", "", text)  # the same of another shot is no news
        if kind not in self.noticed and len(self.noticed) < MOST_NOTICED:
            self.noticed.add(kind)
            self.notice("trouble", text, stamp.utc)

    def now(self, state: s.State, take: str | None, now: float) -> PrinterNow:
        """All of it, at `now` on the monotonic clock; `take` is the name of the take's folder."""
        shot = state.shot
        return PrinterNow(
            name=self.printer.name,
            link=state.link,
            link_text="heard" if state.link else self.link_text,
            cameras=tuple(self._camera(at, state, now) for at in range(len(self.printer.camera))),
            print=_print(state, now) if state.take is not None else None,
            take=self._take(state, take, now) if state.take is not None else None,
            shot=ShotNow(shot.cue.number, shot.phase.value, shot.holds) if shot is not None else None,
            stopped=state.stopped,
            skipping=state.skipping,
            trouble=self.trouble,
        )

    def runs_short(self, state: s.State, room_mb: float | None, stamp: Stamp) -> tuple[str, ...]:
        """What of disk, cards and batteries does not last for the print, each told once in a take."""
        if state.take is None:
            return ()
        texts = tuple(self.supplies.told(room_mb, self._wanted(state, stamp.mono_s), stamp.mono_s, self.shots))
        for text in texts:
            self.went_wrong(text, stamp)
        return texts

    def _wanted(self, state: s.State, now: float) -> Wanted:
        left = left_s(state, now)
        return Wanted(None if left is None else left / 3600, expected(self.printer.cadence, state, now))

    def _battery(self, camera: str, state: s.State, now: float) -> str:
        """Whether the camera's battery lasts for the print, in a clause."""
        if camera not in self.supplies.readings:
            return ""
        seen = self.supplies.outlook(camera, self._wanted(state, now), now, self.shots)
        return seen.text if seen is not None else ""

    def _camera(self, at: int, state: s.State, now: float) -> CameraNow:
        part = self.printer.camera[at]
        told = self.told.get(part.name)
        battery = self._battery(part.name, state, now) if state.take is not None else ""
        return CameraNow(
            name=part.name,
            kind=part.kind,
            main=at == 0,
            ready=told is not None and told.ready,
            text="; ".join(filter(None, (told.text, battery))) if told is not None else "not found yet",
            landed=self.landed[part.name],
            missed=self.missed[part.name],
            on_card=self.on_card[part.name],
        )

    def _take(self, state: s.State, name: str | None, now: float) -> TakeNow:
        assert state.take is not None  # noqa: S101 - the caller has looked
        main, rule = self.printer.camera[0].name, self.printer.cadence
        to_come = expected(rule, state, now)
        pictures = self.landed[main] + self.on_card[main]
        coming = len([shot for shot, camera in state.pending if camera == main])
        clip = ClipNow(
            rate=float(rule.rate),
            wished_s=rule.length_s,
            projected_s=float((pictures + coming + to_come) / rule.rate) if to_come is not None else None,
        )
        return TakeNow(
            name=name,
            began_utc=self.began_utc,
            shots=state.take.cues,
            landed=self.landed[main],
            missed=self.missed[main],
            on_card=self.on_card[main],
            to_come=to_come,
            clip=clip,
            last_frame=self.last_frame,
        )


def _print(state: s.State, now: float) -> PrintNow:
    take, track = state.take, state.track
    assert take is not None  # noqa: S101 - the caller has looked
    return PrintNow(
        name=take.print.name,
        waits=state.waits,
        layer=track.layer,
        layers=take.print.layers,
        height_mm=track.height_mm,
        progress=track.progress,
        running_s=round(cadence.print_time(state, now), 1),
        left_s=left_s(state, now),
    )


def left_s(state: s.State, now: float) -> float | None:
    """How long the print is still to take, as the cadence reckons it; holds still to come are left out."""
    end_s = cadence.estimated_end(state, now) if state.take is not None else None
    return None if end_s is None else round(max(0.0, end_s - cadence.print_time(state, now)), 1)


def expected(rule: Cadence, state: s.State, now: float) -> int | None:
    """How many cues are still to come, that of the finished part among them; None where that can't be known."""
    take = state.take
    if take is None:
        return None
    if state.skipping or state.closing is not None:
        return 0
    coming = _by_rule(rule, state, take, now)
    return coming + 1 if coming is not None and rule.last_frame and state.track.line is None else coming


def _by_rule(rule: Cadence, state: s.State, take: s.Take, now: float) -> int | None:
    track = state.track
    first = min(track.first_layer if track.first_layer is not None else 1, 1)
    layers_left = None
    if take.print.layers is not None:
        layers_left = max(0, take.print.layers - (track.layer - first + 1 if track.layer is not None else 0))
    if rule.every_layers is not None:
        return layers_left // rule.every_layers if layers_left is not None else None
    if rule.length_s is not None:
        return cadence.frames_to_come(state)
    if rule.every_mm is not None and take.print.height_mm is not None:
        return max(0, int((take.print.height_mm - (track.height_mm or 0.0)) / rule.every_mm))
    left = left_s(state, now)
    if rule.every_s is not None and left is not None:
        return int(left / rule.every_s)
    return None
