"""A fixed set of days; `python -m tests.chaos` has as many more as one has time for."""

import pytest

from tests.chaos import serial_day
from tests.chaos.day import LAYERS, Counts, live
from tests.chaos.script import script

pytestmark = pytest.mark.slow


@pytest.mark.parametrize("seed", range(1, 5))
async def test_whatever_goes_wrong_on_a_day_every_promise_is_kept(seed, tmp_path):
    counts = Counts()
    await live(tmp_path, script(seed, LAYERS, 6), counts)
    assert (counts.days, counts.faults.total()) == (1, 6)


@pytest.mark.parametrize("seed", [101, 102])
async def test_a_daemon_killed_at_any_instant_loses_nothing_that_was_safe(seed, tmp_path):
    counts = Counts()
    await live(tmp_path, script(seed, LAYERS, 6, ("kill",)), counts)
    assert counts.faults == {"kill": 6}
    assert counts.landed >= 6  # the print after it among them


@pytest.mark.parametrize(("seed", "hosts_killed"), [(2003, False), (3, True)])
async def test_whatever_goes_wrong_on_a_serial_line_the_machine_carries_out_what_was_streamed(
    seed, hosts_killed, tmp_path
):
    counts = Counts()
    await serial_day.live(tmp_path, seed, counts, hosts_killed=hosts_killed)
    assert (counts.days, counts.faults.total()) == (1, 9)
