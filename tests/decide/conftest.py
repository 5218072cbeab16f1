"""A bench for the director: feeds it events, keeps its state and all it asked for."""

from dataclasses import dataclass, field

import pytest

from lapsed.decide import director
from lapsed.decide import state as s
from lapsed.model import (
    Exposed,
    Landed,
    LayerSeen,
    LinkUp,
    Missed,
    Motion,
    MotionSeen,
    Position,
    PrintInfo,
    PrintStarted,
)
from lapsed.settings import Cadence

MOTION = Motion(Position(40.0, 50.0, 0.4, 12.5), 1800.0, absolute=True, absolute_extrusion=True)


@dataclass
class Bench:
    """A director on a bench with a clock of its own."""

    rules: s.Rules
    now: float = 100.0
    asked: list[s.Action] = field(default_factory=list)
    light: bool = True  # whether what is released is exposed and lands

    def __post_init__(self) -> None:
        self.state = director.start(self.rules)

    def tell(self, *events: s.Event, after: float = 0.0) -> list[s.Action]:
        """Tell the director `events`, `after` seconds from the last; what it asks for."""
        self.now += after
        fresh: list[s.Action] = []
        for event in events:
            self.state, actions = director.step(self.state, event, self.now)
            fresh += actions
        self.asked += fresh
        return fresh

    def tick(self) -> list[s.Action]:
        """Let time run to when the director wants to be woken."""
        wake = director.wake_at(self.state)
        assert wake is not None
        self.now = max(self.now, wake)
        return self.tell(s.Tick())

    def begin(self, **info: object) -> list[s.Action]:
        """A host that is heard and begins a print."""
        name = str(info.pop("name", "lantern.gcode"))
        return self.tell(LinkUp(), PrintStarted(PrintInfo(name, **info)))  # type: ignore[arg-type]  # test's own keys

    def shoot(self, layer: int, height_mm: float | None = None) -> int:
        """Carry one layer's shot through all its stations, everything answering at once; the shot's number."""
        self.tell(LayerSeen(layer, height_mm))
        assert self.state.shot is not None
        number = self.state.shot.cue.number
        self.answer_until(s.Phase.EXPOSING)
        for camera in self.rules.cameras:
            self.tell(Exposed(number, camera, self.now))
        self.answer_until(None)
        for camera in self.rules.cameras:
            self.tell(Landed(number, camera, self.now, (f"{number:06}.jpg",), 1000))
        return number

    def answer_until(self, phase: s.Phase | None) -> None:
        """Answer as a willing host does until the shot is in `phase`."""
        for _ in range(12):
            shot = self.state.shot
            if (shot.phase if shot else None) is phase:
                return
            assert shot is not None
            number = shot.cue.number
            match shot.phase:
                case s.Phase.ASKING:
                    self.tell(MotionSeen(MOTION), s.Done(number, shot.phase))
                case s.Phase.PLANNING:
                    self.tell(s.Planned(number, 1.0, 1.0))
                case s.Phase.SETTLING:
                    self.tick()
                case s.Phase.EXPOSING if self.light:
                    for camera in shot.waiting:
                        self.tell(Exposed(number, camera, self.now))
                        self.tell(Landed(number, camera, self.now, (f"{number:06}.jpg",), 1000))
                case s.Phase.EXPOSING:
                    self.tell(*(Missed(number, camera, self.now, "no light") for camera in shot.waiting))
                case _:
                    self.tell(s.Done(number, shot.phase))
        raise AssertionError(f"never came to {phase}: {self.state.shot}")

    def of(self, kind: type[s.Action]) -> list[s.Action]:
        """All it asked for of one kind."""
        return [action for action in self.asked if isinstance(action, kind)]


@pytest.fixture
def make_bench():
    """Makes benches; keywords go to the cadence, `cameras` and `required` to the rules."""

    def make(cameras: tuple[str, ...] = ("main",), required: tuple[str, ...] | None = None, **cadence: object) -> Bench:
        held_word = bool(cadence.pop("held_word", True))
        cadence = cadence or {"every_layers": 1}
        needed = frozenset(cameras if required is None else required)
        return Bench(s.Rules(Cadence.model_validate(cadence), cameras, needed, held_word=held_word))

    return make


@pytest.fixture
def bench(make_bench):
    """One camera, a frame of each layer."""
    return make_bench()


@pytest.fixture
def motion() -> Motion:
    """Where the head of the bench's machine stands."""
    return MOTION
