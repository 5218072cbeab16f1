import asyncio
import itertools
import json
import logging
import signal
import sys
from collections.abc import Callable
from contextlib import AbstractAsyncContextManager
from pathlib import Path
from typing import Any

import pytest
from websockets.asyncio.client import connect
from websockets.exceptions import ConnectionClosed, InvalidStatus

from lapsed.errors import UserError
from lapsed.settings import FeedLink
from lapsed.sim import faults, rpc
from lapsed.sim.faults import Order
from lapsed.sim.host import SimHost
from lapsed.sim.pace import Pace

Calling = Callable[[str], AbstractAsyncContextManager[Any]]
Tower = Callable[[int], Path]

SLOW = 200.0
"""So fast that a tower's layer, some 2.7 s, takes about 15 ms."""


@pytest.fixture(autouse=True)
def _quiet(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.CRITICAL, "websockets.server")  # broken connections are what is tested


def printed(host: SimHost) -> list[object]:
    return [record["line"] for record in host.log.records if record.get("from") == "print"]


def as_in(path: Path) -> list[str]:
    return path.read_text().splitlines()


# -------------------------------------------------------------------------------------------------- calls and news


async def test_watching_a_print(fast: Pace, calling: Calling, tower: Tower) -> None:
    async with SimHost(pace=fast) as host, calling(host.url) as caller:
        answer = await caller.call("bench.watch")
        assert answer["result"]["job"] == {"stage": "idle"}
        begun = await caller.call("job.begin", file=str(tower(20)))
        await caller.until_job(stage="finished")
        assert caller.told("job", "layer") == list(range(21))
        assert caller.told("job", "stage") == ["running", "finished"]
        assert caller.told("job", "run") == [begun["result"]["run"]]
        assert caller.told("job", "file") == ["tower.gcode"]
        assert caller.told("job", "done")[-1] == 1.0
        assert caller.console() == ["now printing"]
        told = await caller.call("bench.tell")
        assert told["result"]["job"]["stage"] == "finished"
        assert told["result"]["head"]["z"] == pytest.approx(4.0)
    assert printed(host) == as_in(tower(20))


async def test_news_holds_only_what_changed(fast: Pace, calling: Calling, tower: Tower) -> None:
    async with SimHost(pace=fast) as host, calling(host.url) as caller:
        await caller.call("bench.watch")
        await caller.call("job.begin", file=str(tower(30)))
        await caller.until_job(stage="finished")
        for name in ("layer", "stage", "done", "file", "expected_s"):
            values = caller.told("job", name)
            assert all(before != after for before, after in itertools.pairwise(values)), name


async def test_who_comes_late_gets_all_facts(calling: Calling, tower: Tower) -> None:
    async with SimHost(pace=Pace(SLOW)) as host, calling(host.url) as caller, calling(host.url) as late:
        await caller.call("bench.watch")
        await caller.call("job.begin", file=str(tower(20)))
        await caller.until_job(layer=5)
        facts = (await late.call("bench.watch"))["result"]
        assert facts["job"]["layer"] >= 5
        assert facts["job"]["layers"] == 20
        assert facts["job"].keys() >= {"stage", "run", "file", "done", "expected_s", "height_mm", "part_height_mm"}
        await late.until_job(layer=20)
        assert late.told("job", "layer") == list(range(facts["job"]["layer"] + 1, 21))


def at(pointer: str, message: object) -> object:
    # RFC 6901, section 4, for pointers without escapes
    for step in pointer.split("/")[1:]:
        assert isinstance(message, dict)
        message = message[step]
    return message


async def test_facts_stand_where_the_default_link_looks_for_them(fast: Pace, calling: Calling, tower: Tower) -> None:
    link = FeedLink(url="ws://host")
    async with SimHost(pace=fast) as host, calling(host.url) as caller:
        await caller.call("job.begin", file=str(tower(2)))
        await host.bench.ended.wait()
        assert link.ask is not None
        assert link.ask.method is not None
        answer = await caller.call(link.ask.method)
    pointers = [value for value in link.facts.model_dump().values() if isinstance(value, tuple)]
    found = [at(pointer, answer) for places in pointers for pointer in places if pointer.startswith("/result/")]
    assert len(found) == len(pointers) - 1  # the console alone is told and never asked for
    assert None not in found
    assert answer["result"]["job"]["stage"] in link.states.finished


