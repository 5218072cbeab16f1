import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from pathlib import Path

import pytest

from lapsed.sim import rpc
from lapsed.sim.bench import Bench, read_lines
from lapsed.sim.log import Log
from lapsed.sim.machine import Machine
from lapsed.sim.pace import Pace

Up = Callable[..., AbstractAsyncContextManager[tuple[Bench, Log]]]


@pytest.fixture
def up(pace: Pace) -> Up:
    """A bench that feeds, on virtual time."""

    @asynccontextmanager
    async def start(**options: bool) -> AsyncIterator[tuple[Bench, Log]]:
        log = Log()
        bench = Bench(Machine(), pace, log, **options)
        feeding = asyncio.create_task(bench.feed())
        yield bench, log
        feeding.cancel()
        await asyncio.gather(feeding, return_exceptions=True)

    return start


def lines(log: Log, source: str) -> list[object]:
    return [record["line"] for record in log.records if record.get("from") == source]


def events(log: Log) -> list[object]:
    return [record["event"] for record in log.records if "event" in record]


async def turns(count: int = 100) -> None:
    for _ in range(count):
        await asyncio.sleep(0)


async def some_lines(log: Log, count: int) -> None:
    while len(lines(log, "print")) < count:
        await turns(1)


async def test_print_carries_out_the_file_line_for_line(up: Up, tower: Callable[[int], Path]) -> None:
    async with up() as (bench, log):
        await bench.begin(tower(30))
        await bench.ended.wait()
    assert lines(log, "print") == tower(30).read_text().splitlines()
    assert events(log) == ["begin", "running", "finished"]
    times = [record["t"] for record in log.records]
    assert times == sorted(times)


async def test_file_with_odd_bytes_and_line_ends(up: Up, tmp_path: Path) -> None:
    path = tmp_path / "odd.gcode"
    path.write_bytes(b"G28\r\nM117 \xff\xfe\r\n\r\nG1 X5")
    async with up() as (bench, log):
        await bench.begin(path)
        await bench.ended.wait()
    assert lines(log, "print") == ["G28", "M117 \udcff\udcfe", "", "G1 X5"]


async def test_real_time_is_simulated_time_over_the_speed(up: Up, pace: Pace, tower: Callable[[int], Path]) -> None:
    start = pace.now()
    async with up() as (bench, log):
        await bench.begin(tower(30))
        await bench.ended.wait()
        expected = bench.facts()["job"]["expected_s"]
    assert isinstance(expected, float)
    assert pace.now() - start == pytest.approx(expected, abs=0.01)
    assert log.records[-1]["t"] == pytest.approx(2 * expected, abs=0.01)


async def test_hold_stops_between_two_lines(up: Up, tower: Callable[[int], Path]) -> None:
    async with up() as (bench, log):
        await bench.begin(tower(30))
        await some_lines(log, 40)
        await bench.hold()
        held_at = lines(log, "print")
        assert bench.stage == "held"
        await turns()
        assert lines(log, "print") == held_at
        bench.carry_on()
        await bench.ended.wait()
    assert lines(log, "print") == tower(30).read_text().splitlines()
    assert events(log) == ["begin", "running", "held", "running", "finished"]


async def test_lines_run_in_a_hold_move_the_head_and_the_print_is_none_the_wiser(
    up: Up, tower: Callable[[int], Path]
) -> None:
    async with up() as (bench, log):
        await bench.begin(tower(30))
        await some_lines(log, 40)
        await bench.hold()
        before = bench.facts()["head"]
        await bench.run(["G90", "G1 X0 Y190 F9000", "M400"])
        head = bench.scene()["head"]
        assert isinstance(head, dict)
        assert (head["x"], head["y"]) == pytest.approx((0, 190))
        back = f"G1 X{before['x']} Y{before['y']} F{before['feed_mm_min']}"
        await bench.run(["G90", back, "M83", "M400"])
        assert bench.facts()["head"] == before
        bench.carry_on()
        await bench.ended.wait()
    assert lines(log, "print") == tower(30).read_text().splitlines()
    assert lines(log, "run") == ["G90", "G1 X0 Y190 F9000", "M400", "G90", back, "M83", "M400"]
    parked = next(record for record in log.records if record.get("line") == "M400")
    assert parked["head_at"] == pytest.approx((0, 190, before["z"]))
    assert parked["at"] == pytest.approx((0, 190, before["z"], before["e"]))


