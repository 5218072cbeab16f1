"""How far one picture stands from another, to a few hundredths of a pixel, whatever grows in its midst; pure.

Tiles of both pictures are compared by phase correlation (Kuglin and Hines, 1975), unless a guess is near enough, and
from where most of them agree the shift is refined by least squares on the gradients (Lucas and Kanade, 1981), each
tile with a brightness of its own. Tiles that see something else, as the part grows or the head stands there, are
outvoted: the tiles' weighted median is the start, and Tukey's biweight drops what lies far from it.
"""

import math
from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

Grey = NDArray[np.float32]

_TAPS: Final = 4  # on each side of the Lanczos kernel
_BLUR: Final = 1.0  # px; keeps the gradients' model honest, as pictures made small are full of aliases
_STEPS: Final = 4
_ENOUGH: Final = 0.02  # px; a further step would add a small part of the last one
_REACH: Final = 0.5  # px that gradients alone may bridge
_NEAR: Final = 0.35  # px from the consensus within which a tile counts as agreeing
_LIKE: Final = 0.5  # of a tile's own variance may be left where it shows the same thing
_SURE: Final = 0.8  # of the tiles agreeing, at which nothing else is looked for
AGREEING: Final = 0.5
"""The share of the tiles that has to agree before a shift is believed."""


@dataclass(frozen=True, slots=True)
class Shift:
    """The picture stands `x` px to the right and `y` px below the reference.

    `error` is the standard error in px as the tiles' spread tells it, `agree` the share of them that agrees.
    """

    x: float
    y: float
    error: float
    agree: float

    @property
    def sure(self) -> bool:
        """Whether most of the picture has one and the same shift."""
        return self.agree >= AGREEING


def prepared(grey: NDArray[np.uint8]) -> Grey:
    """A grey picture as `shift_of` wants it."""
    return np.asarray(cv2.GaussianBlur(grey.astype(np.float32), (0, 0), _BLUR), np.float32)


def moved(picture: Grey, x: float, y: float) -> Grey:
    """`picture` seen from `x`, `y` px further right and down: what stands there comes to the origin.

    By a Lanczos kernel of eight taps at the exact fraction; OpenCV's own warps round to 1/32 px.
    """
    whole_x, whole_y = math.floor(x), math.floor(y)
    size = picture.shape[1], picture.shape[0]
    step = np.array([[1, 0, whole_x], [0, 1, whole_y]], np.float32)
    kind = cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP
    near = cv2.warpAffine(picture, step, size, flags=kind, borderMode=cv2.BORDER_REPLICATE)
    across, down = _lanczos(x - whole_x), _lanczos(y - whole_y)
    anchor = (_TAPS - 1, _TAPS - 1)
    return np.asarray(cv2.sepFilter2D(near, cv2.CV_32F, across, down, anchor=anchor), np.float32)


def shift_of(picture: Grey, reference: Grey, guess: tuple[float, float] = (0.0, 0.0)) -> Shift:
    """Where `picture` stands against `reference`, both prepared and of one size; `guess` is a shift to try first.

    A picture with too little in it to tell gives a shift that is not sure.
    """
    side = _side(picture)

    def settled(found: Shift) -> Shift:
        for _ in range(_STEPS):
            x, y = found.x, found.y
            found = _refined(moved(picture, x, y), reference, side, (x, y))
            if math.hypot(found.x - x, found.y - y) < _ENOUGH:
                break
        return found

    near = _refined(moved(picture, *guess), reference, side, guess)
    away = math.hypot(near.x - guess[0], near.y - guess[1])
    if away >= _ENOUGH:
        near = settled(near)
    if near.agree >= _SURE and away <= _REACH:
        return near
    # Half of the picture may move with the machine: what is found by searching has to convince more of the tiles.
    return max(near, settled(_searched(picture, reference, guess, side)), key=lambda each: each.agree)


