import json
import math
from collections.abc import Callable, Mapping
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lapsed.host.fold import HostState, Odd, fold, forget
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
from lapsed.settings import Facts, FeedLink

Message = Mapping[str, object]
Say = Callable[..., Message]
Told = Callable[..., tuple[HostState, list[HostEvent]]]

LINK = FeedLink(url="ws://host")
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


# ------------------------------------------------------------------------------------------------- how a print goes

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


# ------------------------------------------------------------------------------------- layer, height, progress, motion


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


# ------------------------------------------------------------------------------------------------------ reconnecting


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


# ------------------------------------------------------------------------------------------------- dialects and slips


def test_the_first_usable_candidate_counts(told: Told) -> None:
    link = LINK.model_copy(update={"facts": Facts(layer=("/a", "/b", "/c"), state=("/s",), progress_full=100)})
    state, _ = told({"s": "running"}, link=link)
    assert told({"a": "none", "b": None, "c": 5}, state=state, link=link)[1] == [LayerSeen(5)]
    assert told({"a": "none", "b": None}, state=state, link=link)[0].odd == {}
    assert told({"a": "none"}, state=state, link=link)[0].odd == {"layer": Odd(1, "'none' at /a")}


def test_progress_is_a_share_of_its_full_scale(told: Told, job: Say) -> None:
    link = LINK.model_copy(update={"facts": Facts(progress_full=100)})
    assert told(job(stage="running", done=25), link=link)[1][1:] == [ProgressSeen(0.25)]


def test_identities_may_be_numbers(told: Told, job: Say) -> None:
    events = told(job(stage="running", run=17_000_000_000_000), job(run=17e12), job(run=17_000_000_000_001))[1]
    assert events == [
        PrintStarted(PrintInfo("", "17000000000000"), joined=True),
        LOST,
        PrintStarted(PrintInfo("", "17000000000001")),
    ]


def test_a_slip_in_what_names_a_print_does_not_end_it(told: Told, job: Say) -> None:
    state, _ = told(job(stage="running", file="vase", run="a"))
    said = ({"run": None}, {"file": None}, {"run": 3}, {"file": "vase", "run": "a"}, {"stage": None}, {"stage": 3})
    assert told(*(job(**facts) for facts in said), state=state)[1] == []


def test_states_may_be_numbers_or_truths(told: Told, job: Say) -> None:
    numbers, truths = (
        FeedLink.model_validate({"url": "ws://host", "states": states})
        for states in ({"printing": ("2",), "finished": ("3",)}, {"printing": ("true",)})
    )
    expected = [PrintStarted(PrintInfo(""), joined=True), PrintEnded(Outcome.FINISHED)]
    assert told(job(stage=2), job(stage=True), job(stage=3), link=numbers)[1] == expected
    expected = [PrintStarted(PrintInfo(""), joined=True), SILENT_END]
    assert told(job(stage=True), job(stage=2), job(stage=False), link=truths)[1] == expected


def test_a_batch_is_folded_part_by_part_where_there_are_batches(told: Told, job: Say) -> None:
    batch = [job(stage="running"), 7, [job(layer=9)], job(layer=1)]
    assert told(batch)[1] == [PrintStarted(PrintInfo(""), joined=True), LayerSeen(1)]
    plain = FeedLink.model_validate(
        {"url": "ws://host", "protocol": "json", "on_connect": [], "ask": None, "run": None, "hold": None}
        | {"resume": None, "facts": {"state": ["/0/params/job/stage"]}}
    )
    assert told(batch, link=plain)[1] == [PrintStarted(PrintInfo(""), joined=True)]


HUGE = 10**5000  # past the digits that Python writes out

ODD: dict[str, list[object]] = {
    "layer": [True, "one", 1.5, math.nan, math.inf, HUGE, -HUGE, "nan", "1_0", "9" * 5000, [], {"a": 1}, "\u0663"],
    "layers": [False, 2.5, "many"],
    "height_mm": [True, "0,2", math.inf],
    "done": [1.5, -1, "half", True, HUGE],
    "file": [1, True, ["vase"]],
    "run": [[], {}, True, math.nan, math.inf, HUGE],
    "stage": [["running"], {"now": "running"}, HUGE, 3, True],
    "expected_s": ["soon", math.nan],
    "detail": [4],
}


@pytest.mark.parametrize(
    ("fact", "value"),
    [
        pytest.param(fact, value, id=f"{fact} {index}")
        for fact, values in ODD.items()
        for index, value in enumerate(values)
    ],
)
def test_odd_facts_are_passed_over_and_counted(told: Told, job: Say, fact: str, value: object) -> None:
    good = job(stage="running", file="vase", layer=3, layers=9, height_mm=0.6, done=0.5, expected_s=90, run="a")
    state, _ = told(good)
    after, events = told(job(**{fact: value}), job(**{fact: value}), state=state)
    assert events == []
    assert after.known == state.known
    assert [(odd.count, len(odd.sample) < 100) for odd in after.odd.values()] == [(2, True)]


@pytest.mark.parametrize("value", [None, "yes", 2, 0.5, [True]])
def test_odd_modes_are_never_guessed(told: Told, head: Say, value: object) -> None:
    assert told(head(**{**HEAD, "absolute": value}))[1] == []


