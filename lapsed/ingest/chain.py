"""The best chain of pairs that rises in both members; pure.

Alignment with skips: a pair is worth what it saves, leaving a shot or a photo out costs nothing more. The best
alignment is then the heaviest chain of pairs that go forward in both, a weighted longest increasing subsequence.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Pair:
    """Shot `shot` and photo `photo`, by their places in their sequences, and what pairing them is worth."""

    shot: int
    photo: int
    weight: float


def best(pairs: Collection[Pair]) -> tuple[float, tuple[Pair, ...]]:
    """The heaviest chain and its weight; of a shot's pairs at most one is in it, and of a photo's."""
    if not pairs:
        return 0.0, ()
    # Of one shot the later photos come first, so that no pair is put behind another of the same shot.
    ordered = sorted(pairs, key=lambda pair: (pair.shot, -pair.photo))
    ranks = {photo: rank for rank, photo in enumerate(sorted({pair.photo for pair in ordered}), 1)}
    tree: list[tuple[float, int]] = [(0.0, -1)] * (len(ranks) + 1)
    before: list[int] = []
    for number, pair in enumerate(ordered):
        weight, last = _greatest(tree, ranks[pair.photo] - 1)
        before.append(last)
        _raise(tree, ranks[pair.photo], (weight + pair.weight, number))
    weight, last = _greatest(tree, len(ranks))
    chain: list[Pair] = []
    while last >= 0:
        chain.append(ordered[last])
        last = before[last]
    return weight, tuple(reversed(chain))


def margins(pairs: Sequence[Pair], chain: Collection[Pair]) -> dict[Pair, float]:
    """How much worse the best chain without each pair of `chain` is: what speaks for that pair against all others.

    Only what competes for the same shots and photos can take a pair's place, so each group of them is looked at alone.
    """
    groups = _groups(pairs)
    found: dict[Pair, float] = {}
    for pair in chain:
        group = groups[pair]
        if len(group) == 1:
            found[pair] = pair.weight
        else:
            found[pair] = best(group)[0] - best([other for other in group if other is not pair])[0]
    return found


def _greatest(tree: Sequence[tuple[float, int]], rank: int) -> tuple[float, int]:
    """The greatest entry up to `rank` in a binary indexed tree."""
    found = (0.0, -1)
    while rank > 0:
        found = max(found, tree[rank])
        rank -= rank & -rank
    return found


def _raise(tree: list[tuple[float, int]], rank: int, entry: tuple[float, int]) -> None:
    while rank < len(tree):
        tree[rank] = max(tree[rank], entry)
        rank += rank & -rank


def _groups(pairs: Sequence[Pair]) -> dict[Pair, list[Pair]]:
    """For each pair those that share a shot or a photo with it, directly or by others in between."""
    of_shot: dict[int, list[Pair]] = {}
    of_photo: dict[int, list[Pair]] = {}
    for pair in pairs:
        of_shot.setdefault(pair.shot, []).append(pair)
        of_photo.setdefault(pair.photo, []).append(pair)
    groups: dict[Pair, list[Pair]] = {}
    for pair in pairs:
        if pair in groups:
            continue
        group: list[Pair] = []
        waiting = [pair]
        while waiting:
            one = waiting.pop()
            if one not in groups:
                groups[one] = group
                group.append(one)
                waiting += of_shot[one.shot] + of_photo[one.photo]
    return groups
