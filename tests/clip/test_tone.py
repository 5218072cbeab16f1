from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest

from lapsed.clip.codec import CODECS, Pixels
from lapsed.clip.colour import BT601, from_rgb
from lapsed.clip.decoding import Decoder
from lapsed.clip.finish import finish
from lapsed.clip.orient import Rect
from lapsed.clip.planes import Shaper, views
from lapsed.clip.srgb import LIGHT, to_code, to_light
from lapsed.clip.tone import KNEE, NEUTRAL, tone

# JFIF (ITU-T T.871, clause 7), for R'G'B' and Y'CbCr on the scale of 255, chroma about 128.
TO_YCC = from_rgb(*BT601)


@pytest.mark.parametrize(
    ("code", "light"),
    # IEC 61966-2-1: 18 % grey, the foot's end, and 50 % light at code 188, as handbooks table it.
    [(0.0, 0.0), (1.0, 1.0), (0.04045, 0.0031308), (118 / 255, 0.1812), (188 / 255, 0.5029), (5 / 255, 0.001518)],
)
def test_the_curve_is_that_of_the_standard(code: float, light: float) -> None:
    assert float(to_light(np.array(code))) == pytest.approx(light, rel=1e-3)
    assert float(to_code(np.array(light))) == pytest.approx(code, abs=1e-4)


@pytest.mark.parametrize(
    "gain", [(1.05,) * 3, (0.93,) * 3, (1.4,) * 3, (0.71,) * 3, (1.06, 0.99, 0.95), (0.98, 1.0, 1.03)]
)
def test_a_gain_on_planes_is_the_gain_in_light(gain: tuple[float, float, float]) -> None:
    rgb = np.random.default_rng(1).uniform(0.08, 0.9, (500, 3))
    rgb = rgb[(to_light(rgb) * gain).max(axis=1) < KNEE * min(1, *gain) - 0.02]
    assert len(rgb) > 100
    wanted = 255 * to_code(to_light(rgb) * gain) @ TO_YCC.T + [0, 128, 128]
    ycc = 255 * rgb @ TO_YCC.T + [0, 128, 128]
    step = tone(gain)
    ycc[:, 0] = np.interp(ycc[:, 0], np.arange(256), step.curve)
    got = ycc @ step.chroma.matrix.T + step.chroma.offset
    assert np.abs(got - wanted).max() < 1.0
    assert step.coloured == (len(set(gain)) > 1)


@pytest.mark.parametrize("gain", [0.5, 0.7, 0.9, 0.97, 1.03, 1.1, 1.4, 2.0])
def test_what_was_not_clipped_is_not_clipped_by_a_gain(gain: float) -> None:
    curve = tone((gain,) * 3).curve
    assert curve[255] == 255
    assert curve[:255].max() <= 254
    assert (np.diff(curve) >= 0).all()
    lit = np.flatnonzero(gain * LIGHT < KNEE * min(gain, 1))
    assert np.abs(curve[lit] - 255 * to_code(gain * LIGHT[lit])).max() <= 0.001


def test_no_gain_changes_nothing() -> None:
    step = tone(NEUTRAL)
    assert np.allclose(step.curve[:200], np.arange(200), atol=1e-3)
    assert np.allclose(step.chroma.matrix, np.eye(3))
    assert np.allclose(step.chroma.offset, 0)


@pytest.mark.parametrize("gain", [(1.08, 1.08, 1.08), (1.05, 1.0, 0.96)])
@pytest.mark.parametrize("pixels", [CODECS["h264"].pixels, CODECS["prores"].pixels])
def test_a_delivery_s_picture_carries_the_gain(
    tmp_path: Path, save: Callable, gain: tuple[float, float, float], pixels: Pixels
) -> None:
    colours = np.array([[60, 90, 160], [128, 128, 128], [40, 120, 60], [110, 70, 50]], np.uint8)  # BGR
    lit = 255 * to_code(to_light(colours / 255) * gain[::-1])
    pictures = []
    for name, patches, factor in (("plain", colours, gain), ("lit", lit.round().astype(np.uint8), NEUTRAL)):
        picture = cv2.resize(patches.reshape(2, 2, 3), (128, 96), interpolation=cv2.INTER_NEAREST)
        path = save(tmp_path / f"{name}.jpg", picture)
        shaper, decoder = Shaper((128, 96), (64, 48), 1, pixels), Decoder((128, 96), 1, path)
        pictures.append(
            [plane.copy() for plane in views(shaper.shape(decoder.decode(path), Rect(0, 0, 128, 96), factor))]
        )
    for got, wanted in zip(*pictures, strict=True):
        assert np.abs(got.astype(int) - wanted)[2:-2, 2:-2].mean() < (1 if pixels.bits == 8 else 4)


@pytest.mark.parametrize("gain", [0.93, 1.04, 1.21])
@pytest.mark.parametrize(("deep", "pixels"), [(False, CODECS["h264"].pixels), (True, CODECS["prores"].pixels)])
def test_an_evened_grey_is_rounded_once(gain: float, deep: bool, pixels: Pixels) -> None:
    """Each sample of each line is the code next to BT.709-6's (item 3.4) for the light that the gain makes of it."""
    of, kind = (4, np.uint16) if deep else (1, np.uint8)
    codes = np.arange(11, 170) * of
    luma = np.tile(codes.astype(kind), (300, 2))[:, :318]
    chroma = [np.full((150 if pixels.both else 300, 159), 128 * of, kind) for _ in range(2)]
    to = [np.zeros((300, 318), kind), *(np.zeros_like(plane) for plane in chroma)]
    finish([luma, *chroma], to, (gain,) * 3)
    wanted = of * (16 + 219 * to_code(gain * to_light(luma / (255 * of))))
    unbent = gain * to_light(luma / (255 * of)) < KNEE * min(gain, 1)
    assert np.abs(to[0] - wanted)[unbent].max() < 0.51
    assert all((plane == 128 * of).all() for plane in to[1:])