def test_texts_are_fit_for_files_and_databases(told: Told, job: Say) -> None:
    # RFC 8259, section 8.2: a string may hold an unpaired surrogate, whose effect is unpredictable.
    state, _ = told(job(stage="running", file=json.loads('"v\\uDEADse"') + "x" * 5000))
    assert state.print is not None
    assert len(state.print.name.encode()) == 1000
    assert state.print.name.startswith("v?se")


# --------------------------------------------------------------------------------------------------------- properties

scalars = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=8)
    | st.sampled_from(["running", "paused", "held", "finished", "failed", "idle", 10**400, "12", "1e999", -1, 0])
)
anything = st.recursive(
    scalars,
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.sampled_from(["params", "result", "job", "head", "console", "stage", "layer"]), inner)
    ),
    max_leaves=10,
)
job_facts = st.dictionaries(
    st.sampled_from(["stage", "layer", "layers", "height_mm", "done", "file", "run", "expected_s", "detail"]),
    scalars | anything,
)
head_facts = st.dictionaries(st.sampled_from([*HEAD, "retracted"]), scalars | anything)
likely = st.fixed_dictionaries(
    {},
    optional={
        "stage": st.sampled_from(["running", "running", "paused", "held", "finished", "abandoned", "failed", "idle"]),
        "file": st.sampled_from(["vase", "cup", None]),
        "run": st.sampled_from(["a", "b", None]),
        "layer": st.integers(-1, 3),
        "layers": st.integers(0, 2),
        "height_mm": st.sampled_from([0, 0.2, 0.4]),
    },
)
messages = anything | st.builds(
    lambda job, head, console: {"params": {"job": job, "head": head, "console": console}},
    likely | job_facts | anything,
    head_facts | anything,
    anything,
)


def _deep(depth: int) -> object:
    value: Any = 1
    for _ in range(depth):
        value = {"params": [value]}
    return value


@given(st.lists(messages | st.just("forget"), max_size=12))
def test_any_messages_keep_the_order_of_a_prints_life(said: list[object]) -> None:
    state, printing, waits = HostState(), False, False
    for message in said:
        if message == "forget":
            state = forget(state)
            continue
        before = repr(message)
        state, events = fold(state, message, LINK)
        assert repr(message) == before
        for event in events:
            match event:
                case PrintStarted(joined=joined):
                    assert joined or not printing
                    printing, waits = True, False
                case PrintEnded():
                    assert printing
                    printing, waits = False, False
                case PrintPaused():
                    assert printing
                    waits = True
                case PrintResumed():
                    assert printing
                    assert waits
                    waits = False
                case PrintTold() | LayerSeen() | HeightSeen() | ProgressSeen():
                    assert printing
                case MotionSeen(motion):
                    place = motion.position
                    assert all(map(math.isfinite, (place.x, place.y, place.z, place.e, motion.feed_mm_min)))
        assert printing == (state.print is not None)


def test_nesting_is_survived() -> None:
    assert fold(HostState(), _deep(100_000), LINK) == (HostState(), ())


@given(
    st.permutations([("file", "vase"), ("layers", 9), ("layer", 2), ("height_mm", 0.4), ("run", "a"), ("done", 0.1)]),
    st.lists(st.booleans(), min_size=6, max_size=6),
)
def test_partial_updates_add_up_in_any_order_and_split(facts: list[tuple[str, object]], cuts: list[bool]) -> None:
    said: list[dict[str, object]] = [{"stage": "running"}]
    for (name, value), cut in zip(facts, cuts, strict=True):
        if cut:
            said.append({})
        said[-1][name] = value
    state = HostState()
    events: list[HostEvent] = []
    for part in said:
        state, more = fold(state, {"params": {"job": part}}, LINK)
        events += more
    assert state.print == PrintInfo("vase", "a", 9)
    assert [event.layer for event in events if isinstance(event, LayerSeen)] == [2]
    assert [event for event in events if isinstance(event, HeightSeen | ProgressSeen | PrintEnded)].count(
        HeightSeen(0.4)
    ) == 1


# Without runs named now by a text and now by a number: such a slip is passed over at first, and no host keeps at it.
@given(st.lists(likely | job_facts.filter(lambda facts: "run" not in facts), max_size=8))
def test_a_message_told_twice_is_told_once(said: list[dict[str, object]]) -> None:
    state = HostState()
    for part in said:
        state, _ = fold(state, {"params": {"job": part}}, LINK)
        again, events = fold(state, {"params": {"job": part}}, LINK)
        assert events == ()
        assert (again.print, again.stage, again.known) == (state.print, state.stage, state.known)


@given(st.lists(st.tuples(st.floats(0, 100), st.floats(0, 50), st.floats(0, 1e4)), max_size=20))
def test_heights_from_the_head_are_heights_it_was_at(spots: list[tuple[float, float, float]]) -> None:
    state, _ = fold(HostState(), {"params": {"job": {"stage": "running"}}}, LINK)
    told: list[HeightSeen] = []
    for x, z, e in spots:
        state, events = fold(state, {"params": {"head": {"x": x, "y": 0, "z": z, "e": e}}}, LINK)
        told += [event for event in events if isinstance(event, HeightSeen)]
    grew = {one[1] for one, other in pairwise(spots) if other[2] > one[2]}
    assert {event.height_mm for event in told} <= grew
