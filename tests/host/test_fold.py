from collections.abc import Callable, Mapping

import pytest

from lapsed.host.fold import HostState, forget
from lapsed.model import (
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
)

Message = Mapping[str, object]
Say = Callable[..., Message]
Told = Callable[..., tuple[HostState, list[HostEvent]]]

VASE = PrintInfo("vase")
CUP = PrintInfo("cup")
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

LOST = PrintEnded(Outcome.LOST, "another print took its place")
SILENT_END = PrintEnded(Outcome.CANCELLED, "the host went idle and said nothing of the end")


@pytest.mark.parametrize(
    ("says", "events"),
    [
        pytest.param(
            [{"stage": "idle"}, {"stage": "running", "file": "vase"}, {"stage": "finished"}, {"stage": "idle"}],
            [PrintStarted(VASE), PrintEnded(Outcome.FINISHED)],
            id="whole print",
        ),
        pytest.param([{"stage": "running"}], [PrintStarted(PrintInfo(""), joined=True)], id="joined"),
        pytest.param([{"stage": "finished"}, {"stage": "idle"}], [], id="ended before we looked"),
        pytest.param(
            [{"stage": "held", "file": "vase"}, {"stage": "running"}],
            [PrintStarted(VASE, joined=True), PrintPaused(held=True), PrintResumed()],
            id="joined while held",
        ),
        pytest.param(
            [{"stage": "running"}, {"stage": "held"}, {"stage": "paused"}, {"stage": "paused"}, {"stage": "running"}],
            [
                PrintStarted(PrintInfo(""), joined=True),
                PrintPaused(held=True),
                PrintPaused(held=False),
                PrintResumed(),
            ],
            id="held, then paused by someone",
        ),
        pytest.param(
            [{"stage": "running", "file": "vase"}, {"stage": "idle", "file": None}],
            [PrintStarted(VASE, joined=True), SILENT_END],
            id="idle without an end",
        ),
        pytest.param(
            [{"stage": "running", "file": "vase"}, {"stage": "a word nobody listed"}],
            [PrintStarted(VASE, joined=True), SILENT_END],
            id="unknown word",
        ),
        pytest.param(
            [{"stage": "paused", "file": "vase"}, {"stage": "abandoned", "detail": "by hand"}],
            [
                PrintStarted(VASE, joined=True),
                PrintPaused(held=False),
                PrintEnded(Outcome.CANCELLED, "by hand"),
            ],
            id="cancelled while paused",
        ),
        pytest.param(
            [{"stage": "running", "file": "vase"}, {"detail": "too hot"}, {"stage": "failed"}],
            [PrintStarted(VASE, joined=True), PrintEnded(Outcome.FAILED, "too hot")],
            id="failed, reason first",
        ),
        pytest.param(
            [{"stage": "running", "detail": "old"}, {"stage": "idle"}, {"stage": "running"}, {"stage": "failed"}],
            [
                PrintStarted(PrintInfo(""), joined=True),
                PrintEnded(Outcome.CANCELLED, SILENT_END.detail),
                PrintStarted(PrintInfo("")),
                PrintEnded(Outcome.FAILED, "the host gave no reason"),
            ],
            id="failed, the earlier print's reason is not this one's",
        ),
        pytest.param(
            [{"stage": "running", "file": "vase"}, {"file": "cup"}],
            [PrintStarted(VASE, joined=True), LOST, PrintStarted(CUP)],
            id="another file at once",
        ),
        pytest.param(
            [{"stage": "held", "file": "vase"}, {"stage": "running", "file": "cup"}],
            [PrintStarted(VASE, joined=True), PrintPaused(held=True), LOST, PrintStarted(CUP)],
            id="another file while held",
        ),
        pytest.param(
            [{"stage": "running", "file": "vase", "run": 1}, {"run": 2}],
            [PrintStarted(PrintInfo("vase", "1"), joined=True), LOST, PrintStarted(PrintInfo("vase", "2"))],
            id="the same file again at once",
        ),
        pytest.param(
            [{"stage": "running", "file": "vase", "run": 1, "layers": 9}, {"file": "cup"}, {"run": 2}],
            [
                PrintStarted(PrintInfo("vase", "1", 9), joined=True),
                LOST,
                PrintStarted(CUP),
                PrintTold(PrintInfo("cup", "2")),
            ],
            id="another file, its identity a message later",
        ),
        pytest.param(
            [{"stage": "running", "file": "vase"}, {"stage": "finished", "file": "cup"}],
            [PrintStarted(VASE, joined=True), PrintEnded(Outcome.FINISHED)],
            id="the next file is chosen as this print ends",
        ),
        pytest.param(
            [
                {"stage": "idle", "file": "vase", "layers": 9},
                {"stage": "running"},
                {"stage": "idle"},
                {"stage": "running"},
            ],
            [PrintStarted(PrintInfo("vase", layers=9)), SILENT_END, PrintStarted(PrintInfo("vase", layers=9))],
            id="printed again, the file not told anew",
        ),
        pytest.param(
            [
                {"stage": "idle", "file": "vase", "layers": 9},
                {"stage": "running"},
                {"stage": "idle"},
                {"stage": "running"},
                {"file": "cup"},
            ],
            [
                PrintStarted(PrintInfo("vase", layers=9)),
                SILENT_END,
                PrintStarted(PrintInfo("vase", layers=9)),
                PrintTold(CUP),
            ],
            id="another file, told a message after the start",
        ),
        pytest.param(
            [
                {"stage": "running", "file": "vase", "layers": 9},
                {"stage": "idle"},
                {"layers": 7},
                {"file": "cup"},
                {"stage": "running"},
            ],
            [
                PrintStarted(PrintInfo("vase", layers=9), joined=True),
                SILENT_END,
                PrintStarted(PrintInfo("cup", layers=7)),
            ],
            id="the next print's layers told before its file",
        ),
        pytest.param(
            [
                {"stage": "running"},
                {"file": "vase"},
                {"layers": 9},
                {"expected_s": 100},
                {"part_height_mm": 4},
                {"expected_s": 100.5},
                {"expected_s": 120},
                {"layers": None, "file": ""},
            ],
            [
                PrintStarted(PrintInfo(""), joined=True),
                PrintTold(VASE),
                PrintTold(PrintInfo("vase", layers=9)),
                PrintTold(PrintInfo("vase", layers=9, expected_s=100)),
                PrintTold(PrintInfo("vase", layers=9, expected_s=100, height_mm=4)),
                PrintTold(PrintInfo("vase", layers=9, expected_s=120, height_mm=4)),
            ],
            id="print info grows, and estimates that hardly move are no news",
        ),
        pytest.param(
            [{"stage": "running", "layers": 0, "expected_s": -1, "part_height_mm": 0.0}],
            [PrintStarted(PrintInfo(""), joined=True)],
            id="nothing for unknown",
        ),
        pytest.param([{"stage": None}, {"stage": ""}], [], id="no word"),
    ],
)
def test_prints(told: Told, job: Say, says: list[dict[str, object]], events: list[HostEvent]) -> None:
    assert told(*(job(**facts) for facts in says))[1] == events


