"""The feed and the simulated host, which know nothing of each other but the default names."""

import asyncio
from collections.abc import Callable
from contextlib import AbstractAsyncContextManager
from pathlib import Path
from typing import Any, cast

import pytest

from lapsed.host.feed import Feed
from lapsed.model import (
    HostEvent,
    LayerSeen,
    LinkDown,
    LinkUp,
    MotionSeen,
    Outcome,
    PrintEnded,
    PrintPaused,
    PrintResumed,
    PrintStarted,
)
from lapsed.settings import Call, FeedLink
from lapsed.sim import faults
from lapsed.sim.host import SimHost
from lapsed.sim.pace import Pace
from lapsed.sim.part import write_part

Following = Callable[..., AbstractAsyncContextManager[Any]]

LAYERS = 12
LINK = FeedLink(url="ws://host")
HOLD, ASK, RUN, RESUME = (cast("Call", call) for call in (LINK.hold, LINK.ask, LINK.run, LINK.resume))
WATCH = {"on_connect": LINK.on_connect, "retry_most_s": 0.1, "reply_within_s": 0.3, "silent_after_s": 0.3}


@pytest.fixture(scope="session")
def part(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("part") / "beacon.gcode"
    path.write_text(write_part(LAYERS), "utf-8")
    return path


def _of(events: list[HostEvent], *kinds: type) -> list[HostEvent]:
    return [event for event in events if isinstance(event, kinds)]


async def test_a_whole_print_is_followed(following: Following, part: Path) -> None:
    async with SimHost(pace=Pace(400)) as sim, following(sim.url, **WATCH) as host:
        await host.until(LinkUp)
        await sim.bench.begin(part)
        await host.until(PrintEnded)
    started, ended = _of(host.events, PrintStarted, PrintEnded)
    assert isinstance(started, PrintStarted)
    assert (started.print.name, started.print.layers, started.joined) == ("beacon.gcode", LAYERS, False)
    assert started.print.identity
    assert ended == PrintEnded(Outcome.FINISHED)
    layers = [event.layer for event in host.events if isinstance(event, LayerSeen)]
    assert layers == sorted(set(layers))
    assert layers[-1] == LAYERS


async def test_the_print_is_held_asked_about_and_let_go_on(following: Following, part: Path) -> None:
    async with SimHost(pace=Pace(50)) as sim, following(sim.url, **WATCH) as host:
        feed: Feed = host.feed
        await host.until(LinkUp)
        await sim.bench.begin(part)
        await host.until(LayerSeen)
        await feed.call(HOLD)
        await host.until(PrintPaused)
        before = len(host.events)
        await feed.call(ASK)
        (told,) = _of(host.events[before:], MotionSeen)
        await feed.call(RUN, ["G91", "G1 Z1", "G90"])
        await feed.call(ASK)
        lifted = _of(host.events, MotionSeen)[-1]
        assert isinstance(told, MotionSeen)
        assert isinstance(lifted, MotionSeen)
        assert lifted.motion.position.z == pytest.approx(told.motion.position.z + 1)
        await feed.call(RUN, ["G91", "G1 Z-1", "G90"])
        await feed.call(RESUME)
        await host.until(PrintResumed)
        assert host.events.index(PrintPaused(held=True)) < before


async def test_faults_of_every_sort_never_end_the_print_for_us(following: Following, part: Path) -> None:
    sorts = (
        *(faults.Garbage(seed=1), faults.Drop(), faults.Big(), faults.Stall(for_s=1.0), faults.Garbage(seed=2)),
        *(faults.NoReplies(), faults.Drop(), faults.Restart(away_s=0.1), faults.Big(size=6_000_000)),
        *(faults.ErrorReplies(count=2), faults.Drop(bytes_sent=0), faults.LayerBurst(count=2), faults.RepeatLayer()),
    )
    async with SimHost(pace=Pace(1)) as sim, following(sim.url, **WATCH) as host:
        await sim.bench.begin(part)
        await host.until(PrintStarted)
        for fault in sorts:
            heard = len(_of(host.events, LinkUp))
            sim.strike(fault)
            if isinstance(fault, faults.Drop | faults.Restart | faults.Stall) or getattr(fault, "size", 0) > 4e6:
                await host.until(LinkUp, heard + 1)
                await host.until(PrintStarted, len(_of(host.events, LinkUp)))
        assert _of(host.events, PrintEnded) == []
        prints = [event.print for event in host.events if isinstance(event, PrintStarted)]
        assert len({(told.name, told.identity) for told in prints}) == 1
        sim.strike(faults.Fail(detail="too cold"))
        assert await host.until(PrintEnded) == [PrintEnded(Outcome.FAILED, "too cold")]
    assert len(_of(host.events, LinkDown)) in {len(_of(host.events, LinkUp)), len(_of(host.events, LinkUp)) - 1}


async def test_ten_restarts_in_mid_print_lose_nothing_but_what_went_by(following: Following, part: Path) -> None:
    async with SimHost(pace=Pace(20)) as sim, following(sim.url, **WATCH) as host:
        await sim.bench.begin(part)
        for life in range(1, 11):
            await host.until(PrintStarted, life)
            sim.strike(faults.Restart(away_s=0.01))
            await host.until(LinkDown, life)
        await host.until(PrintStarted, 11)
        await asyncio.wait_for(host.feed.call(LINK.on_connect[0]), 5)
        ups = [event.gap_s for event in host.events if isinstance(event, LinkUp)]
    assert ups[0] is None
    assert all(gap is not None and 0 < gap < 3 for gap in ups[1:])
    assert _of(host.events, PrintEnded) == []
