import pytest

from lapsed.clip.orient import Rect
from lapsed.clip.steady import steady


def test_frames_move_back_to_where_most_of_them_stand() -> None:
    done = steady([(0.0, 0.0), (0.02, -0.03), (0.0, 0.01), (3.2, -1.5), (0.0, 0.0)], (400, 300), 0.05)
    assert done.shifts_px == ((0.0, 0.0), (0.0, 0.0), (0.0, 0.0), (3.2, -1.5), (0.0, 0.0))
    assert done.most_px == pytest.approx(3.534, abs=1e-3)
    # 3.2 to the right leaves 3.2 px empty on the right of the others' view; even numbers, so 4.
    assert done.inner == Rect(0, 2, 396, 298)
    assert (done.beyond, done.unknown) == ((), 0)


def test_a_crop_is_taken_from_both_sides_where_frames_stand_off_both_ways() -> None:
    done = steady([(-5.0, 0.0), (0.0, 0.0), (2.5, 4.0)], (400, 300), 0.05)
    assert done.inner == Rect(6, 0, 390, 296)


def test_a_steady_take_is_left_alone() -> None:
    done = steady([(7.0, 7.0), (7.05, 6.96), (7.25, 7.02)], (400, 300), 0.05)
    assert set(done.shifts_px) == {(0.0, 0.0)}
    assert (done.inner, done.most_px) == (Rect(0, 0, 400, 300), 0.0)


def test_unknown_shifts_follow_the_frame_before() -> None:
    done = steady([None, (0.0, 0.0), (2.0, 0.0), None, (0.0, 0.0), (0.0, 0.0)], (400, 300), 0.05)
    assert done.shifts_px == ((0.0, 0.0), (0.0, 0.0), (2.0, 0.0), (2.0, 0.0), (0.0, 0.0), (0.0, 0.0))
    assert done.unknown == 2


def test_what_stands_off_too_far_is_moved_by_the_limit() -> None:
    done = steady([(0.0, 0.0), (0.0, 0.0), (30.0, 40.0)], (400, 300), 0.05)
    assert done.shifts_px[2] == (12.0, 16.0)
    assert done.beyond == (2,)
    assert done.inner == Rect(0, 0, 388, 284)


@pytest.mark.parametrize("shifts", [[], [None, None]])
def test_nothing_known_moves_nothing(shifts: list) -> None:
    done = steady(shifts, (400, 300), 0.05)
    assert done.shifts_px == ((0.0, 0.0),) * len(shifts)
    assert (done.inner, done.most_px) == (Rect(0, 0, 400, 300), 0.0)
