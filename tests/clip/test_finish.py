from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from lapsed.clip import finish
from lapsed.clip.codec import CODECS
from lapsed.clip.decoding import Decoder
from lapsed.clip.finish import Plane
from lapsed.clip.orient import Rect
from lapsed.clip.planes import Shaper, views
from lapsed.clip.tone import NEUTRAL, Gain

WIDTH, HEIGHT = 96, 200


def noise(down: int, kind: type[np.uint8 | np.uint16]) -> list[Plane]:
    random = np.random.default_rng(4)
    sizes = [(HEIGHT, WIDTH), *[(HEIGHT // down, WIDTH // 2)] * 2]
    most = 256 if kind is np.uint8 else 1021
    return [random.integers(0, most, size).astype(kind) for size in sizes]


@pytest.mark.parametrize("gain", [NEUTRAL, (1.2, 1.2, 1.2), (1.1, 1.0, 0.9)])
@pytest.mark.parametrize("down", [1, 2])
@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
def test_bands_leave_no_seam_and_a_picture_may_be_finished_in_place(
    monkeypatch: pytest.MonkeyPatch, gain: Gain, down: int, kind: type[np.uint8 | np.uint16]
) -> None:
    banded, whole = noise(down, kind), [np.zeros_like(plane) for plane in noise(down, kind)]
    finish.finish(banded, banded, gain)
    monkeypatch.setattr(finish, "_ROWS", 1000)
    finish.finish(noise(down, kind), whole, gain)
    for got, wanted in zip(banded, whole, strict=True):
        assert np.array_equal(got, wanted)


def test_a_frame_that_is_shown_twice_is_not_changed_by_the_first_time(tmp_path: Path, save: Callable) -> None:
    picture = np.random.default_rng(5).integers(0, 256, (64, 96, 3), np.uint8)
    path = save(tmp_path / "a.jpg", picture)
    # Of its own size there is nothing to scale, so the decoder's own planes come through.
    shaper = Shaper((96, 64), (96, 64), 1, CODECS["h264"].pixels)
    decoded = Decoder((96, 64), 1, path).decode(path)
    first, second = (shaper.shape(decoded, Rect(0, 0, 96, 64)) for _ in range(2))
    for one, two in zip(views(first), views(second), strict=True):
        assert np.array_equal(one, two)
