import tracemalloc
from array import array
from dataclasses import replace
from fractions import Fraction
from functools import cache

import av
import numpy as np
import pytest
from av.filter import Graph

from lapsed.clip.even import Course, even, flicker
from lapsed.clip.measure import Light, measure
from lapsed.clip.srgb import LIGHT, to_code
from lapsed.clip.tone import NEUTRAL
from tests.clip.workshop import bench

FRAMES = 120
SIZE = (160, 120)


@cache
def sequence() -> tuple[np.ndarray, tuple[np.ndarray, ...]]:
    """The true light of each frame, as a logarithm, and the frames with flicker of 4 %, two of them far off."""
    rng = np.random.default_rng(7)
    place = np.arange(FRAMES)
    trend = -0.4 * place / FRAMES + 0.1 * np.sin(2 * np.pi * place / 90)
    off = rng.normal(0, 0.04, FRAMES)
    off[[40, 77]] = -0.28, 0.24
    view = bench(SIZE)
    frames = tuple(view.seen(part=i / FRAMES, gain=float(np.exp(trend[i] + off[i])), noise=rng) for i in range(FRAMES))
    return trend, frames


def still(picture: np.ndarray) -> float:
    """The light of what does not grow, as a logarithm."""
    return float(np.log(LIGHT[picture[30:, :50]].mean()))


def errors(course: np.ndarray) -> tuple[float, float]:
    """How far a course of light is from the true one, and how much of the flicker is left from frame to frame."""
    off = course - sequence()[0]
    off -= off.mean()
    return float(off.std()), float(np.diff(off).std())


def evened() -> np.ndarray:
    frames = sequence()[1]
    gains = [each.gain[0] for each in even([measure(frame, frame) for frame in frames], Course())]
    lit = [255 * to_code(np.clip(LIGHT[frame] * gain, 0, 1)) for frame, gain in zip(frames, gains, strict=True)]
    return np.array([still(np.round(frame).astype(np.uint8)) for frame in lit])


def general_filter(size: int) -> np.ndarray:
    """The same frames through FFmpeg's `deflicker`, a general filter for it (FFmpeg's own documentation of filters)."""
    graph = Graph()
    source = graph.add("buffer", f"video_size={SIZE[0]}x{SIZE[1]}:pix_fmt=yuv444p:time_base=1/25:range=pc")
    nodes = source, graph.add("deflicker", f"size={size}:mode=am"), graph.add("buffersink")
    graph.link_nodes(*nodes).configure()
    course = []
    for number, picture in enumerate((*sequence()[1], None)):
        frame = None
        if picture is not None:
            frame = av.VideoFrame.from_ndarray(picture, "bgr24").reformat(format="yuv444p", dst_color_range="JPEG")
            frame.pts, frame.time_base = number, Fraction(1, 25)
        graph.push(frame)
        try:
            while True:
                out = graph.pull().reformat(format="bgr24", src_color_range="JPEG", dst_color_range="JPEG")
                course.append(still(out.to_ndarray()))
        except (av.error.BlockingIOError, av.error.EOFError):
            continue
    return np.array(course)


def test_flicker_goes_and_the_real_change_stays_better_than_by_a_general_filter() -> None:
    _, raw_flicker = errors(np.array([still(frame) for frame in sequence()[1]]))
    error, left = errors(evened())
    assert raw_flicker > 0.06
    assert left < raw_flicker / 12
    assert error < 0.02
    for size in (5, 15, 25):
        general_error, general_left = errors(general_filter(size))
        assert error < 0.6 * general_error
        assert left < 0.6 * general_left


def lights(levels: np.ndarray, peak: float = 0.5) -> list[Light]:
    """Frames of 48 tiles whose channels stand at `levels`, (frames, 3) or (frames,)."""
    tall = levels if levels.ndim == 2 else np.repeat(levels[:, None], 3, axis=1)
    spread = np.linspace(0.5, 1.5, 48)[:, None]
    return [
        Light(float(row.mean()), 0, 0, 1, 0, 0, peak, 0.1, array("f", (row * spread).ravel()), str(i))
        for i, row in enumerate(tall)
    ]


