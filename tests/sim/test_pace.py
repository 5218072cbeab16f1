import asyncio

import pytest

from lapsed.sim.pace import BEHIND_S, Pace


def test_simulated_time_passes_as_many_times_faster(time, pace: Pace) -> None:
    time.now_s += 3
    assert pace.simulated() == 6


async def test_waits_for_real_time(time, pace: Pace) -> None:
    await pace.until(10)
    assert time.now_s == 1005


async def test_small_waits_are_saved_up(time, pace: Pace) -> None:
    for step in range(1, 1001):
        await pace.until(step * 0.002)
    assert time.now_s == pytest.approx(1001, abs=0.005)


async def test_slow_computer_stretches_time_instead_of_catching_up(time, pace: Pace) -> None:
    time.now_s += BEHIND_S * 2
    await pace.until(0.1)
    assert pace.simulated() == pytest.approx(0.1)


async def test_others_get_their_turn_when_nothing_waits(time, pace: Pace) -> None:
    turns: list[str] = []

    async def other() -> None:
        turns.append("other")

    task = asyncio.create_task(other())
    time.now_s += 0.003
    await pace.until(0)
    assert turns == ["other"]
    await task