async def test_hold_run_and_carry_on(calling: Calling, tower: Tower) -> None:
    async with SimHost(pace=Pace(SLOW)) as host, calling(host.url) as caller:
        await caller.call("bench.watch")
        await caller.call("job.begin", file=str(tower(20)))
        await caller.until_job(layer=5)
        assert (await caller.call("job.hold"))["result"] == {}
        assert caller.told("job", "stage")[-1] == "held"
        held = printed(host)
        await caller.call("lines.run", lines=["G90", "G1 X0 Y190 F9000", "M400", "M118 here"])
        scene = (await caller.call("bench.scene"))["result"]
        assert (scene["head"]["x"], scene["head"]["y"]) == pytest.approx((0, 190))
        assert scene["lines_done"] == len(held)
        assert caller.console()[-1] == "here"
        assert printed(host) == held
        await caller.call("job.carry-on")
        await caller.until_job(stage="finished")
    assert printed(host) == as_in(tower(20))


async def test_pause_and_abandon(calling: Calling, tower: Tower) -> None:
    async with SimHost(pace=Pace(SLOW)) as host, calling(host.url) as caller:
        await caller.call("bench.watch")
        await caller.call("job.begin", file=str(tower(20)))
        await caller.call("job.pause")
        await caller.call("job.unpause")
        await caller.call("job.abandon")
        assert caller.told("job", "stage") == ["running", "paused", "running", "abandoned"]


# Codes by JSON-RPC 2.0, section 5.1; -32000 is from the range that it leaves to servers.
@pytest.mark.parametrize(
    ("message", "code"),
    [
        ("{", rpc.PARSE_ERROR),
        (b"\x00\xff", rpc.PARSE_ERROR),
        ("[]", rpc.INVALID_REQUEST),
        ('{"jsonrpc":"2.0","method":1,"id":1}', rpc.INVALID_REQUEST),
        ('{"jsonrpc":"2.0","method":"foobar","id":"1"}', rpc.METHOD_NOT_FOUND),
        ('{"jsonrpc":"2.0","method":"bench.tell","params":[1],"id":1}', rpc.INVALID_PARAMS),
        ('{"jsonrpc":"2.0","method":"lines.run","params":{"lines":"G28"},"id":1}', rpc.INVALID_PARAMS),
        ('{"jsonrpc":"2.0","method":"lines.run","params":{"lines":["G28\\nM400"]},"id":1}', rpc.INVALID_PARAMS),
        ('{"jsonrpc":"2.0","method":"job.begin","id":1}', rpc.INVALID_PARAMS),
        ('{"jsonrpc":"2.0","method":"job.begin","params":{"file":"/none"},"id":1}', rpc.INVALID_PARAMS),
        ('{"jsonrpc":"2.0","method":"bench.fault","params":{"kind":"flood"},"id":1}', rpc.INVALID_PARAMS),
        ('{"jsonrpc":"2.0","method":"job.hold","id":1}', rpc.NOT_NOW),
    ],
)
async def test_errors(fast: Pace, calling: Calling, message: str | bytes, code: int) -> None:
    async with SimHost(pace=fast) as host, calling(host.url) as caller:
        await caller.connection.send(message)
        assert (await caller.hear())["error"]["code"] == code
        assert "result" in await caller.call("bench.tell")


async def test_batch_is_answered_as_one_and_notifications_not_at_all(fast: Pace, calling: Calling) -> None:
    async with SimHost(pace=fast) as host, calling(host.url) as caller:
        calls = [
            {"jsonrpc": "2.0", "method": "bench.tell", "id": 7},
            {"jsonrpc": "2.0", "method": "job.hold"},
            {"jsonrpc": "2.0", "method": "bench.tell"},
            3,
        ]
        await caller.connection.send(json.dumps(calls[1]))
        await caller.connection.send(json.dumps(calls))
        answers = await caller.hear()
        assert [answer["id"] for answer in answers] == [7, None]


async def test_web_pages_are_refused(fast: Pace) -> None:
    async with SimHost(pace=fast) as host:
        with pytest.raises(InvalidStatus, match="403"):
            await connect(host.url, origin="http://page.example")  # type: ignore[arg-type] # a NewType of str


async def test_taken_port_is_one_sentence(fast: Pace) -> None:
    async with SimHost(pace=fast) as host:
        with pytest.raises(UserError, match=f"cannot listen on port {host.port}: .*choose another"):
            await SimHost(pace=fast, port=host.port).__aenter__()


