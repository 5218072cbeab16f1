"""Which photo belongs to which shot, from their times alone; pure.

The camera's clock reads `offset + (1 + drift) * ours`, each time rounded down to what it writes. Every offset that
brings many shots near a photo is tried as a hypothesis: its line is fitted, shots and photos are aligned along it, and
what the alignment is worth is the logarithm of how much likelier it is than that nothing belongs together. The best
hypothesis is believed only where it is much likelier than the next one that pairs otherwise; and of its pairs only
those that nothing else could nearly replace. Whatever else is refused, with what would settle it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import accumulate

import numpy as np
from numpy.typing import NDArray

from lapsed.ingest.chain import Pair, best, margins

Floats = NDArray[np.float64]

WORTH = 7.4
"""What a pair is worth: a shot without a photo and a photo without a shot count as 3 % and 2 % likely, and
-ln 0.03 - ln 0.02 = 7.4."""

SURE = 6.0
"""How much more the best hypothesis must be worth than the next, as a natural logarithm: 400 to 1."""

SURE_PAIR = 4.0
"""The same for a single pair: 55 to 1."""

SURE_RIVAL = 18.5
"""How much more it must be worth, where another one pairs nearly as many: two and a half pairs, as evenly spaced shots
fit one place on or back but for what lies at their ends, and there chance has its hand in."""

RIVAL_SHARE = 0.8
"""Share of the pairs of the best from which on another one is its rival."""

TWIN_SHARE = 0.4
"""Share of the shots of the best from which on another series of photos may be theirs; chance has a fifth of them, and
the right series can't lack more where `LEAST_SHARE` holds."""

LEAST_SHARE = 0.6
"""Share of the shots between the first and the last paired one that must have photos: chance never pairs so many."""

SET_COST = 5 * WORTH
"""What it costs to suppose that the camera's clock was set in mid-print: five pairs, more than chance makes up for."""

LEAST_SET = 5
"""The least pairs before and after that."""

DRIFT_MOST = 150e-6
"""Clocks of cameras and computers run apart by less; watch crystals keep within 20 to 100 parts in a million."""

_DRIFT_USUAL = 50e-6
_JITTER_S = 0.1
_SLOPE_S = 0.2
_SHOTS_TRIED = 400
_HYPOTHESES = 16


@dataclass(frozen=True, slots=True)
class Near:
    """How far the camera's clock is ahead of ours, and how far off that may be, in seconds."""

    offset_s: float
    within_s: float = 2.0


@dataclass(frozen=True, slots=True)
class Matched:
    """A shot with its photo, by their places in the sequences given; the larger `margin`, the surer."""

    shot: int
    photo: int
    margin: float


@dataclass(frozen=True, slots=True)
class Matching:
    """What became of all shots and photos.

    `unsure` are pairs that could nearly as well be others. `offset_s` is how far the camera's clock is ahead of ours
    at the middle of the take, `drift` by how much it runs fast, `margin` how much surer the whole is than the next
    best, as a natural logarithm. A clock that was set in mid-print reads `set_s` more from the shot at place `set_at`
    on. With `refused`, a sentence, nothing is matched.
    """

    matched: tuple[Matched, ...] = ()
    unsure: tuple[Matched, ...] = ()
    offset_s: float = 0.0
    drift: float = 0.0
    margin: float = 0.0
    set_at: int | None = None
    set_s: float = 0.0
    refused: str | None = None


@dataclass(frozen=True, slots=True)
class _Line:
    """The camera's clock as a hypothesis has it, and its best chain's worth; `set_s` as in `Matching`."""

    offset_s: float
    drift: float
    worth: float = 0.0
    chain: tuple[Pair, ...] = ()
    pairs: tuple[Pair, ...] = field(default=(), repr=False)
    set_at: int | None = None
    set_s: float = 0.0