def test_after_a_gap_the_print_is_joined_and_its_place_told_again(told: Told, job: Say, head: Say) -> None:
    now = job(stage="running", file="vase", layer=4, height_mm=0.8)
    state, before = told(now, head(**HEAD))
    assert before[-1] == MotionSeen(MOTION)
    assert told(now, head(x=1), state=forget(state))[1] == [
        PrintStarted(VASE, joined=True),
        LayerSeen(4, 0.8),
        HeightSeen(0.8),
    ]


@pytest.mark.parametrize(
    ("word", "end"),
    [
        ("finished", PrintEnded(Outcome.FINISHED)),
        ("failed", PrintEnded(Outcome.FAILED, "the host gave no reason")),
        ("idle", PrintEnded(Outcome.LOST, "it ended while the host could not be heard")),
    ],
)
def test_an_end_in_a_gap_is_told(told: Told, job: Say, word: str, end: PrintEnded) -> None:
    state, _ = told(job(stage="running", file="vase"))
    assert told(job(stage=word), job(stage=word), state=forget(state))[1] == [end]
    assert told(job(stage=word), state=HostState(print=VASE))[1] == [end]


def test_another_print_after_a_gap_is_joined_as_what_it_is(told: Told, job: Say) -> None:
    state, _ = told(job(stage="running", file="vase", run="a", layers=9))
    whole = job(stage="running", file="cup", run="b")
    assert told(whole, state=forget(state))[1] == [PrintStarted(PrintInfo("cup", "b"), joined=True)]
    assert told(job(file="cup"), job(stage="running"), state=forget(state))[1] == [PrintStarted(CUP, joined=True)]
    # The host says that it prints before it says what: joined as the print we knew, then put right.
    assert told(job(stage="running"), job(file="cup", run="b"), state=forget(state))[1] == [
        PrintStarted(PrintInfo("vase", "a", 9), joined=True),
        LOST,
        PrintStarted(PrintInfo("cup", "b")),
    ]


def test_forgetting_twice_is_forgetting_once(told: Told, job: Say, head: Say) -> None:
    state, _ = told(job(stage="running", file="vase", layer=4), head(**HEAD))
    assert forget(forget(state)) == forget(state)