# ------------------------------------------------------------------------------------------------------------ faults


async def test_dropped_socket_ends_in_mid_message_and_the_print_goes_on(calling: Calling, tower: Tower) -> None:
    script = [Order(when="layer", number=5, fault=faults.Drop())]
    async with SimHost(pace=Pace(SLOW), script=script) as host:
        async with calling(host.url) as caller:
            await caller.call("bench.watch")
            await caller.call("job.begin", file=str(tower(20)))
            with pytest.raises(ConnectionClosed):
                await caller.until_job(stage="finished")
            assert caller.told("job", "layer")[-1] == 5
        async with calling(host.url) as caller:
            assert (await caller.call("bench.watch"))["result"]["job"]["layer"] >= 5
            await caller.until_job(layer=20)
        await host.bench.ended.wait()
    assert printed(host) == as_in(tower(20))


async def test_cut_frame_promises_more_than_it_holds(fast: Pace) -> None:
    async with SimHost(pace=fast) as host:
        reader, writer = await asyncio.open_connection("127.0.0.1", host.port)
        # The opening handshake and the masked frame of RFC 6455, sections 1.2 and 5.2; the key is the RFC's own.
        writer.write(
            b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
            b"Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\nSec-WebSocket-Version: 13\r\n\r\n"
        )
        await reader.readuntil(b"\r\n\r\n")
        call = b'{"jsonrpc":"2.0","id":1,"method":"bench.watch"}'
        writer.write(b"\x81" + bytes([0x80 | len(call)]) + bytes(4) + call)
        async with asyncio.timeout(10):
            answer = await reader.readexactly(4)
            await reader.readexactly(int.from_bytes(answer[2:], "big"))
            host.strike(faults.Drop(bytes_sent=10))
            rest = await reader.read()
        writer.close()
        await writer.wait_closed()
    assert rest[:2] == b"\x81\x7e"
    assert int.from_bytes(rest[2:4], "big") > 100
    assert len(rest) == 4 + 10


async def test_restart_refuses_for_a_while_and_keeps_the_print(calling: Calling, tower: Tower) -> None:
    async with SimHost(pace=Pace(SLOW)) as host:
        async with calling(host.url) as caller:
            await caller.call("bench.watch")
            run = (await caller.call("job.begin", file=str(tower(60))))["result"]["run"]
            await caller.call("bench.fault", kind="restart", away_s=0.2)
            with pytest.raises(ConnectionClosed):
                await caller.until_job(stage="finished")
        with pytest.raises(OSError, match="Connect call failed"):
            await connect(host.url)
        await asyncio.wait_for(host.up.wait(), 5)
        async with calling(host.url) as caller:
            job = (await caller.call("bench.watch"))["result"]["job"]
            assert (job["run"], job["stage"]) == (run, "running")
        await host.bench.ended.wait()
    assert printed(host) == as_in(tower(60))


async def test_restart_may_lose_the_print(calling: Calling, tower: Tower) -> None:
    async with SimHost(pace=Pace(SLOW)) as host:
        async with calling(host.url) as caller:
            await caller.call("job.begin", file=str(tower(60)))
            await caller.call("bench.fault", kind="restart", away_s=0, lost=True)
            with pytest.raises(ConnectionClosed):
                await caller.hear()
        await asyncio.wait_for(host.up.wait(), 5)
        async with calling(host.url) as caller:
            assert (await caller.call("bench.watch"))["result"]["job"] == {"stage": "idle"}
            stopped = printed(host)
            await caller.call("lines.run", lines=["M400"])
            assert printed(host) == stopped
            await caller.call("job.begin", file=str(tower(1)))


async def test_stalled_host_says_nothing_and_then_all(calling: Calling, tower: Tower) -> None:
    async with SimHost(pace=Pace(SLOW)) as host, calling(host.url) as caller, calling(host.url) as other:
        await caller.call("bench.watch")
        await other.call("bench.fault", kind="stall", for_s=0.3)
        before = len(caller.messages)
        number = await caller.say("bench.tell")
        pong = await caller.connection.ping()
        await other.call("job.begin", file=str(tower(3)))
        await host.bench.ended.wait()
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.02):
                await caller.hear()
        assert not pong.done()
        assert len(caller.messages) == before
        await caller.until(lambda message: message.get("id") == number)
        await pong
        await caller.call("bench.tell")
        assert caller.told("job", "layer")[-1] == 3


