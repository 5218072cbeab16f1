import json
from pathlib import Path

import pytest

from lapsed.errors import UserError
from lapsed.sim import faults
from lapsed.sim.faults import Big, Drop, Order, Restart, fault_of, junk, script, script_of


def test_fault_from_parameters() -> None:
    assert fault_of({"kind": "restart", "away_s": 0.5, "lost": True}) == Restart(away_s=0.5, lost=True)


@pytest.mark.parametrize(
    ("params", "complaint"),
    [
        ({}, "kind"),
        ({"kind": "earthquake"}, "earthquake"),
        ({"kind": "drop", "colour": 1}, "drop.colour"),
        ({"kind": "stall", "for_s": -1}, "stall.for_s"),
        ({"kind": "no-replies", "count": "many"}, "no-replies.count"),
    ],
)
def test_faults_that_are_none(params: dict[str, object], complaint: str) -> None:
    with pytest.raises(ValueError, match=complaint) as caught:
        fault_of(params)
    assert "\n" not in str(caught.value)


def test_script_from_json() -> None:
    text = '[{"when": "layer", "number": 3, "fault": {"kind": "big", "size": 10}}]'
    assert script_of(text, where="here") == (Order(when="layer", number=3, fault=Big(size=10)),)


@pytest.mark.parametrize("text", ["{", "{}", '[{"when": "noon", "number": 1, "fault": {"kind": "drop"}}]'])
def test_broken_script_is_one_sentence(text: str) -> None:
    with pytest.raises(UserError, match=r"^faults\.json: ") as caught:
        script_of(text, where="faults.json")
    assert "\n" not in str(caught.value)


def test_script_from_a_file(tmp_path: Path) -> None:
    path = tmp_path / "faults.json"
    path.write_text('[{"when": "run", "number": 1, "fault": {"kind": "drop"}}]')
    assert faults.load(path) == (Order(when="run", number=1, fault=Drop()),)
    path.write_bytes(b"\xff")
    with pytest.raises(UserError, match="is not UTF-8 text"):
        faults.load(path)


def test_seed_makes_the_script() -> None:
    assert script(7, layers=50, count=10) == script(7, layers=50, count=10)
    assert script(7, layers=50, count=10) != script(8, layers=50, count=10)


def test_script_stays_within_the_layers_and_the_kinds() -> None:
    orders = script(7, layers=50, count=100, kinds=[Drop()])
    numbers = [order.number for order in orders]
    assert len(orders) == 100
    assert numbers == sorted(numbers)
    assert min(numbers) >= 1
    assert max(numbers) <= 50
    assert {order.fault for order in orders} == {Drop()}


def test_no_drawn_script_ends_the_print() -> None:
    fatal = faults.Cancel | faults.Fail
    drawn = [order.fault for order in script(1, layers=9, count=300)]
    assert not any(isinstance(fault, fatal) or getattr(fault, "lost", False) for fault in drawn)
    assert len({fault.kind for fault in drawn}) == 9


def test_junk_is_of_every_sort() -> None:
    messages = junk(3)
    assert messages == junk(3)
    assert any(isinstance(message, bytes) for message in messages)
    told: set[tuple[str, str, str]] = set()
    broken = 0
    for message in messages:
        try:
            value = json.loads(message)
        except (ValueError, RecursionError):
            broken += 1
            continue
        parts = value["params"] if isinstance(value, dict) and isinstance(value.get("params"), dict) else {}
        for part, facts in parts.items():
            if isinstance(facts, dict):
                told |= {(part, name, type(wrong).__name__) for name, wrong in facts.items()}
    assert broken >= 6
    assert {
        ("job", "layer", "str"),
        ("job", "stage", "int"),
        ("head", "absolute", "str"),
        ("head", "z", "list"),
    } <= told
