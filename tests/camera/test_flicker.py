"""Shutter times under lamps on the mains."""

import numpy as np
import pytest

from lapsed.camera.flicker import flicker, ripple, shutter_name

# Whole multiples of 1/100 s at 50 Hz and of 1/120 s at 60 Hz are safe (common practice in film and television).
SAFE = {
    "1/50 at 50 Hz": (1 / 50, 50, "pass"),
    "1/100 at 50 Hz": (1 / 100, 50, "pass"),
    "1/25 at 50 Hz": (1 / 25, 50, "pass"),
    "1/60 at 60 Hz": (1 / 60, 60, "pass"),
    "1/120 at 60 Hz": (1 / 120, 60, "pass"),
    "1/30 at 60 Hz": (1 / 30, 60, "pass"),
    "1/60 at 50 Hz": (1 / 60, 50, "warn"),
    "1/50 at 60 Hz": (1 / 50, 60, "warn"),
    "1/500 at 50 Hz": (1 / 500, 50, "warn"),
    "1/250 at either": (1 / 250, None, "warn"),
    "1/50 at either": (1 / 50, None, "warn"),
    "1/10 at either": (1 / 10, None, "pass"),
    "1/4 at either": (1 / 4, None, "pass"),
    "so long that it evens out": (1.303, None, "pass"),
}


@pytest.mark.parametrize(("exposure_s", "mains_hz", "expected"), SAFE.values(), ids=SAFE)
def test_shutter_times(exposure_s, mains_hz, expected):
    check = flicker(exposure_s, mains_hz)
    assert expected == check.verdict
    assert bool(check.advice) == (check.verdict == "warn")


def test_the_advice_names_the_frequency_that_is_unsafe():
    check = flicker(1 / 50, None)
    assert check.advice.startswith("use a whole multiple of 1/120 s at 60 Hz")
    assert "50 Hz" not in check.found


@pytest.mark.parametrize("exposure_s", [1 / 500, 1 / 125, 1 / 60, 1 / 50, 0.013, 0.3])
@pytest.mark.parametrize("mains_hz", [50, 60])
def test_the_ripple_is_that_of_a_lamp_simulated(exposure_s, mains_hz):
    # Light 1 + sin(2 pi f t) integrated numerically over the exposure, begun at a thousand phases.
    begins = np.linspace(0, 1 / (2 * mains_hz), 1000, endpoint=False)
    instants = (np.arange(4000) + 0.5) / 4000 * exposure_s
    light = 1 + np.sin(4 * np.pi * mains_hz * (begins[:, None] + instants[None, :]))
    assert ripple(exposure_s, mains_hz) == pytest.approx(np.ptp(light.mean(axis=1)) / 2, abs=1e-3)


def test_names_of_shutter_times():
    assert [shutter_name(time_s) for time_s in (1 / 50, 0.25, 0.4, 2.0)] == ["1/50 s", "1/4 s", "0.4 s", "2 s"]
