from collections.abc import Callable
from itertools import chain
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import simplejpeg
from numpy.typing import NDArray

from lapsed.clip import decoding, rendering
from lapsed.clip.conform import Turn
from lapsed.clip.editlist import Correction, EditList, edit
from lapsed.clip.orient import Rect, turned
from lapsed.clip.planes import views
from lapsed.clip.rendering import Rendering
from lapsed.clip.room import Room
from lapsed.clip.shape import shape
from lapsed.errors import UserError
from lapsed.settings import Clip

ROOM = Room(workers=2, waiting=1, look_ahead=3, threads=2, bytes_needed=0)
Planes = list[NDArray[Any]]


def planned(names: list[str], frame: tuple[int, int], clip: Clip, orientation: int = 1, **more: Any) -> EditList:
    return edit(names, frame, orientation, shape(turned(frame, orientation), clip), clip, **more)


def rendered(plan: EditList, folder: Path) -> list[Planes]:
    """The planes of each output frame."""
    seen: list[Planes] = []
    for picture, shows in Rendering(plan, folder, ROOM).pictures():
        seen += [[plane.copy() for plane in views(picture)]] * shows
    return seen


def rgb(planes: Planes) -> NDArray[np.float64]:
    """By BT.709-6, items 3.2 to 3.4, on whole chroma samples, without a library."""
    scale = 1 if planes[0].dtype == np.uint8 else 4
    y = (planes[0] / scale - 16.0) / 219
    by = tuple(y.shape[axis] // planes[1].shape[axis] for axis in (0, 1))
    cb, cr = ((np.kron(plane / scale, np.ones(by)) - 128) / 224 for plane in planes[1:])
    r, b = y + 1.5748 * cr, y + 1.8556 * cb
    return np.stack([r, (y - 0.2126 * r - 0.0722 * b) / 0.7152, b], -1) * 255


def spot_at(x: float, y: float, size: tuple[int, int]) -> NDArray[np.uint8]:
    """A soft white spot on dark grey, in the continuous coordinates in which (0, 0) is the picture's corner."""
    across, down = np.arange(size[0]) + 0.5, np.arange(size[1]) + 0.5
    spot = np.exp(-((across[None, :] - x) ** 2 + (down[:, None] - y) ** 2) / (2 * 9.0**2))
    return np.repeat((40 + 180 * spot).round().astype(np.uint8)[:, :, None], 3, 2)


def centre_of(luma: NDArray[Any]) -> tuple[float, float]:
    light = luma.astype(float)
    light = np.clip(light - np.median(light) - 6, 0, None)
    across, down = np.arange(light.shape[1]) + 0.5, np.arange(light.shape[0]) + 0.5
    return float((light.sum(0) * across).sum() / light.sum()), float((light.sum(1) * down).sum() / light.sum())


@pytest.mark.parametrize(("orientation", "codec"), [(1, "h264"), (6, "h264"), (3, "prores"), (8, "prores")])
def test_a_push_in_moves_without_a_tremor(tmp_path: Path, orientation: int, codec: str) -> None:
    stored = (960, 720)
    upright = turned(stored, orientation)
    spot = (0.55 * upright[0] + 0.3, 0.45 * upright[1] + 0.2)
    picture = spot_at(*spot, upright)
    for _ in range({1: 0, 6: 3, 3: 2, 8: 1}[orientation]):  # clockwise, so that the orientation turns it back
        picture = np.rot90(picture, -1)
    data = simplejpeg.encode_jpeg(np.ascontiguousarray(picture), quality=100, colorsubsampling="420")
    (tmp_path / "a.jpg").write_bytes(data)
    clip = Clip.model_validate(
        {"name": "c", "codec": codec, "size_px": (240, 180), "length_s": 2.0, "hold_end_s": 0, "end_zoom": 2}
        | {"end_focus": (0.6, 0.4)}
    )
    plan = planned(["a.jpg"], stored, clip, orientation)
    crops = [piece.crop for piece in plan.pieces]
    assert len(crops) == 50
    seen = np.array([centre_of(planes[0]) for planes in rendered(plan, tmp_path)])
    expected = np.array([[(spot[0] - c.x) * 240 / c.width, (spot[1] - c.y) * 180 / c.height] for c in crops])
    # Measured: 0.012 px at most; crops on whole pixels of the frame are off by up to 1 px.
    assert np.abs(seen - expected).max() < 0.1
    assert np.abs(np.diff(seen - expected, axis=0)).max() < 0.1


def test_shifts_are_taken_out_on_fractions_of_a_pixel_and_every_frame_is_as_sharp(tmp_path: Path) -> None:
    shifts = [(0.0, 0.0), (0.4, -1.3), (-2.7, 0.6)]
    for number, (x, y) in enumerate(shifts):
        picture = spot_at(150 + x, 120 + y, (320, 240))
        (tmp_path / f"{number}.jpg").write_bytes(simplejpeg.encode_jpeg(picture, quality=100))
    names = ["0.jpg", "1.jpg", "2.jpg"]
    fixes = {name: Correction(shift_px=shift) for name, shift in zip(names, shifts, strict=True)}
    clip = Clip(name="c", size_px=(200, 150), zoom=1.2, hold_end_s=0)
    frames = rendered(planned(names, (320, 240), clip, corrections=fixes), tmp_path)
    centres = np.array([centre_of(planes[0]) for planes in frames])
    assert np.ptp(centres, axis=0).max() < 0.05
    peaks = [int(planes[0].max()) for planes in frames]
    assert max(peaks) - min(peaks) <= 1


def grey(folder: Path, name: str, colour: tuple[int, int, int]) -> None:
    picture = np.full((64, 96, 3), colour, np.uint8)
    (folder / name).write_bytes(simplejpeg.encode_jpeg(picture, quality=100, colorsubsampling="444"))


@pytest.mark.parametrize("codec", ["h264", "prores"])
def test_a_dissolve_adds_light_and_not_codes(tmp_path: Path, codec: str) -> None:
    grey(tmp_path, "a.jpg", (255, 0, 120))
    grey(tmp_path, "b.jpg", (0, 0, 200))
    clip = Clip.model_validate({"name": "c", "codec": codec, "between": "dissolve"})
    turns = (Turn(0, 1), Turn(0, 1, 0.5), Turn(0, 1, 0.75), Turn(1, 1))
    frames = rendered(planned(["a.jpg", "b.jpg"], (96, 64), clip, turns=turns), tmp_path)
    seen = [rgb(planes)[16:48, 16:80].mean((0, 1)) for planes in frames]
    # IEC 61966-2-1: code 188 of 255 is half the light of white, 137 a quarter; 120 is 0.1878 and 200 is 0.5776 of
    # it, so that their half is 0.3827 (code 166) and a quarter and three quarters 0.4801 (184).
    expected = [(255, 0, 120), (188, 0, 166), (137, 0, 184), (0, 0, 200)]
    assert np.abs(np.array(seen) - expected).max() < 2.5


def test_a_dissolve_costs_no_more_decoding_than_its_frames(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in "abc":
        grey(tmp_path, f"{name}.jpg", (100, 100, 100))
    decoded: list[str] = []
    whole = decoding.Decoder.decode
    monkeypatch.setattr(decoding.Decoder, "decode", lambda self, path: decoded.append(path.name) or whole(self, path))
    names = ["a.jpg", "b.jpg", "c.jpg"]
    for wish in ({"between": "dissolve"}, {"end_zoom": 2.0}, {"between": "dissolve", "end_zoom": 2.0}):
        decoded.clear()
        clip = Clip.model_validate({"name": "c", "length_s": 1.0, "size_px": (32, 16), "hold_end_s": 0, **wish})
        assert len(rendered(planned(names, (96, 64), clip), tmp_path)) == 25
        assert sorted(decoded) == names


def test_a_frame_that_is_mixed_in_and_broken_is_left_out_and_told(tmp_path: Path) -> None:
    grey(tmp_path, "a.jpg", (100, 100, 100))
    (tmp_path / "b.jpg").write_bytes(b"nothing")
    turns = (Turn(0, 1), Turn(0, 1, 0.5), Turn(1, 1))
    plan = planned(["a.jpg", "b.jpg"], (96, 64), Clip(name="c", between="dissolve"), turns=turns)
    rendering = Rendering(plan, tmp_path, ROOM)
    lumas = [int(views(picture)[0][0, 0]) for picture, _ in rendering.pictures()]
    assert lumas == [102, 102, 102]
    assert list(rendering.broken) == ["b.jpg"]


@pytest.mark.parametrize(("codec", "bars"), [("h264", "#204080"), ("prores", "#c81e3c")])
def test_a_whole_frame_stands_between_bars_of_the_stated_colour(tmp_path: Path, codec: str, bars: str) -> None:
    grey(tmp_path, "a.jpg", (90, 200, 60))
    clip = Clip.model_validate(
        {"name": "c", "codec": codec, "size_px": (64, 64), "fill": False, "bars": bars, "hold_end_s": 0}
    )
    (planes,) = rendered(planned(["a.jpg"], (96, 64), clip), tmp_path)
    seen = rgb(planes)
    colour = [int(bars[at : at + 2], 16) for at in (1, 3, 5)]
    assert np.abs(seen[:9] - colour).max() < 2
    assert np.abs(seen[-9:] - colour).max() < 2
    assert np.abs(seen[12:52] - (90, 200, 60)).max() < 2.5


def test_enlarging_is_smooth(tmp_path: Path) -> None:
    ramp = np.repeat(np.repeat(np.arange(40, 200, 5, dtype=np.uint8)[None, :, None], 24, 0), 3, 2)
    (tmp_path / "a.jpg").write_bytes(simplejpeg.encode_jpeg(np.ascontiguousarray(ramp), quality=100))
    clip = Clip(name="c", size_px=(128, 96), enlarge=True, hold_end_s=0)
    (planes,) = rendered(planned(["a.jpg"], (32, 24), clip), tmp_path)
    steps = np.diff(planes[0][48, 8:120].astype(int))
    assert steps.min() >= 0
    assert steps.max() <= 2  # a nearest neighbour's would be 4


@pytest.mark.parametrize("kind", ["grey", "png"])
def test_every_kind_of_frame_can_move(tmp_path: Path, kind: str, scene: Callable) -> None:
    picture = scene(320, 240)
    name = "a.png" if kind == "png" else "a.jpg"
    if kind == "png":
        cv2.imwrite(str(tmp_path / name), picture)
    else:
        one = np.ascontiguousarray(picture[:, :, :1])
        data = simplejpeg.encode_jpeg(one, quality=100, colorspace="GRAY", colorsubsampling="Gray")
        (tmp_path / name).write_bytes(data)
        picture = np.repeat(one, 3, 2)
    clip = Clip(name="c", size_px=(96, 72), length_s=0.2, hold_end_s=0, end_zoom=2, end_focus=(0.3, 0.6))
    plan = planned([name], (320, 240), clip)
    last = plan.pieces[-1].crop
    assert last == Rect(16, 84, 160, 120)
    expected = cv2.resize(picture[84:204, 16:176], (96, 72), interpolation=cv2.INTER_AREA)
    assert np.abs(rgb(rendered(plan, tmp_path)[-1])[:, :, ::-1] - expected).mean() < 3


def test_none_to_decode_is_said(tmp_path: Path) -> None:
    (tmp_path / "a.jpg").write_bytes(b"nothing")
    with pytest.raises(UserError, match="none of the 1 frames"):
        rendered(planned(["a.jpg"], (96, 64), Clip(name="c")), tmp_path)


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_rows_that_are_not_shown_are_not_decoded_and_change_nothing(
    tmp_path: Path, scene: Callable, save: Callable, monkeypatch: pytest.MonkeyPatch, orientation: int
) -> None:
    save(tmp_path / "a.jpg", scene(640, 480))
    focus = {1: (0.5, 0.0), 3: (0.5, 1.0), 6: (1.0, 0.5), 8: (0.0, 0.5)}[orientation]  # what is stored at the top
    still, moving = (Clip(name="c", size_px=(160, 40), focus=focus, zoom=1.5, end_zoom=end) for end in (None, 1.3))
    plans = [planned(["a.jpg"], (640, 480), clip, orientation) for clip in (still, moving)]
    assert max(rendering.rows_of(plan) for plan in plans) < 480
    upper = [rendered(plan, tmp_path) for plan in plans]
    monkeypatch.setattr(rendering, "rows_of", lambda edit: edit.stored[1])
    whole = [rendered(plan, tmp_path) for plan in plans]
    for got, wanted in zip(chain(*upper), chain(*whole), strict=True):
        assert all(np.array_equal(one, two) for one, two in zip(got, wanted, strict=True))
