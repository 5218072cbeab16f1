from collections.abc import Callable, Mapping

import pytest

from lapsed.host.fold import HostState
from lapsed.model import (
    ConsoleSeen,
    HeightSeen,
    HostEvent,
    LayerSeen,
    Motion,
    MotionSeen,
    Position,
    PrintInfo,
    PrintPaused,
    PrintStarted,
    ProgressSeen,
)

Message = Mapping[str, object]
Say = Callable[..., Message]
Told = Callable[..., tuple[HostState, list[HostEvent]]]

VASE = PrintInfo("vase")
HEAD: dict[str, object] = {
    "x": 1,
    "y": 2.5,
    "z": 0.4,
    "e": 10,
    "feed_mm_min": 1800,
    "absolute": True,
    "absolute_extrusion": False,
}
MOTION = Motion(Position(1, 2.5, 0.4, 10), feed_mm_min=1800, absolute=True, absolute_extrusion=False)


@pytest.mark.parametrize(
    ("says", "events"),
    [
        pytest.param(
            [{"layer": 1, "height_mm": 0.2}, {"layer": 1, "height_mm": 0.2}, {"layer": 2}, {"height_mm": 0.4}],
            [LayerSeen(1, 0.2), HeightSeen(0.2), LayerSeen(2), HeightSeen(0.4)],
            id="repeats are no news, and the last layer's height is not this one's",
        ),
        pytest.param([{"layer": -6}, {"layer": 40}, {"layer": 3}], [LayerSeen(-6), LayerSeen(40), LayerSeen(3)]),
        pytest.param([{"layer": "7"}, {"layer": 7.0}, {"layer": " 8 "}], [LayerSeen(7), LayerSeen(8)], id="as text"),
        pytest.param(
            [{"done": 0.5}, {"done": 0.5}, {"done": "0.75"}, {"done": 1.001}],
            [ProgressSeen(0.5), ProgressSeen(0.75), ProgressSeen(1.0)],
            id="progress",
        ),
        pytest.param([{"height_mm": 0}, {"height_mm": ".3"}], [HeightSeen(0.3)], id="no height before the first layer"),
    ],
)
def test_places(told: Told, job: Say, says: list[dict[str, object]], events: list[HostEvent]) -> None:
    state, _ = told(job(stage="running"))
    assert told(*(job(**facts) for facts in says), state=state)[1] == events


def test_what_was_told_before_the_start_is_told_at_the_start(told: Told, job: Say) -> None:
    assert told(job(layer=1, height_mm=0.2, done=0.1), job(stage="running"))[1] == [
        PrintStarted(PrintInfo(""), joined=True),
        LayerSeen(1, 0.2),
        HeightSeen(0.2),
        ProgressSeen(0.1),
    ]


def test_the_last_layer_of_a_print_is_not_the_next_ones(told: Told, job: Say) -> None:
    full = {"file": "vase", "layer": 90, "height_mm": 18, "done": 1}
    state, _ = told(job(stage="running", **full), job(stage="finished", **full), job(stage="finished", **full))
    assert told(job(stage="running"), job(layer=1), state=state)[1] == [PrintStarted(VASE), LayerSeen(1)]


def test_state_comes_first_and_the_console_last(told: Told, job: Say, head: Say) -> None:
    message = {
        "params": {
            "console": "lapsed cue 4",
            "head": HEAD,
            "job": {"done": 0.2, "height_mm": 0.4, "layer": 2, "layers": 9, "file": "vase", "stage": "paused"},
        }
    }
    assert told(message)[1] == [
        PrintStarted(PrintInfo("vase", layers=9), joined=True),
        PrintPaused(held=False),
        LayerSeen(2, 0.4),
        HeightSeen(0.4),
        ProgressSeen(0.2),
        MotionSeen(MOTION),
        ConsoleSeen("lapsed cue 4"),
    ]