async def test_lines_run_without_a_hold_stay_together(up: Up, tower: Callable[[int], Path]) -> None:
    async with up() as (bench, log):
        await bench.begin(tower(30))
        await some_lines(log, 40)
        await bench.run(["M400", "M118 one", "M118 two"])
        await bench.ended.wait()
    at = [record.get("line") for record in log.records].index("M400")
    assert [record.get("from") for record in log.records[at - 1 : at + 4]] == ["print", "run", "run", "run", "print"]
    assert lines(log, "print") == tower(30).read_text().splitlines()


async def test_lines_run_without_a_print(up: Up) -> None:
    async with up() as (bench, log):
        await bench.run(["G1 X30 F600", "M400"])
        assert bench.stage == "idle"
    assert log.records[-1]["head_at"] == pytest.approx((30, 0, 0))


async def test_the_users_pause_outlasts_a_hold(up: Up, tower: Callable[[int], Path]) -> None:
    async with up() as (bench, log):
        await bench.begin(tower(30))
        await some_lines(log, 40)
        await bench.hold()
        await bench.pause()
        assert bench.stage == "paused"
        bench.carry_on()
        await turns()
        assert bench.stage == "paused"
        bench.unpause()
        await bench.ended.wait()
    assert events(log) == ["begin", "running", "held", "paused", "running", "finished"]


async def test_abandoned_print_stops(up: Up, tower: Callable[[int], Path]) -> None:
    async with up() as (bench, log):
        await bench.begin(tower(30))
        await some_lines(log, 40)
        await bench.abandon()
        done = lines(log, "print")
        await turns()
        assert bench.stage == "abandoned"
        with pytest.raises(rpc.RpcError, match="nothing is being printed"):
            await bench.hold()
        await bench.begin(tower(2))
        await bench.ended.wait()
    assert lines(log, "print") == done + tower(2).read_text().splitlines()


async def test_print_that_ends_before_the_hold_says_so(up: Up, tower: Callable[[int], Path]) -> None:
    async with up() as (bench, log):
        await bench.begin(tower(30))
        await some_lines(log, 40)
        holding = asyncio.create_task(bench.hold())
        await asyncio.sleep(0)
        await bench.abandon()
        with pytest.raises(rpc.RpcError, match="ended meanwhile"):
            await holding


async def test_two_prints_at_once_are_refused(up: Up, tower: Callable[[int], Path]) -> None:
    async with up() as (bench, _):
        await bench.begin(tower(30))
        with pytest.raises(rpc.RpcError, match="abandon it first"):
            await bench.begin(tower(30))


async def test_each_run_has_its_own_name(up: Up, tower: Callable[[int], Path]) -> None:
    async with up() as (bench, _):
        first = await bench.begin(tower(1))
        await bench.ended.wait()
        assert await bench.begin(tower(1)) != first


async def test_missing_file(up: Up, tmp_path: Path) -> None:
    async with up() as (bench, _):
        with pytest.raises(rpc.RpcError, match="No such file"):
            await bench.begin(tmp_path / "none.gcode")


async def test_facts(up: Up, tower: Callable[[int], Path]) -> None:
    async with up() as (bench, _):
        assert bench.facts()["job"] == {"stage": "idle"}
        run = await bench.begin(tower(30))
        assert bench.facts()["job"]["layer"] == 0
        await bench.ended.wait()
        job = bench.facts()["job"]
    duration = job.pop("expected_s")
    assert isinstance(duration, float)
    assert duration > 0
    assert job == {
        "stage": "finished",
        "done": 1.0,
        "file": "tower.gcode",
        "run": run,
        "detail": "",
        "layer": 30,
        "layers": 30,
        "height_mm": pytest.approx(6.0),
        "part_height_mm": pytest.approx(6.0),
    }


async def test_host_that_knows_no_layers(up: Up, tower: Callable[[int], Path]) -> None:
    async with up(tell_layers=False) as (bench, _):
        await bench.begin(tower(30))
        await bench.ended.wait()
        assert not bench.facts()["job"].keys() & {"layer", "layers", "height_mm", "part_height_mm"}


async def test_scene_follows_the_head_through_the_file(up: Up, tower: Callable[[int], Path]) -> None:
    counts = []
    async with up() as (bench, log):
        assert bench.scene()["file"] is None
        await bench.begin(tower(30))
        while not bench.ended.is_set():
            counts.append((bench.scene()["lines_done"], len(lines(log, "print"))))
            await asyncio.sleep(0)
        assert bench.scene()["file"] == str(tower(30))
        assert bench.scene()["lines_done"] == len(read_lines(tower(30)))
    assert all(done <= commanded for done, commanded in counts)
    assert any(done < commanded for done, commanded in counts)
    assert [done for done, _ in counts] == sorted(done for done, _ in counts)