async def test_who_comes_in_a_stall_waits_too(fast: Pace, calling: Calling) -> None:
    async with SimHost(pace=fast) as host:
        host.strike(faults.Stall(for_s=0.1))
        await asyncio.sleep(0)
        async with calling(host.url) as caller:
            number = await caller.say("bench.watch")
            with pytest.raises(TimeoutError):
                async with asyncio.timeout(0.03):
                    await caller.hear()
            await caller.until(lambda message: message.get("id") == number)


async def test_garbage_and_a_big_message_come_as_they_are(fast: Pace, calling: Calling) -> None:
    async with SimHost(pace=fast) as host, calling(host.url) as caller, calling(host.url) as other:
        await caller.call("bench.watch")
        await other.call("bench.fault", kind="garbage", seed=4)
        got = [await caller.connection.recv() for _ in faults.junk(4)]
        assert got == list(faults.junk(4))
        await other.call("bench.fault", kind="big")
        big = await caller.connection.recv()
        assert len(json.loads(big)["params"]["console"][0]) == 1_000_000
        assert "result" in await caller.call("bench.tell")


@pytest.mark.parametrize(
    ("fault", "stage", "detail"),
    [("cancel", "abandoned", ""), ("fail", "failed", "the heater is not following its target")],
)
async def test_print_that_ends_by_itself(calling: Calling, tower: Tower, fault: str, stage: str, detail: str) -> None:
    async with SimHost(pace=Pace(SLOW)) as host, calling(host.url) as caller:
        await caller.call("bench.watch")
        await caller.call("job.begin", file=str(tower(60)))
        await caller.call("bench.fault", kind=fault)
        await caller.until_job(stage=stage)
        assert caller.told("job", "detail")[-1] == detail
        assert len(printed(host)) < len(as_in(tower(60)))
        await caller.call("bench.fault", kind=fault)  # nothing is left to end
        assert "result" in await caller.call("bench.tell")


async def test_error_replies_strike_those_who_watch(fast: Pace, calling: Calling) -> None:
    async with SimHost(pace=fast) as host, calling(host.url) as caller, calling(host.url) as other:
        await caller.call("bench.watch")
        await other.call("bench.fault", kind="error-replies", count=2, code=-32050, message="busy")
        assert "result" in await other.call("bench.tell")
        answers = [await caller.call("lines.run", lines=["G1 X5"]) for _ in range(3)]
    assert [answer.get("error") for answer in answers] == [{"code": -32050, "message": "busy"}] * 2 + [None]
    assert [record["line"] for record in host.log.records if "line" in record] == ["G1 X5"]


async def test_calls_may_be_carried_out_and_never_answered(fast: Pace, calling: Calling) -> None:
    async with SimHost(pace=fast) as host, calling(host.url) as caller:
        await caller.call("bench.watch")
        await caller.call("bench.fault", kind="no-replies", count=2)
        lost = [await caller.say("lines.run", lines=["M118 done"]), await caller.say("bench.tell")]
        await caller.until(lambda message: "console" in message.get("params", {}))
        await caller.call("bench.tell")
        answered = {message.get("id") for message in caller.messages}
    assert not answered & set(lost)
    assert caller.console() == ["done"]


async def test_nth_run_may_meet_a_fault(fast: Pace, calling: Calling) -> None:
    script = [Order(when="run", number=2, fault=faults.ErrorReplies(message="the second"))]
    async with SimHost(pace=fast, script=script) as host, calling(host.url) as caller:
        await caller.call("bench.watch")
        answers = [await caller.call("lines.run", lines=[]) for _ in range(3)]
    assert ["error" in answer for answer in answers] == [False, True, False]


async def test_layer_may_repeat(calling: Calling, tower: Tower) -> None:
    script = [Order(when="layer", number=3, fault=faults.RepeatLayer())]
    async with SimHost(pace=Pace(SLOW), script=script) as host, calling(host.url) as caller:
        await caller.call("bench.watch")
        await caller.call("job.begin", file=str(tower(5)))
        await caller.until_job(stage="finished")
        assert caller.told("job", "layer") == [0, 1, 2, 3, 3, 4, 5]


async def test_layers_may_come_in_a_burst(calling: Calling, tower: Tower) -> None:
    script = [Order(when="layer", number=3, fault=faults.LayerBurst(count=4))]
    async with SimHost(pace=Pace(SLOW), script=script) as host, calling(host.url) as caller:
        await caller.call("bench.watch")
        await caller.call("job.begin", file=str(tower(20)))
        await caller.until_job(layer=4)
        assert host.bench.facts()["job"]["layer"] >= 7
        await caller.until_job(stage="finished")
        assert caller.told("job", "layer") == list(range(21))


