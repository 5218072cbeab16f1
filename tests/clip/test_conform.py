from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lapsed.clip.conform import Turn, axis_of, conform
from lapsed.errors import UserError
from lapsed.settings import STANDARD_RATES, Clip


def clip(**given: Any) -> Clip:
    return Clip(name="c", **{"rate": 10, "hold_end_s": 0, **given})


def shows(turns: tuple[Turn, ...]) -> list[tuple[int, int]]:
    return [(turn.index, turn.shows) for turn in turns]


# Worked by hand: a frame's turn lasts until the next one's, and an output frame shows what was last at its middle.
@pytest.mark.parametrize(
    ("frames", "wish", "expected"),
    [
        (3, {}, [(0, 1), (1, 1), (2, 1)]),
        (3, {"hold_start_s": 0.2, "hold_end_s": 1.0}, [(0, 3), (1, 1), (2, 11)]),
        (3, {"length_s": 0.6}, [(0, 2), (1, 2), (2, 2)]),
        (3, {"length_s": 0.7}, [(0, 2), (1, 3), (2, 2)]),
        (5, {"length_s": 0.3}, [(0, 1), (2, 1), (4, 1)]),
        (5, {"length_s": 0.2}, [(0, 1), (4, 1)]),
        (5, {"length_s": 0.1}, [(4, 1)]),
        (1, {"length_s": 0.5}, [(0, 5)]),
        (1, {"length_s": 0.5, "between": "dissolve"}, [(0, 5)]),
        (50, {"length_s": 0.5, "hold_start_s": 0.1, "hold_end_s": 0.1}, [(0, 2), (25, 1), (49, 2)]),
        (3, {"length_s": 0.5, "hold_start_s": 0.2, "hold_end_s": 0.2}, [(2, 5)]),
    ],
)
def test_frames_get_their_turns(frames: int, wish: dict[str, Any], expected: list[tuple[int, int]]) -> None:
    assert shows(conform(clip(**wish), frames)) == expected


def test_a_wished_length_includes_the_holds() -> None:
    turns = conform(clip(rate=25, length_s=12.0, hold_start_s=1.0, hold_end_s=2.0), 100)
    assert sum(turn.shows for turn in turns) == 300
    assert (turns[0].shows, turns[-1].shows) == (25 + 2, 50 + 2)  # 225 moving output frames over 100: 3 or 2 each


def test_an_hour_of_drop_frame_rate_comes_out_to_the_frame() -> None:
    # SMPTE ST 12-1: an hour of 29.97 is 107 892 frames.
    turns = conform(Clip(name="c", rate=STANDARD_RATES["29.97"], length_s=3600.0, ease_in_s=7.0), 500)
    assert sum(turn.shows for turn in turns) == 107892


def test_spread_by_height_gives_thick_layers_more_time() -> None:
    # Layers of 0.1 mm, then of 0.3 mm: the second half of the shots has three quarters of the height.
    heights = [0.1 * n for n in range(1, 11)] + [1.0 + 0.3 * n for n in range(1, 11)]
    turns = conform(clip(length_s=20.0, spread="height"), 20, axis_of(heights, 0.001))
    assert sum(turn.shows for turn in turns) == 200
    thin = sum(turn.shows for turn in turns if turn.index < 9)
    thick = sum(turn.shows for turn in turns if turn.index >= 9)
    assert thin / thick == pytest.approx(0.9 / (3.0 + 3.9 / 19), rel=0.05)  # the last frame's turn is an average one


@pytest.mark.parametrize(
    ("values", "axis"),
    [
        ([0.2, 0.4, 0.6], (0, 200, 400)),
        ([0.2, None, 0.6], (0, 200, 400)),
        ([None, 0.2, None, None, 0.5, None], (0, 0, 100, 200, 300, 300)),
        ([0.2, 0.4, 0.2, 0.4], (0, 200, 200, 400)),  # the second object begins at the bed again
        ([0.2, None], None),
        ([None, None], None),
        ([0.2, 0.2], None),
        ([], None),
    ],
)
def test_where_frames_lie(values: list[float | None], axis: tuple[int, ...] | None) -> None:
    assert axis_of(values, 0.001) == axis


def test_eases_follow_constant_acceleration() -> None:
    # Kinematics, any handbook: from rest to speed v in time t a way of v t / 2; here v = 100 / (100 - 20/2 - 40/2)
    # frames for each output frame, so 14.29 frames are passed in the first 20 and 28.57 in the last 40.
    turns = conform(clip(length_s=10.0, ease_in_s=2.0, ease_out_s=4.0), 100)
    shown = [turn.index for turn in turns for _ in range(turn.shows)]
    assert len(shown) == 100
    assert shown[20] == pytest.approx(14.29, abs=1)
    assert shown[60] == pytest.approx(100 - 28.57, abs=1)
    assert shown[10] == pytest.approx(14.29 / 4, abs=1)  # half the time, a quarter of the way


def test_without_a_length_an_eased_clip_passes_one_frame_an_output_frame_at_full_speed() -> None:
    turns = conform(clip(ease_in_s=2.0, ease_out_s=1.0), 60)
    assert sum(turn.shows for turn in turns) == 60 + 10 + 5
    assert len(turns) == 60
    assert {turn.shows for turn in turns[10:45]} == {1}
    assert turns[0].shows > 2


