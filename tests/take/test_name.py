from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lapsed.take.name import MOST_BYTES, clean, frame_stem, shot_of, take_name

MORNING = datetime(2026, 5, 4, 9, 30, 0, tzinfo=UTC)

CLEANED = {
    "plain": ("bracket.gcode", "bracket"),
    "folders before it": ("parts/left/bracket.GCODE", "bracket"),
    "other folders before it": (r"C:\parts\bracket.gco", "bracket"),
    "climbing out": ("../../etc/passwd", "passwd"),
    "nothing but climbing": ("../..", "print"),
    "empty": ("", "print"),
    "dots": ("...", "print"),
    "spaces": ("  my  part v2 .gcode", "my-part-v2"),
    "NUL": ("a\0b", "a-b"),
    "newline and escape": ("a\n\x1b[31mb", "a-31mb"),
    "a leading hyphen, which commands take for an option": ("-rf.gcode", "rf"),
    "hidden": (".hidden", "hidden"),
    "an ending of its own": ("bracket.v1.2.gcode", "bracket-v1-2"),
    "nothing but an ending": (".gcode", "print"),
    "accents, decomposed": ("e\u0301crou", "\u00e9crou"),
    "vowel signs": ("\u0939\u093f\u0928\u094d\u0926\u0940", "\u0939\u093f\u0928\u094d\u0926\u0940"),
    "half a surrogate pair": ("a\ud800b", "a-b"),
    "right-to-left override": ("a\u202eb", "a-b"),
    "a device of another system": ("NUL", "NUL"),  # harmless behind the date
}


@pytest.mark.parametrize(("given_name", "expected"), CLEANED.values(), ids=CLEANED.keys())
def test_cleans_a_print_name(given_name: str, expected: str) -> None:
    assert expected == clean(given_name)


def test_is_date_time_and_name() -> None:
    assert take_name(MORNING, "bracket.gcode") == "2026-05-04_093000_bracket"


def test_a_later_attempt_has_a_number() -> None:
    assert take_name(MORNING, "bracket.gcode", 3) == "2026-05-04_093000_bracket-3"


def test_a_long_name_is_cut_before_the_number() -> None:
    name = take_name(MORNING, "ä" * 500, 12)
    assert name.endswith("ä-12")
    assert len(name.encode()) <= MOST_BYTES


def test_a_clock_that_was_never_set_still_names() -> None:
    assert take_name(datetime(1, 1, 1, tzinfo=UTC), "x") == "0001-01-01_000000_x"


@given(st.text(st.characters(), max_size=400), st.integers(1, 10_000))
def test_whatever_the_name_it_is_one_new_folder_in_the_store(text: str, attempt: int) -> None:
    name = take_name(MORNING, text, attempt)
    assert len(name.encode()) <= MOST_BYTES <= 255  # NAME_MAX, limits.h (POSIX)
    with TemporaryDirectory() as store:
        (Path(store) / name).mkdir()
        assert [Path(store) / name] == list(Path(store).iterdir())
        assert Path(store).resolve() == (Path(store) / name).resolve().parent


@given(st.text(st.characters(), max_size=200), st.integers(1, 50), st.integers(1, 50))
def test_two_attempts_differ(text: str, one: int, other: int) -> None:
    assert (one == other) == (take_name(MORNING, text, one) == take_name(MORNING, text, other))


@given(st.integers(1, 10**9))
def test_a_frame_name_tells_its_shot(shot: int) -> None:
    assert shot == shot_of(frame_stem(shot) + ".jpg")


@pytest.mark.parametrize(
    "name",
    [
        "000001.jpg.part",
        "000001.part",
        "000000.jpg",
        "1.jpg",
        "0000001.jpg",
        "000001",
        "cover.jpg",
        "000001_a.jpg",
        "\u0660\u0660\u0660\u0660\u0660\u0661.jpg",
    ],
)
def test_other_files_are_no_frames(name: str) -> None:
    assert shot_of(name) is None
