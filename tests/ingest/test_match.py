"""Photos and shots matched by time: every match right, or refused."""

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lapsed.ingest.match import Near, match
from tests.ingest.deals import after_another, beside_another, deal, set_in_print


def judged(dealt, step_s=1.0, near_s=None):
    """How many were matched rightly and wrongly, and whether all was refused."""
    matching = match(dealt.shots, dealt.photos, step_s, None if near_s is None else Near(near_s))
    right = sum(dealt.owners[pair.photo] == pair.shot for pair in matching.matched)
    return right, len(matching.matched) - right, matching


def of(dealt):
    return sum(owner is not None for owner in dealt.owners)


@pytest.mark.parametrize("seed", range(8))
def test_five_hundred_shots_on_a_clock_of_whole_seconds(seed):
    dealt = deal(seed)
    right, wrong, matching = judged(dealt)
    assert (wrong, matching.refused) == (0, None)
    assert right >= 0.98 * of(dealt)
    # The offset is that at the middle of the take, and a clock that rounds down reads half a second less.
    middle = sum(dealt.shots) / len(dealt.shots)
    assert matching.offset_s == pytest.approx(dealt.offset_s + dealt.drift * middle - 0.42, abs=0.3)
    assert matching.drift == pytest.approx(dealt.drift, abs=15e-6)


@pytest.mark.parametrize("seed", range(20, 24))
def test_a_clock_with_decimals_leaves_less_in_doubt(seed):
    dealt = deal(seed, step_s=0.01)
    right, wrong, matching = judged(dealt, 0.01)
    assert (wrong, matching.refused) == (0, None)
    assert right >= 0.99 * of(dealt)


@pytest.mark.parametrize("seed", range(40, 50))
def test_evenly_spaced_shots_are_right_or_refused(seed):
    dealt = deal(seed, 200, gaps=(24.0, 24.0))
    right, wrong, matching = judged(dealt)
    assert wrong == 0
    assert (right > 0) == (matching.refused is None)
    assert matching.refused is None or "--offset" in matching.refused


@pytest.mark.parametrize("seed", range(40, 46))
def test_evenly_spaced_shots_are_matched_once_the_offset_is_told(seed):
    dealt = deal(seed, 200, gaps=(24.0, 24.0))
    middle = sum(dealt.shots) / len(dealt.shots)
    near_s = dealt.offset_s + dealt.drift * middle + random.Random(seed).uniform(-1.2, 1.2)
    right, wrong, matching = judged(dealt, near_s=near_s)
    assert (wrong, matching.refused) == (0, None)
    assert right >= 0.98 * of(dealt)


@pytest.mark.parametrize("seed", range(60, 64))
def test_sync_shots_at_odd_gaps_settle_evenly_spaced_ones(seed):
    dealt = deal(seed, 100, gaps=(24.0, 24.0))
    odd = [dealt.shots[0] - gap for gap in (37, 35, 30, 19)]
    shots = [*odd, *dealt.shots]
    photos = sorted([*(round(dealt.offset_s + at) for at in odd), *dealt.photos])
    owners = {
        photo: None if owner is None else owner + 4 for photo, owner in zip(dealt.photos, dealt.owners, strict=True)
    }
    matching = match(shots, photos, 1.0)
    assert matching.refused is None
    for pair in matching.matched:
        assert pair.shot < 4 or owners[photos[pair.photo]] == pair.shot


@pytest.mark.parametrize("seed", range(80, 84))
def test_a_card_of_another_print_is_refused(seed):
    assert match(deal(seed).shots, deal(seed + 1000).photos, 1.0).refused is not None


def test_one_of_two_cards_is_matched_as_far_as_it_goes():
    dealt = deal(7)
    third = len(dealt.photos) // 3
    dealt.photos, dealt.owners = dealt.photos[:third], dealt.owners[:third]
    right, wrong, _ = judged(dealt)
    assert wrong == 0
    assert right >= 0.97 * of(dealt)


def test_photos_of_other_days_do_no_harm():
    dealt, before, after = deal(8, 100), deal(9, 300), deal(10, 300)
    earlier = [photo - before.photos[-1] + dealt.photos[0] - 90_000 for photo in before.photos]
    later = [photo - after.photos[0] + dealt.photos[-1] + 50_000 for photo in after.photos]
    dealt.owners = [*[None] * len(earlier), *dealt.owners, *[None] * len(later)]
    dealt.photos = [*earlier, *dealt.photos, *later]
    right, wrong, _ = judged(dealt)
    assert wrong == 0
    assert right >= 0.97 * of(dealt)


ANOTHER_PRINT = [(seed, jitter_s) for seed in range(5) for jitter_s in (0.05, 0.3, 0.7)]


