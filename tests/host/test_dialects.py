import json
import math
from collections.abc import Callable, Mapping

import pytest

from lapsed.host.fold import HostState, Odd
from lapsed.model import HostEvent, LayerSeen, Outcome, PrintEnded, PrintInfo, PrintStarted, ProgressSeen
from lapsed.settings import Facts, FeedLink

Message = Mapping[str, object]
Say = Callable[..., Message]
Told = Callable[..., tuple[HostState, list[HostEvent]]]

LINK = FeedLink(url="ws://host")
HEAD: dict[str, object] = {
    "x": 1,
    "y": 2.5,
    "z": 0.4,
    "e": 10,
    "feed_mm_min": 1800,
    "absolute": True,
    "absolute_extrusion": False,
}

LOST = PrintEnded(Outcome.LOST, "another print took its place")
SILENT_END = PrintEnded(Outcome.CANCELLED, "the host went idle and said nothing of the end")


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
