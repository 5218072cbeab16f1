from array import array
from dataclasses import replace

import pytest

from lapsed.clip.judged import Judged
from lapsed.clip.likeness import Stranger
from lapsed.clip.measure import Light
from lapsed.clip.verdict import Verdict, rule, verdicts

PLAIN = Light(0.1, 0.01, 0.1, 0.6, 0.0, 0.0, 0.5, 0.1, array("f", [0.1, 0.1, 0.1]), "")
DEFAULT = ("black", "repeated")


def take(frames: int = 20, **changed: object) -> list[Judged]:
    """Frames of even light, each a little different; `f7={...}` changes the light of frame 7."""
    entries = []
    for number in range(frames):
        light = replace(PLAIN, mean=0.1 + 0.001 * (number % 3), digest=f"{number}")
        light = replace(light, **changed.get(f"f{number}", {}))  # type: ignore[call-overload]
        entries.append(Judged(f"{number}.jpg", 1, 1, light=light))
    return entries


def test_a_plain_take_has_no_faults() -> None:
    assert verdicts(take()) == ()
    assert verdicts([]) == ()


@pytest.mark.parametrize(
    ("light", "fault", "words"),
    [
        ({"mean": 0.0001, "high": 0.001}, "black", "is black"),
        ({"digest": "6"}, "repeated", "is the very same picture as the one before"),
        ({"digest": "2"}, "repeated", "is the very same picture as number 3 in order"),
        ({"mean": 0.2}, "exposure", "is 1.0 EV brighter than its neighbours"),
        ({"mean": 0.04}, "exposure", "is 1.3 EV darker than its neighbours"),
        ({"sharpness": 0.06}, "soft", "is softer than its neighbours, with 60 % of their sharpness"),
    ],
)
def test_what_sticks_out_is_named_with_its_reason(light: dict, fault: str, words: str) -> None:
    assert verdicts(take(f7=light)) == (Verdict(7, fault, words),)


@pytest.mark.parametrize("light", [{"mean": 0.125}, {"sharpness": 0.09}, {"sharpness": 0.3}])
def test_small_differences_and_sharper_frames_are_no_faults(light: dict) -> None:
    assert verdicts(take(f7=light)) == ()


@pytest.mark.parametrize("sharpness", [(0.03, 0.06, 0.08), (0.05,), (0.03, 0.035, 0.04, 0.05, 0.06, 0.07)])
def test_an_empty_bed_at_the_start_is_not_soft(sharpness: tuple[float, ...]) -> None:
    assert verdicts(take(**{f"f{number}": {"sharpness": each} for number, each in enumerate(sharpness)})) == ()


def test_a_finished_part_taken_away_at_the_end_is_not_soft() -> None:
    assert verdicts(take(20, f19={"sharpness": 0.04})) == ()


def test_a_soft_frame_among_the_first_is_named() -> None:
    entries = take(f1={"sharpness": 0.04})
    assert verdicts(entries) == (Verdict(1, "soft", "is softer than its neighbours, with 40 % of their sharpness"),)


def test_broken_frames_and_strangers_are_named() -> None:
    entries = take()
    entries[3] = replace(entries[3], light=None, broken="can't be decoded (no picture in it)")
    entries[5] = replace(entries[5], stranger=Stranger(0.2, 0.1, 0.5, 0.6, 0.1))
    broken, head = verdicts(entries)
    assert (broken.index, broken.fault, broken.reason) == (3, "broken", "can't be decoded (no picture in it)")
    assert (head.index, head.fault) == (5, "stranger")
    assert "20 % to 50 % across and 10 % to 60 % down" in head.reason


def test_the_gravest_fault_speaks() -> None:
    entries = take(f5={"mean": 0.3})
    entries[5] = replace(entries[5], stranger=Stranger(0, 0, 1, 1, 1))
    assert [verdict.fault for verdict in verdicts(entries)] == ["stranger"]


def test_a_take_in_the_dark_has_no_black_frames() -> None:
    dark = {"mean": 0.0005, "high": 0.002}
    assert verdicts(take(6, **{f"f{number}": dark for number in range(6)})) == ()


def test_few_frames_are_compared_with_nothing() -> None:
    assert verdicts(take(3, f1={"mean": 0.4})) == ()


FOUND = (Verdict(1, "broken", "is cut off"), Verdict(3, "black", "is black"), Verdict(5, "soft", "is soft"))


def test_by_default_only_what_shows_nothing_is_left_out() -> None:
    ruling = rule(FOUND, 20, DEFAULT, (), ())
    assert [each.index for each in ruling.left_out] == [1, 3]
    assert [each.index for each in ruling.proposed] == [5]


def test_a_person_s_word_counts_but_for_broken_frames() -> None:
    ruling = rule(FOUND, 20, DEFAULT, keep={1, 3, 5}, drop={7})
    assert [each.index for each in ruling.kept] == [3, 5]
    assert [(each.index, each.fault, each.reason) for each in ruling.left_out] == [
        (1, "broken", "is cut off"),
        (7, "dropped", "was dropped on request"),
    ]
    assert ruling.proposed == ()
    dropped = rule(FOUND, 20, DEFAULT, (), drop={5}).left_out[-1]
    assert (dropped.index, dropped.fault) == (5, "soft")
    assert dropped.reason == "was dropped on request; it is soft"


def test_the_configuration_says_which_faults_are_left_out() -> None:
    assert [each.index for each in rule(FOUND, 20, ("soft",), (), ()).left_out] == [1, 5]


def test_what_befalls_many_frames_is_no_outlier() -> None:
    many = tuple(Verdict(index, "repeated", "is the same") for index in range(1, 10))
    assert rule(many, 20, DEFAULT, (), ()).left_out == ()
    assert len(rule(many, 20, DEFAULT, (), ()).proposed) == 9
    assert len(rule(many[:5], 20, DEFAULT, (), ()).left_out) == 5
    assert len(rule(many[:1], 2, DEFAULT, (), ()).left_out) == 1


def test_how_many_have_a_fault_is_counted_once_for_all_of_them() -> None:
    compared: list[object] = []

    class Counted(str):
        __slots__ = ()
        __hash__ = str.__hash__

        def __eq__(self, other: object) -> bool:
            compared.append(other)
            return str.__eq__(self, other)

    found = [Verdict(index, Counted("soft"), "is soft") for index in range(300)]
    assert len(rule(found, 300, [], [], []).proposed) == 300
    assert len(compared) < 10 * len(found)