@pytest.mark.parametrize(("seed", "jitter_s"), ANOTHER_PRINT)
def test_an_earlier_print_of_the_same_file_is_refused_and_the_offset_settles_it(seed, jitter_s):
    dealt = after_another(seed, 200, jitter_s=jitter_s, missed=[0.03, 0.3][seed % 2], missed_before=0.02 * seed)
    right, wrong, matching = judged(dealt)
    assert (right, wrong) == (0, 0)
    assert "an earlier print of the same file" in matching.refused
    assert "--offset" in matching.refused
    middle = sum(dealt.shots) / len(dealt.shots)
    right, wrong, _ = judged(dealt, near_s=dealt.offset_s + dealt.drift * middle)
    assert wrong == 0
    assert right >= 0.95 * of(dealt)


@pytest.mark.parametrize("seed", range(3))
def test_an_earlier_print_that_failed_or_took_other_times_does_no_harm(seed):
    for dealt in (after_another(seed, 200, jitter_s=0.1, share=0.2), after_another(seed, 200, jitter_s=4.0)):
        right, wrong, _ = judged(dealt)
        assert wrong == 0
        assert right >= 0.97 * of(dealt)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("apart_s", [0.0, 1.0, 2.0, 40.0, -3600.0])
def test_a_second_camera_of_the_same_print_is_refused(seed, apart_s):
    matching = judged(beside_another(seed, 200, apart_s=apart_s))[2]
    assert "a second camera" in matching.refused


def test_three_photos_of_each_shot_are_refused():
    dealt = deal(12, 60, missed=0, stray=0)
    photos = [photo + more for photo in dealt.photos for more in (0.0, 0.3, 0.6)]
    matching = match(dealt.shots, photos, 0.01)
    assert "takes several each time" in matching.refused


@pytest.mark.parametrize("by_s", [3600.0, -3600.0, 7.0, -60.0])
@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
def test_a_clock_that_was_set_in_mid_print_is_followed(by_s, share):
    dealt = set_in_print(3, 200, by_s=by_s, share=share)
    right, wrong, matching = judged(dealt)
    assert wrong == 0
    assert right >= 0.97 * of(dealt)
    assert matching.set_s == pytest.approx(by_s, abs=0.3)
    first = next(owner for owner in dealt.owners[round(share * len(dealt.photos)) :] if owner is not None)
    assert abs(matching.set_at - first) <= 1


REFUSED = {
    "no shots": ([], [1.0], None, "there is no shot of this camera"),
    "no photos": ([1.0], [], None, "there is no photo that tells its time"),
    "photos without a time": ([1.0], [None], None, "there is no photo that tells its time"),
    "an offset that can't be": ([0.0, 9.0, 21.0], [100.0, 109.0, 121.0], 5000.0, "at the offset that was given"),
    "one photo of many shots": ([0.0, 9.0, 21.0, 40.0], [109.0], None, "may be chance"),
}


@pytest.mark.parametrize(("shots", "photos", "near_s", "told"), REFUSED.values(), ids=REFUSED)
def test_what_cannot_be_matched_is_refused_in_a_sentence(shots, photos, near_s, told):
    matching = match(shots, photos, 1.0, None if near_s is None else Near(near_s))
    assert told in matching.refused
    assert matching.matched == matching.unsure == ()


def test_a_photo_without_a_time_is_left_out():
    matching = match([0.0, 9.0, 21.0, 40.0], [100.0, None, 109.0, 121.0, 140.0], 1.0)
    assert [(pair.shot, pair.photo) for pair in matching.matched] == [(0, 0), (1, 2), (2, 3), (3, 4)]


def test_a_photo_by_hand_in_the_same_second_leaves_its_shot_unsure():
    dealt = deal(11, 60, missed=0, stray=0)
    dealt.photos.insert(31, dealt.photos[30])
    dealt.owners.insert(31, None)
    right, wrong, matching = judged(dealt)
    assert (right, wrong) == (59, 0)
    assert [pair.shot for pair in matching.unsure] == [30]


@settings(max_examples=30, deadline=None)
@given(
    seed=st.integers(10_000, 10**6),
    shots=st.integers(1, 60),
    gaps=st.sampled_from([(15.0, 35.0), (2.0, 4.0), (24.0, 24.0), (60.0, 300.0)]),
    missed=st.sampled_from([0, 0.03, 0.1]),
    stray=st.sampled_from([0, 0.02, 0.1]),
)
def test_of_any_print_every_match_is_right(seed, shots, gaps, missed, stray):
    dealt = deal(seed, shots, gaps=gaps, missed=missed, stray=stray)
    right, wrong, matching = judged(dealt)
    assert wrong == 0, (right, matching.margin)
    places = [pair.photo for pair in matching.matched]
    assert places == sorted(set(places))


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.floats(0, 1e6), max_size=12).map(sorted),
    st.lists(st.none() | st.floats(-1e6, 1e6), max_size=12),
    st.sampled_from([0.01, 1.0]),
)
def test_anything_is_matched_or_refused(shots, photos, step_s):
    matching = match(shots, photos, step_s)
    assert matching.refused is None or not matching.matched


def test_three_shots_at_odd_gaps_are_enough():
    matching = match([0.0, 9.0, 39.0], [100.0, 109.0, 139.0], 1.0)
    assert [(pair.shot, pair.photo) for pair in matching.matched] == [(0, 0), (1, 1), (2, 2)]