def test_motion_is_told_once_all_is_known_and_when_it_changes(told: Told, head: Say) -> None:
    one_by_one = [head(**{name: value}) for name, value in HEAD.items()]
    state, events = told(*one_by_one, head(x=1), head(x=4), head(retracted=True), head(z=None), head(x=5))
    moved = Motion(Position(4, 2.5, 0.4, 10), 1800, absolute=True, absolute_extrusion=False)
    retracted = Motion(moved.position, 1800, absolute=True, absolute_extrusion=False, retracted=True)
    assert events == [MotionSeen(MOTION), MotionSeen(moved), MotionSeen(retracted)]
    assert state.known.z is None


def test_a_whole_answer_is_told_even_unchanged(told: Told, head: Say) -> None:
    assert told(head(**HEAD), head(**HEAD), head(x=1))[1] == [MotionSeen(MOTION), MotionSeen(MOTION)]


def _path(head: Say, *spots: tuple[float, float, float]) -> list[Message]:
    return [head(x=x, z=z, e=e) for x, z, e in spots]


@pytest.mark.parametrize(
    ("spots", "heights"),
    [
        pytest.param([(0, 0.2, 0), (10, 0.2, 1), (20, 0.2, 2), (20, 0.4, 2), (30, 0.4, 3)], [0.2, 0.4], id="layers"),
        pytest.param(
            [(0, 0.2, 0), (9, 0.2, 1), (9, 0.8, 0), (50, 0.8, 0), (50, 0.2, 0), (50, 0.2, 1), (60, 0.2, 2)],
            [0.2],
            id="a hop, retracted",
        ),
        pytest.param([(0, 0.2, 0), (9, 0.8, 5), (40, 0.8, 5), (40, 0.2, 5)], [0.2], id="a hop seen after laying"),
        pytest.param([(0, 0.2, 0), (9, 0.8, 5), (9, 0.8, 6), (9, 0.2, 6)], [0.2], id="primed in the air, standing"),
        pytest.param([(0, 50, 0), (0, 50, 30), (0, 50, 60)], [], id="purged in the air, standing"),
        pytest.param([(0, 0.2, 90), (9, 0.2, 0), (18, 0.2, 1), (27, 0.2, 2)], [0.2], id="the filament count reset"),
        pytest.param(
            [(0, 1.00, 0), (9, 1.02, 1), (0, 1.04, 2), (9, 1.06, 3)], [1.00, 1.02, 1.04], id="a spiral rises all along"
        ),
        pytest.param([(0, 0.4, 0), (9, 0.2, 1)], [], id="fell meanwhile: laid at neither for sure"),
    ],
)
def test_heights_from_the_head(
    told: Told, job: Say, head: Say, spots: list[tuple[float, float, float]], heights: list[float]
) -> None:
    state, _ = told(job(stage="running"), head(y=0))
    events = told(*_path(head, *spots), state=state)[1]
    assert events == [HeightSeen(height) for height in heights]


def test_heights_from_the_head_give_way_to_the_hosts_word(told: Told, job: Say, head: Say) -> None:
    laid = _path(head, (0, 0.3, 0), (9, 0.3, 1), (18, 0.3, 2))
    assert told(job(stage="running", height_mm=0.2), *laid)[1][1:] == [HeightSeen(0.2)]
    assert told(job(stage="paused"), *laid)[1][2:] == []


@pytest.mark.parametrize(
    ("console", "lines"),
    [
        ("lapsed cue 1", ["lapsed cue 1"]),
        (["a", "b\nc\r\n", ""], ["a", "b", "c"]),
        ([None, 3, "a"], ["a"]),
        ([], []),
        ("\ud800", ["?"]),
        ("x" * 5000, ["x" * 1000]),
        ("a\n" * 5000, ["a"] * 1000),
        (["a"] * 5000, ["a"] * 1000),
    ],
)
def test_console(told: Told, console: object, lines: list[str]) -> None:
    state, events = told({"params": {"console": console}})
    assert (events, state.odd) == ([ConsoleSeen(line) for line in lines], {})