def test_every_frame_is_kept_when_asked_though_time_flew() -> None:
    times = [float(n) for n in range(30)] + [1000.0 + n for n in range(30)]
    axis = axis_of(times, 0.001)
    turns = conform(clip(length_s=9.0, spread="time", every_frame=True), 60, axis)
    assert [turn.index for turn in turns] == list(range(60))
    assert sum(turn.shows for turn in turns) == 90
    assert len(conform(clip(length_s=9.0, spread="time"), 60, axis)) < 60


def test_the_sharpest_around_each_place_is_chosen() -> None:
    figures: list[float | None] = [1.0] * 20
    figures[1] = figures[9] = 3.0
    figures[18] = None
    turns = conform(clip(length_s=0.4, choose="sharpest"), 20, None, figures)
    # Places at 0, 6.33, 12.67 and 19; their surroundings end half-way between them.
    assert [turn.index for turn in turns] == [1, 9, 13, 19]


def test_dissolves_pass_evenly_from_frame_to_frame() -> None:
    turns = conform(clip(length_s=0.9, between="dissolve", hold_start_s=0.1, hold_end_s=0.1), 4)
    # Seven moving output frames over three gaps: steps of half a frame.
    assert turns == (
        Turn(0, 2),
        Turn(0, 1, 0.5),
        Turn(1, 1),
        Turn(1, 1, 0.5),
        Turn(2, 1),
        Turn(2, 1, 0.5),
        Turn(3, 2),
    )


def test_a_dissolve_jumps_no_further_than_the_next_frame_where_time_stood_still() -> None:
    turns = conform(clip(length_s=1.0, between="dissolve"), 4, (0, 0, 1, 1))
    assert turns[0] == Turn(1, 1)
    assert turns[-1].index == 3


@pytest.mark.parametrize(
    ("frames", "wish", "says"),
    [
        (10, {"length_s": 2.0, "hold_start_s": 1.0, "hold_end_s": 1.0}, "holds of 1 s and 1 s; make length_s longer"),
        (
            10,
            {"length_s": 2.0, "ease_in_s": 1.5, "ease_out_s": 1.0},
            "easing for 1.5 s and 1 s does not fit into the 2",
        ),
        (10, {"ease_in_s": 1.5, "ease_out_s": 1.0}, "does not fit into the 2.3 s"),
        (50, {"length_s": 4.0, "every_frame": True}, "50 frames don't fit into the 40 output frames"),
    ],
)
def test_what_does_not_go_together_is_said(frames: int, wish: dict[str, Any], says: str) -> None:
    with pytest.raises(UserError, match=says):
        conform(clip(**wish), frames)


@st.composite
def wishes(draw: st.DrawFn) -> tuple[Clip, int, tuple[int, ...] | None, list[float | None] | None]:
    frames = draw(st.integers(1, 60))
    rate = draw(st.sampled_from(list(STANDARD_RATES.values())))
    steps = draw(st.none() | st.lists(st.integers(0, 50), min_size=frames - 1, max_size=frames - 1))
    axis = None
    if steps is not None and sum(steps):
        axis = (0, *(sum(steps[: n + 1]) for n in range(len(steps))))
    figures = draw(st.none() | st.lists(st.none() | st.floats(0, 9), min_size=frames, max_size=frames))
    between = draw(st.sampled_from(["hold", "dissolve"]))
    wish = {
        "length_s": draw(st.none() | st.floats(3, 12)),
        "hold_start_s": draw(st.floats(0, 1)),
        "hold_end_s": draw(st.floats(0, 1)),
        "ease_in_s": draw(st.floats(0, 0.5)),
        "ease_out_s": draw(st.floats(0, 0.4)),
        "between": between,
        "every_frame": between == "hold" and draw(st.booleans()),
        "choose": draw(st.sampled_from(["even", "sharpest"])),
    }
    return Clip(name="c", rate=rate, **wish), frames, axis, figures


@settings(deadline=None)  # the machine may be busy
@given(wishes())
def test_turns_are_in_order_and_come_to_the_wished_length(wish: tuple[Any, ...]) -> None:
    asked, frames, axis, figures = wish
    try:
        turns = conform(asked, frames, axis, figures)
    except UserError as error:
        assert "fit into" in str(error)  # noqa: PT017 - only wishes that can't be met may fail
        return
    total = sum(turn.shows for turn in turns)
    if asked.length_s is not None:
        assert abs(total - Fraction(str(asked.length_s)) * asked.rate) <= Fraction(1, 2)
    places = [(turn.index + turn.share) for turn in turns]
    assert places == sorted(places)
    assert all(turn.shows >= 1 for turn in turns)
    assert all(0 <= turn.share < 1 for turn in turns)
    assert all(turn.index + (turn.share > 0) < frames for turn in turns)
    if asked.every_frame:
        assert {turn.index for turn in turns} == set(range(frames))
    if figures is None or asked.choose == "even":
        at = axis or range(frames)
        assert at[turns[-1].index] == at[-1]