def match(shots: Sequence[float], photos: Sequence[float | None], step_s: float, near: Near | None = None) -> Matching:
    """Pair shots with photos.

    `shots` are the times of the releases by our clock, rising; `photos` those of the camera, in the order it took them,
    None where it told none. Both are seconds from any common beginning. `step_s` is the camera's resolution. With
    `near` it is known how far the camera's clock is ahead, more or less.
    """
    ours = np.asarray(shots, np.float64)
    timed = np.asarray([at for at, time in enumerate(photos) if time is not None], np.int64)
    theirs = np.asarray([time for time in photos if time is not None], np.float64)
    if not len(ours) or not len(theirs):
        what = "shot of this camera" if not len(ours) else "photo that tells its time"
        return Matching(refused=f"there is no {what}, so nothing can be matched")
    middle = float(ours.mean())
    ours, theirs = ours - middle, theirs - middle
    lines = _ranked(ours, theirs, timed, step_s, near)
    if not lines:
        return Matching(refused="no photo lies near enough to any shot at the offset that was given; leave it out")
    # What fits beside the best: the rest, by a clock that was set; another camera's photos, or an earlier print's.
    left = ~np.isin(timed, [pair.photo for pair in lines[0].chain])
    lines += _ranked(ours, theirs[left], timed[left], step_s, near) if left.any() else []
    return _judged(lines, len(ours))


# ------------------------------------------------------------------------------------------------------ hypotheses


def _ranked(ours: Floats, theirs: Floats, timed: NDArray[np.int64], step_s: float, near: Near | None) -> list[_Line]:
    """The hypotheses worth a look, the best first, each fitted and aligned."""
    order = np.argsort(theirs, kind="stable")
    theirs, timed = theirs[order], timed[order]

    def tried(offset_s: float, drift: float) -> list[_Line]:
        line = _sharpened(ours, theirs, _Line(offset_s, drift), step_s)
        line = _aligned(ours, theirs, timed, _fitted(ours, theirs, line, step_s), step_s)
        known = near is None or abs(line.offset_s - near.offset_s) <= near.within_s + step_s
        return [line] if line.chain and known else []

    lines = [line for guess in _guesses(ours, theirs, step_s, near) for line in tried(*guess)]
    lines.sort(key=_by_worth)
    # Evenly spaced photos fit about as well one place on or back, and more such places get votes than are tried: the
    # neighbours of the best are looked at in any case, until it is the best among them.
    seen: set[int] = set()
    while lines and (key := round(lines[0].offset_s / (0.5 * step_s + 1.0))) not in seen:
        seen.add(key)
        for offset_s in _neighbours(lines[0], theirs, timed):
            lines += tried(offset_s, lines[0].drift)
        lines.sort(key=_by_worth)
    return lines


def _by_worth(line: _Line) -> float:
    return -line.worth


def _neighbours(line: _Line, theirs: Floats, timed: NDArray[np.int64]) -> list[float]:
    """The offsets at which each paired shot would have a photo some places on or back instead."""
    where = {int(photo): at for at, photo in enumerate(timed)}
    at = np.asarray([where[pair.photo] for pair in line.chain], np.int64)
    found = []
    for places in (-3, -2, -1, 1, 2, 3):
        inside = (at + places >= 0) & (at + places < len(theirs))
        if inside.any():
            found.append(line.offset_s + float(np.median(theirs[at[inside] + places] - theirs[at[inside]])))
    return found


