"""The best chain of pairs, against trying all chains."""

from itertools import combinations, pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lapsed.ingest.chain import Pair, best, margins

WEIGHTS = st.sampled_from([0.5, 1.0, 2.0, 3.5, 7.0])
PAIRS = st.lists(
    st.tuples(st.integers(0, 4), st.integers(0, 4), WEIGHTS), max_size=9, unique_by=lambda pair: pair[:2]
).map(lambda many: [Pair(*one) for one in many])


def by_trying(pairs):
    ordered = sorted(pairs, key=lambda pair: pair.shot)
    chains = (chosen for size in range(len(pairs) + 1) for chosen in combinations(ordered, size))
    rising = (chain for chain in chains if all(a.shot < b.shot and a.photo < b.photo for a, b in pairwise(chain)))
    return max(sum(pair.weight for pair in chain) for chain in rising)


@given(PAIRS)
def test_is_the_heaviest_of_all_that_rise(pairs):
    weight, chain = best(pairs)
    assert weight == pytest.approx(by_trying(pairs))
    assert weight == pytest.approx(sum(pair.weight for pair in chain))
    assert all(a.shot < b.shot and a.photo < b.photo for a, b in pairwise(chain))


@given(PAIRS)
def test_a_margin_is_never_less_than_what_the_chain_is_worse_without_the_pair_in_its_group(pairs):
    weight, chain = best(pairs)
    found = margins(pairs, chain)
    assert set(found) == set(chain)
    for pair in chain:
        without = by_trying([other for other in pairs if other is not pair])
        assert found[pair] >= -1e-9
        assert found[pair] <= pair.weight + 1e-9
        assert weight - without <= pair.weight + 1e-9


def test_two_photos_at_one_shot_leave_only_their_difference():
    pairs = [Pair(0, 0, 7.0), Pair(1, 1, 7.0), Pair(1, 2, 6.5), Pair(2, 3, 7.0)]
    weight, chain = best(pairs)
    assert weight == 21.0
    assert margins(pairs, chain) == {pairs[0]: 7.0, pairs[1]: 0.5, pairs[3]: 7.0}


def test_nothing_makes_no_chain():
    assert best([]) == (0.0, ())