async def test_layers_kept_for_a_burst_are_told_as_the_print_ends_and_not_in_the_next(
    calling: Calling, tower: Tower
) -> None:
    script = [Order(when="layer", number=3, fault=faults.LayerBurst(count=9))]
    async with SimHost(pace=Pace(SLOW), script=script) as host, calling(host.url) as caller:
        await caller.call("bench.watch")
        for _ in range(2):
            await caller.call("job.begin", file=str(tower(5)))
            await caller.until_job(stage="finished")
        assert caller.told("job", "layer") == [*range(6), *range(6)]


async def test_fault_at_a_line(fast: Pace, calling: Calling, tower: Tower) -> None:
    script = [Order(when="line", number=50, fault=faults.Cancel())]
    async with SimHost(pace=fast, script=script) as host, calling(host.url) as caller:
        await caller.call("job.begin", file=str(tower(60)))
        await host.bench.ended.wait()
    assert {"kind": "cancel", "event": "fault"}.items() <= next(r for r in host.log.records if "kind" in r).items()
    assert 50 <= len(printed(host)) < len(as_in(tower(60)))


async def test_drawn_script_leaves_the_print_untouched(calling: Calling, tower: Tower) -> None:
    script = faults.script(11, layers=60, count=12)
    async with SimHost(pace=Pace(SLOW), script=script) as host:
        await host.bench.begin(tower(60))
        async with asyncio.timeout(20):
            while not host.bench.ended.is_set():
                try:
                    async with calling(host.url) as caller:
                        await caller.say("bench.watch")
                        await caller.until_job(stage="finished")
                except (OSError, ConnectionClosed):
                    await asyncio.sleep(0.01)
    assert printed(host) == as_in(tower(60))
    assert sum(record.get("event") == "fault" for record in host.log.records) == 12


# ------------------------------------------------------------------------------------------------------- the process


async def run_host(*arguments: str) -> asyncio.subprocess.Process:
    return await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "lapsed.sim.host",
        *arguments,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
    )


async def test_process_prints_a_file_and_ends(tmp_path: Path, calling: Calling, tower: Tower) -> None:
    log = tmp_path / "log.jsonl"
    process = await run_host(
        "--file", str(tower(5)), "--speed", "500", "--log", str(log), "--begin-after", "0.3", "--exit-at-end"
    )
    assert process.stdout is not None
    url = json.loads(await process.stdout.readline())["url"]
    async with calling(url) as caller:
        await caller.call("bench.watch")
        await caller.until_job(stage="finished")
        assert caller.told("job", "layer") == [0, 1, 2, 3, 4, 5]
    assert await process.communicate() == (b"", b"")
    assert process.returncode == 0
    records = [json.loads(line) for line in log.read_text().splitlines()]
    assert [record["line"] for record in records if record.get("from") == "print"] == as_in(tower(5))


async def test_process_ends_at_a_signal_with_its_log_whole(tmp_path: Path, calling: Calling, tower: Tower) -> None:
    log = tmp_path / "log.jsonl"
    process = await run_host("--log", str(log), "--no-layers", "--speed", "500")
    assert process.stdout is not None
    async with calling(json.loads(await process.stdout.readline())["url"]) as caller:
        await caller.call("bench.watch")
        await caller.call("job.begin", file=str(tower(5)))
        await caller.until_job(stage="finished")
        assert caller.told("job", "layer") == []
    process.send_signal(signal.SIGTERM)
    assert await process.communicate() == (b"", b"")
    assert process.returncode == 0
    assert json.loads(log.read_text().splitlines()[-1])["event"] == "finished"


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        (["--speed", "0"], "--speed is greater than 0"),
        (["--file", "/none.gcode"], "cannot read /none.gcode: No such file or directory"),
        (["--faults", "/none.json"], "cannot read /none.json: No such file or directory"),
        (["--log", "/none/log"], "cannot write the log /none/log: No such file or directory"),
    ],
)
async def test_process_says_what_is_wrong(arguments: list[str], complaint: str) -> None:
    process = await run_host(*arguments)
    _, errors = await process.communicate()
    assert process.returncode == 2
    assert complaint in errors.decode().splitlines()[-1]
    assert b"Traceback" not in errors