def _guesses(ours: Floats, theirs: Floats, step_s: float, near: Near | None) -> list[tuple[float, float]]:
    """Offsets and drifts at which many shots lie near a photo, by counting the differences of all with all."""
    few = ours[:: max(1, len(ours) // _SHOTS_TRIED)]
    reach = max(float(np.ptp(ours)), 1.0)
    turn = 1.0 / reach  # a step in drift that moves the ends by half a second
    most = int(np.ceil(DRIFT_MOST / turn))
    width = 0.5 * step_s + 1.0
    votes: list[tuple[int, float, float]] = []
    for drift in np.arange(-most, most + 1) * turn:
        apart = np.subtract.outer(theirs, few * (1 + drift)).ravel()
        if near is not None:
            apart = apart[np.abs(apart - near.offset_s) <= near.within_s + 1 + step_s]
        places, counts = np.unique(np.floor(apart / width).astype(np.int64), return_counts=True)
        # A heap of differences may lie across the border of two places.
        joined = counts + np.where(np.diff(places, append=places[-1:]) == 1, np.append(counts[1:], 0), 0)
        top = np.argsort(-joined, kind="stable")[:_HYPOTHESES]
        votes += [(int(joined[at]), float(places[at] + 1) * width, float(drift)) for at in top]
    votes.sort(key=lambda vote: (-vote[0], abs(vote[2])))
    kept: list[tuple[float, float]] = []
    for _, offset_s, drift in votes:
        if all(abs(offset_s - other) > width for other, _ in kept):
            kept.append((offset_s, drift))
        if len(kept) == _HYPOTHESES:
            break
    return kept


def _sharpened(ours: Floats, theirs: Floats, line: _Line, step_s: float) -> _Line:
    """The offset and drift about those of `line` that bring most shots to a photo, as near as its time can tell."""
    flat_s = step_s / 2 + _JITTER_S
    width = 0.5 * step_s + 1.0
    lean = 0.25 / max(float(np.ptp(ours)), 1.0)
    found: list[tuple[int, float, float, float]] = []
    for drift in (line.drift, line.drift - lean, line.drift + lean):
        for offset_s in np.arange(line.offset_s - width, line.offset_s + width + flat_s, flat_s / 2):
            told = offset_s + (1 + drift) * ours
            near = int((np.abs(theirs[_nearest(theirs, told)] - told) <= flat_s).sum())
            found.append((near, -abs(drift), float(offset_s), drift))
    most = max(found)[0]
    # As many lie near over a stretch of offsets: its middle is the best of them.
    best_drift = max(found)[3]
    middle = np.median([offset_s for near, _, offset_s, drift in found if near == most and drift == best_drift])
    return _Line(float(middle), best_drift)


def _fitted(ours: Floats, theirs: Floats, line: _Line, step_s: float) -> _Line:
    """The line fitted to the photo nearest to each shot, as far as one is near; strays hardly pull at it."""
    reach_s = 0.75 * step_s + 0.4
    for _ in range(3):
        told = line.offset_s + (1 + line.drift) * ours
        apart = theirs[_nearest(theirs, told)] - told
        near = np.abs(apart) <= reach_s
        if not near.any():
            break
        apart, at = apart[near], ours[near]
        middle = np.median(apart)
        close = np.abs(apart - middle) <= max(0.75 * step_s + _JITTER_S, 1.5 * float(np.median(np.abs(apart - middle))))
        line = _pulled(line, at[close], apart[close], step_s)
    return line


def _pulled(line: _Line, at: Floats, apart: Floats, step_s: float) -> _Line:
    """Least squares for what is left, with the drift held to what clocks do."""
    spread = step_s**2 / 12 + _JITTER_S**2
    centre = at.mean()
    lean = float(((at - centre) * (apart - apart.mean())).sum())
    lean -= spread * line.drift / _DRIFT_USUAL**2
    more = lean / (float(((at - centre) ** 2).sum()) + spread / _DRIFT_USUAL**2)
    drift = float(np.clip(line.drift + more, -DRIFT_MOST, DRIFT_MOST))
    return _Line(line.offset_s + float(apart.mean()) - (drift - line.drift) * float(centre), drift)


def _nearest(sorted_times: Floats, wanted: Floats) -> NDArray[np.int64]:
    """For each time wanted, the place of the nearest among those sorted."""
    if len(sorted_times) == 1:
        return np.zeros(len(wanted), np.int64)
    after = np.clip(np.searchsorted(sorted_times, wanted), 1, len(sorted_times) - 1)
    earlier = wanted - sorted_times[after - 1] <= sorted_times[after] - wanted
    return np.asarray(np.where(earlier, after - 1, after), np.int64)


def _aligned(ours: Floats, theirs: Floats, places: NDArray[np.int64], line: _Line, step_s: float) -> _Line:
    """Shots and photos aligned along the line."""
    flat_s = step_s / 2 + _JITTER_S
    reach_s = flat_s + _SLOPE_S * float(np.sqrt(2 * WORTH))
    told = line.offset_s + (1 + line.drift) * ours
    begin, end = np.searchsorted(theirs, told - reach_s), np.searchsorted(theirs, told + reach_s, side="right")
    pairs = []
    for shot in range(len(ours)):
        for at in range(begin[shot], end[shot]):
            beyond = max(0.0, abs(float(theirs[at] - told[shot])) - flat_s) / _SLOPE_S
            pairs.append(Pair(shot, int(places[at]), WORTH - beyond**2 / 2))
    worth, chain = best([pair for pair in pairs if pair.weight > 0])
    return _Line(line.offset_s, line.drift, worth, chain, tuple(pair for pair in pairs if pair.weight > 0))


# -------------------------------------------------------------------------------------------------------- judgement


def _judged(lines: list[_Line], shots: int) -> Matching:
    joined = [both for line in lines[1:] for both in (_joined(lines[0], line), _joined(line, lines[0])) if both]
    first = min((lines[0], *joined), key=_by_worth)
    others = [line for line in lines if _differ(first, line)]
    margin = first.worth - max((line.worth for line in others), default=0.0)
    rivalled = any(len(line.chain) >= RIVAL_SHARE * len(first.chain) for line in others)
    known = Matching(offset_s=first.offset_s, drift=first.drift, margin=margin, set_at=first.set_at, set_s=first.set_s)
    between = first.chain[-1].shot - first.chain[0].shot + 1
    if len(first.chain) < LEAST_SHARE * between or len(first.chain) < min(3, shots):
        return _refused(
            known,
            f"at best {len(first.chain)} photos lie near the {between} shots between them, which may be chance;"
            " is it the right card?",
        )
    found = margins(first.pairs, first.chain)
    all_pairs = [Matched(pair.shot, pair.photo, found[pair]) for pair in first.chain]
    unsure = tuple(pair for pair in all_pairs if pair.margin < SURE_PAIR)
    if any(_twins(first, line) for line in others) or len(unsure) > len(all_pairs) / 2:
        return _refused(
            known,
            "two series of photos fit the shots, as of an earlier print of the same file, of a second camera, or of one"
            " that takes several each time: name a folder with the photos of this print and camera alone, or tell by"
            " --offset how many seconds the camera's clock is ahead of this computer's",
        )
    if margin < (SURE_RIVAL if rivalled and len(first.chain) < shots else SURE):
        return _refused(
            known,
            "the photos fit the shots in more than one way, as evenly spaced ones do: tell by --offset how many seconds"
            " the camera's clock is ahead of this computer's, or have sync_shots taken next time",
        )
    return replace(known, matched=tuple(pair for pair in all_pairs if pair.margin >= SURE_PAIR), unsure=unsure)


def _joined(early: _Line, late: _Line) -> _Line | None:
    """One line up to some shot and another from there on, where the camera's clock was set; None if that is no way."""
    head = [0.0, *accumulate(pair.weight for pair in early.chain)]
    tail = [0.0, *accumulate(pair.weight for pair in reversed(late.chain))]
    ways: list[tuple[float, int, int]] = []
    kept = 0
    for at, pair in enumerate(late.chain):
        while kept < len(early.chain) and early.chain[kept].shot < pair.shot and early.chain[kept].photo < pair.photo:
            kept += 1
        ways.append((head[kept] + tail[len(late.chain) - at], kept, at))
    worth, kept, at = max(ways)
    chain = (*early.chain[:kept], *late.chain[at:])
    if not (_dense(early.chain[:kept]) and _dense(late.chain[at:])):
        return None
    cut = late.chain[at].shot
    pairs = (
        *(pair for pair in early.pairs if pair.shot < cut and pair.photo < late.chain[at].photo),
        *(pair for pair in late.pairs if pair.shot >= cut and pair.photo > early.chain[kept - 1].photo),
    )
    set_s = late.offset_s - early.offset_s
    return _Line(early.offset_s, early.drift, worth - SET_COST, chain, pairs, cut, set_s)


def _dense(chain: Sequence[Pair]) -> bool:
    """Whether so many pairs so close to each other are no chance."""
    return len(chain) >= LEAST_SET and len(chain) >= LEAST_SHARE * (chain[-1].shot - chain[0].shot + 1)


def _twins(one: _Line, other: _Line) -> bool:
    """Whether another line has photos for most of the same shots, and they are others altogether."""
    shots, photos = {pair.shot for pair in one.chain}, {pair.photo for pair in one.chain}
    own = sum(pair.shot in shots and pair.photo not in photos for pair in other.chain)
    return own >= TWIN_SHARE * len(one.chain)


def _refused(known: Matching, why: str) -> Matching:
    return replace(known, refused=why)


def _differ(one: _Line, other: _Line) -> bool:
    """Whether two hypotheses pair otherwise, but for what is unsure of one anyway."""
    first = {pair.shot: pair.photo for pair in one.chain}
    same = sum(first.get(pair.shot) == pair.photo for pair in other.chain)
    return same < 0.9 * min(len(one.chain), len(other.chain) or 1) or not other.chain