def _side(picture: Grey) -> int:
    high, wide = picture.shape
    return int(max(16, min(48, high // 6, wide // 6)))


def _lanczos(fraction: float) -> NDArray[np.float64]:
    """The weights of the samples around a place `fraction` px after the fourth of eight (Lanczos, a = 4)."""
    at = np.arange(1 - _TAPS, 1 + _TAPS) - fraction
    weights = np.sinc(at) * np.sinc(at / _TAPS)
    return np.asarray(weights / weights.sum())


def _whole(picture: Grey, reference: Grey) -> tuple[float, float]:
    """The shift of whole pictures at a quarter of the size: coarse, but of any reach."""
    small = [cv2.resize(each, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA) for each in (reference, picture)]
    window = cv2.createHanningWindow((small[0].shape[1], small[0].shape[0]), cv2.CV_32F)
    (x, y), _ = cv2.phaseCorrelate(small[0] * window, small[1] * window)
    return 4 * float(x), 4 * float(y)


def _searched(picture: Grey, reference: Grey, guess: tuple[float, float], side: int) -> Shift:
    """The shift by phase correlation, near `guess` or, where little agrees there, anywhere."""
    found = _consensus(picture, reference, guess, side)
    if found.agree < _SURE:
        far = _consensus(picture, reference, _whole(picture, reference), side)
        found = max(found, far, key=lambda each: each.agree)
    return found


def _consensus(picture: Grey, reference: Grey, guess: tuple[float, float], side: int) -> Shift:
    """The phase correlation of tiles that stand `guess` apart, by weighted median."""
    high, wide = reference.shape
    tile = max(16, 4 * side // 3)
    off_x, off_y = round(guess[0]), round(guess[1])
    window = cv2.createHanningWindow((tile, tile), cv2.CV_32F)
    votes: list[tuple[float, float, float]] = []
    for y in range(max(0, -off_y), min(high, high - off_y) - tile + 1, tile):
        for x in range(max(0, -off_x), min(wide, wide - off_x) - tile + 1, tile):
            one = reference[y : y + tile, x : x + tile]
            two = picture[y + off_y : y + off_y + tile, x + off_x : x + off_x + tile]
            contrast = min(float(one.std()), 8.0)
            # Given a window, OpenCV lays it over its arguments in place, which are the pictures themselves; without
            # their means taken off, the windows would be alike at no shift at all.
            (dx, dy), response = cv2.phaseCorrelate((one - one.mean()) * window, (two - two.mean()) * window)
            votes.append((dx, dy, max(response, 0.0) * contrast))
    if not votes:
        return Shift(0.0, 0.0, math.inf, 0.0)
    across, down, weight = np.array(votes, np.float64).T
    dx, dy = _median(across, weight), _median(down, weight)
    near = np.hypot(across - dx, down - dy) < 3 * _NEAR
    return Shift(dx + off_x, dy + off_y, math.inf, float(weight[near].sum() / max(weight.sum(), 1e-9)))


def _refined(seen: Grey, reference: Grey, side: int, start: tuple[float, float]) -> Shift:
    """What is left of the shift between `seen`, moved by `start` already, and `reference`, added to `start`."""
    mean = 0.5 * (seen + reference)
    slope_x = cv2.Sobel(mean, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8)
    slope_y = cv2.Sobel(mean, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)
    sums = _Tiles(side, start, reference.shape)
    parts: list[NDArray[Any]] = [slope_x, slope_y, reference, seen - reference]
    cut = [sums.inner(part) for part in parts]
    means = [sums.mean(part) for part in cut]

    def with_each_other(a: int, b: int) -> NDArray[np.float64]:
        return sums.mean(cut[a] * cut[b]) - means[a] * means[b]

    # For each tile: difference = x slope_x + y slope_y + gain reference + a constant, by least squares.
    normal = np.empty((sums.count, 3, 3))
    right = np.empty((sums.count, 3))
    for a in range(3):
        for b in range(a, 3):
            normal[:, a, b] = normal[:, b, a] = with_each_other(a, b)
        right[:, a] = with_each_other(a, 3)
    normal += np.eye(3) * 1e-3
    tiles = np.linalg.solve(normal, right[..., None])[..., 0]
    left: NDArray[np.float64] = np.maximum(with_each_other(3, 3) - np.einsum("ij,ij->i", tiles, right), 1e-3)
    # What a tile tells of the shift once its brightness is accounted for (Schur complement), against what is left.
    known = normal[:, :2, :2] - normal[:, :2, 2:] @ normal[:, 2:, :2] / normal[:, 2:, 2:]
    trust = np.asarray(np.stack([known[:, 0, 0], known[:, 1, 1]]) / left, np.float64)
    # Noise on an empty wall has slopes as well, but no likeness.
    alike = left < _LIKE * normal[:, 2, 2]
    if np.count_nonzero(alike) < max(3, len(alike) // 10):
        return Shift(*start, math.inf, 0.0)
    return _vote(np.asarray(tiles[alike, :2].T, np.float64), trust[:, alike], start)


def _vote(tiles: NDArray[np.float64], trust: NDArray[np.float64], start: tuple[float, float]) -> Shift:
    """What the tiles, (2, n), say is left of the shift, put together along each axis by their trust, off `start`."""
    found, errors = [], []
    near = np.ones(tiles.shape[1], bool)
    for values, weight in zip(tiles, trust, strict=True):
        voice = np.sqrt(weight)
        middle = _median(values, voice)
        spread = 1.4826 * _median(np.abs(values - middle), voice) + 1e-4
        say = weight * np.clip(1 - ((values - middle) / (3 * spread)) ** 2, 0, None) ** 2
        value = float((values * say).sum() / say.sum())
        found.append(value)
        errors.append(math.sqrt(float((say**2 * (values - value) ** 2).sum())) / float(say.sum()))
        near &= np.abs(values - value) < _NEAR
    return Shift(start[0] - found[0], start[1] - found[1], math.hypot(*errors), float(near.mean()))


class _Tiles:
    """The tiles that lie in both pictures when one is moved by `start`."""

    def __init__(self, side: int, start: tuple[float, float], shape: tuple[int, ...]) -> None:
        self._cuts = []
        for length, by in ((shape[0], start[1]), (shape[1], start[0])):
            low, high = max(0, math.ceil(-by)) + _TAPS, length - max(0, math.ceil(by)) - _TAPS
            tiles = max((high - low) // side, 1)
            first = max((low + high - tiles * side) // 2, 0)
            self._cuts.append((first, tiles, side))
        self.count = self._cuts[0][1] * self._cuts[1][1]

    def inner(self, picture: NDArray[Any]) -> NDArray[Any]:
        (y, rows, side), (x, columns, _) = self._cuts
        return picture[y : y + rows * side, x : x + columns * side]

    def mean(self, picture: NDArray[Any]) -> NDArray[np.float64]:
        size = (self._cuts[1][1], self._cuts[0][1])
        return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.float64).ravel()


def _median(values: NDArray[np.float64], weight: NDArray[np.float64]) -> float:
    order = np.argsort(values)
    summed = np.cumsum(weight[order])
    return float(values[order][min(int(np.searchsorted(summed, summed[-1] / 2)), len(values) - 1)])