def test_a_lamp_that_is_switched_stays_switched() -> None:
    rng = np.random.default_rng(8)
    wave = rng.normal(0, 0.01, 120)
    level = 0.1 * np.exp(np.where(np.arange(120) < 60, 0, 0.5) + wave)
    tiles = np.array([light.tiles for light in lights(level)])[:, ::3]
    off = flicker(np.arange(120), tiles, 49)
    assert np.abs(off - wave).max() < 0.02


def test_a_single_flash_is_no_switch() -> None:
    level = np.full(60, 0.1)
    level[30] *= 1.4
    gains = [each.gain[0] for each in even(lights(level), Course())]
    assert gains[30] == pytest.approx(1 / 1.4, abs=0.005)
    assert gains[:30] + gains[31:] == pytest.approx([1.0] * 59, abs=0.005)


def test_lamps_that_drift_in_colour_are_evened_by_channel_on_wish_only() -> None:
    rng = np.random.default_rng(9)
    off = rng.normal(0, 0.03, (80, 3))
    frames = lights(0.1 * np.exp(off))
    grey, colour = (even(frames, Course(colour=colour)) for colour in (False, True))
    assert all(len(set(each.gain)) == 1 for each in grey)
    gains = np.log([each.gain for each in colour])
    assert np.std(gains + off - (gains + off).mean(axis=0)) < 0.012


def test_gains_are_limited_and_say_so() -> None:
    level = np.full(40, 0.1)
    level[20] /= 4
    evened = even(lights(level), Course(limit_ev=0.25))
    assert (evened[20].gain[0], evened[20].limited) == (pytest.approx(2**0.25, abs=1e-4), True)
    assert not evened[19].limited
    assert evened[20].light_ev == pytest.approx(np.log2(0.025), abs=1e-3)
    assert evened[20].trend_ev == pytest.approx(np.log2(0.1), abs=0.01)


def test_no_gain_lifts_a_coloured_highlight_above_white() -> None:
    level = np.full(40, 0.1)
    level[20] *= 0.8
    evened = even(lights(level, peak=0.9), Course())
    assert evened[20].gain[0] == pytest.approx(1 / 0.9, abs=1e-4)
    assert evened[20].limited
    dark = even(lights(level, peak=0.0), Course())
    assert dark[20].gain[0] == pytest.approx(1.25, abs=0.01)


@pytest.mark.parametrize("frames", [0, 1, 2])
def test_too_few_frames_have_no_trend(frames: int) -> None:
    evened = even(lights(np.linspace(0.1, 0.2, frames)), Course())
    assert [each.gain for each in evened] == [NEUTRAL] * frames


@pytest.mark.parametrize("frames", [3, 4, 6, 11])
def test_short_takes_are_evened_as_far_as_they_tell(frames: int) -> None:
    evened = even(lights(np.full(frames, 0.2)), Course())
    assert [each.gain for each in evened] == [NEUTRAL] * frames


def test_frames_without_light_stay_and_leave_no_mark() -> None:
    level = 0.1 * np.exp(np.random.default_rng(3).normal(0, 0.02, 50))
    whole = even(lights(level), Course())
    holed: list[Light | None] = [*lights(level)]
    holed[25] = None
    evened = even(holed, Course())
    assert evened[25].gain == NEUTRAL
    assert evened[25].light_ev is None
    assert evened[24].gain[0] == pytest.approx(whole[24].gain[0], abs=0.01)
    assert replace(evened[0], gain=NEUTRAL).trend_ev is not None


def test_what_evening_takes_for_each_frame_fits_a_hundred_thousand_into_a_small_computer() -> None:
    random = np.random.default_rng(1)

    def peak(frames: int) -> int:
        tiles = [array("f", 0.2 + 0.01 * random.random(144)) for _ in range(frames)]
        lights = [Light(0.2, 0.1, 0.2, 0.8, 0.0, 0.0, 0.9, 0.3, each, "") for each in tiles]
        tracemalloc.start()
        even(lights, Course())
        most = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return most

    each = (peak(2500) - peak(500)) / 2000  # what the chunks take stays the same
    assert 100_000 * each < 150_000_000
