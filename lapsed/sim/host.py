"""The simulated host: a WebSocket server (RFC 6455) that speaks JSON-RPC 2.0, on loopback only.

It keeps the print going whatever becomes of its connections. Run as `python -m lapsed.sim.host` it is a process of its
own, which writes one JSON line with its `url` when it listens.
"""

import argparse
import asyncio
import json
import signal
import sys
from collections.abc import Coroutine, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from websockets.asyncio.server import Server, ServerConnection, broadcast, serve
from websockets.exceptions import ConnectionClosed

from lapsed.errors import UserError
from lapsed.sim import faults, rpc
from lapsed.sim.bench import Bench
from lapsed.sim.log import Log
from lapsed.sim.machine import Machine
from lapsed.sim.news import News
from lapsed.sim.pace import Pace

NEWS_EVERY_S = 0.25
LINGER_S = 1.0
"""How long the process stays after the print, so that whoever watches hears of its end."""


class SimHost:
    """The host with its machine, up while the context lasts; `url` says where.

    `pace` brings the speed and the clock; `script` the faults that come by themselves; `log` is where the machine's log
    goes, in memory without a path.
    """

    def __init__(
        self,
        *,
        pace: Pace | None = None,
        port: int = 0,
        log: Path | None = None,
        machine: Machine | None = None,
        tell_layers: bool = True,
        script: Sequence[faults.Order] = (),
    ) -> None:
        self.pace = pace or Pace()
        self.port = port
        self.log = Log(log)
        self.bench = Bench(
            machine or Machine(),
            self.pace,
            self.log,
            tell_layers=tell_layers,
            changed=self._tell,
            reached=self._reached,
        )
        self._script = script
        self._group = asyncio.TaskGroup()
        self._tasks: set[asyncio.Task[None]] = set()
        self._server: Server | None = None
        self.up = asyncio.Event()
        """Set while it can be reached."""
        self._watchers: set[ServerConnection] = set()
        self._news = News()
        self._console: list[str] = []
        self._runs = 0
        self._errors: list[faults.ErrorReplies] = []
        self._mute = 0
        self._speaking = asyncio.Event()
        self._speaking.set()

    # ------------------------------------------------------------------------------------------- life

    @property
    def url(self) -> str:
        """Where it listens."""
        return f"ws://127.0.0.1:{self.port}/"

    async def __aenter__(self) -> Self:
        try:
            await self._listen()
        except UserError:
            self.log.close()
            raise
        await self._group.__aenter__()
        self._spawn(self.bench.feed())
        self._spawn(self._tell_often())
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._speak()
        await self._close()
        for task in self._tasks:
            task.cancel()
        # The group sees only cancelling, which it must tell its own from; what else ended the body goes on as it is.
        cancelled = isinstance(error, asyncio.CancelledError)
        try:
            await self._group.__aexit__(kind if cancelled else None, error if cancelled else None, trace)
        finally:
            await self._close()  # a restart may have come up meanwhile
            self.log.close()

    def _spawn(self, work: Coroutine[Any, Any, None]) -> None:
        task = self._group.create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _listen(self) -> None:
        # Browsers send an Origin: with none allowed, no page can reach the host.
        try:
            self._server = await serve(
                self._serve,
                "127.0.0.1",
                self.port,
                origins=[None],
                compression=None,
                ping_interval=None,
                close_timeout=1,
            )
        except OSError as error:
            raise UserError(f"cannot listen on port {self.port}: {error.strerror}; choose another --port") from error
        self.port = next(iter(self._server.sockets)).getsockname()[1]
        self.up.set()

    async def _close(self) -> None:
        self.up.clear()
        server, self._server = self._server, None
        if server is not None:
            server.close()
            await server.wait_closed()

    # ------------------------------------------------------------------------------------------ calls

    async def _serve(self, connection: ServerConnection) -> None:
        try:
            async for message in connection:
                self._spawn(self._answer(connection, message))
        except ConnectionClosed:
            pass
        finally:
            self._watchers.discard(connection)

    async def _answer(self, connection: ServerConnection, message: str | bytes) -> None:
        """Carry a message out and answer it; what it began goes on even if the connection ends meanwhile."""
        requests, batch = rpc.read(message)
        due: list[faults.Fault] = []
        answers = [
            answer for request in requests if (answer := await self._respond(connection, request, due)) is not None
        ]
        if answers:
            await self._say(connection, rpc.text(answers if batch else answers[0]))
        for fault in due:
            self.strike(fault, spare=connection)

    async def _say(self, connection: ServerConnection, text: str) -> None:
        if connection in self._watchers:
            await self._speaking.wait()
        try:
            await connection.send(text)
        except ConnectionClosed:
            return

    async def _respond(
        self, connection: ServerConnection, request: rpc.Request | rpc.Problem, due: list[faults.Fault]
    ) -> dict[str, object] | None:
        if isinstance(request, rpc.Problem):
            return rpc.error(request)
        if request.method == "bench.watch":
            self._watch(connection)
        if request.method == "lines.run":
            self._runs += 1
            self._reached("run", self._runs)
        watches = connection in self._watchers
        if watches and self._errors:
            fault = self._errors.pop()
            return rpc.error(rpc.Problem(fault.code, fault.message, request.id))
        silent = watches and self._mute > 0
        self._mute -= silent
        try:
            answer = rpc.result(request.id, await self._call(request, due))
        except rpc.RpcError as error:
            answer = rpc.error(rpc.Problem(error.code, str(error), request.id))
        return None if silent or not request.wants_answer else answer

    async def _call(self, request: rpc.Request, due: list[faults.Fault]) -> object:
        bench, params = self.bench, request.params
        if params is None:
            raise rpc.RpcError(rpc.INVALID_PARAMS, "parameters go by name here")
        match request.method:
            case "bench.watch" | "bench.tell":
                return bench.facts()
            case "bench.scene":
                return bench.scene()
            case "bench.fault":
                due.append(_fault_in(params))
            case "lines.run":
                await bench.run(rpc.lines_in(params))
            case "job.begin":
                return {"run": await bench.begin(Path(rpc.text_in(params, "file")))}
            case "job.hold":
                await bench.hold()
            case "job.carry-on":
                bench.carry_on()
            case "job.pause":
                await bench.pause()
            case "job.unpause":
                bench.unpause()
            case "job.abandon":
                await bench.abandon()
            case method:
                raise rpc.RpcError(rpc.METHOD_NOT_FOUND, f"there is no method {method!r:.80}")
        return {}

    def _watch(self, connection: ServerConnection) -> None:
        self._tell()  # what the others know is then what this one is about to be told
        self._watchers.add(connection)
        if not self._speaking.is_set():
            connection.transport.pause_reading()

    # ------------------------------------------------------------------------------------------- news

    async def _tell_often(self) -> None:
        while True:
            await self.pace.sleep(NEWS_EVERY_S)
            self._tell()
            self.log.flush()

    def _tell(self, said: tuple[str, ...] = ()) -> None:
        """Send what changed since the last time, and what the console `said`, to all who watch."""
        self._console += said
        if not self._speaking.is_set():
            return
        console, self._console = self._console, []
        for message in self._news.of(self.bench.facts(), console):
            broadcast(self._watchers, message)

    # ----------------------------------------------------------------------------------------- faults

    def _reached(self, what: str, number: int) -> None:
        for order in self._script:
            if (order.when, order.number) == (what, number):
                self.strike(order.fault)

    def strike(self, fault: faults.Fault, *, spare: ServerConnection | None = None) -> None:
        """Let a fault happen; `spare` is the connection that ordered it."""
        self.bench.note("fault", **fault.model_dump())
        struck = self._watchers - {spare} if spare is not None else set(self._watchers)
        match fault:
            case faults.Drop():
                self._drop(struck, fault.bytes_sent)
            case faults.Garbage():
                for message in faults.junk(fault.seed):
                    broadcast(struck, message)
            case faults.Big():
                broadcast(struck, rpc.news({"console": ["x" * fault.size]}))
            case faults.Untruth():
                broadcast(struck, rpc.news({"job": fault.job}))
            case faults.RepeatLayer():
                for message in self._news.layer_again():
                    broadcast(struck, message)
            case faults.LayerBurst():
                self._news.burst = fault.count
            case faults.ErrorReplies():
                self._errors += [fault] * fault.count
            case faults.NoReplies():
                self._mute += fault.count
            case _:
                self._spawn(self._suffer(fault))

    def _drop(self, struck: set[ServerConnection], sent: int) -> None:
        frame = faults.cut_frame(rpc.news({**self.bench.facts()}), sent)
        for connection in struck:
            connection.transport.write(frame)
            connection.transport.close()

    async def _suffer(self, fault: faults.Restart | faults.Stall | faults.Cancel | faults.Fail) -> None:
        """The faults that take their time."""
        match fault:
            case faults.Restart():
                await self._restart(fault)
            case faults.Stall():
                await self._stall(fault.for_s)
            case faults.Cancel():
                await self._end("abandoned", "")
            case faults.Fail():
                await self._end("failed", fault.detail)

    async def _end(self, ended: str, detail: str) -> None:
        try:
            await self.bench.abandon(ended, detail)
        except rpc.RpcError:
            return  # it is over already

    async def _restart(self, fault: faults.Restart) -> None:
        server = self._server
        if server is None:
            return  # it is down already
        for connection in server.connections:
            connection.transport.abort()
        await self._close()
        if fault.lost:
            self.bench.lose()
        self._news, self._console, self._errors, self._mute = News(), [], [], 0
        await self.pace.sleep(fault.away_s)
        await self._listen()

    async def _stall(self, for_s: float) -> None:
        self._speaking.clear()
        for connection in self._watchers:
            connection.transport.pause_reading()  # so that pings go unanswered too
        await self.pace.sleep(for_s)
        self._speak()
        self._tell()

    def _speak(self) -> None:
        self._speaking.set()
        for connection in self._watchers:
            connection.transport.resume_reading()


def _fault_in(params: dict[str, Any]) -> faults.Fault:
    try:
        return faults.fault_of(params)
    except ValueError as error:
        raise rpc.RpcError(rpc.INVALID_PARAMS, str(error)) from error


# ------------------------------------------------------------------------------------------------- the process


def _arguments(argv: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m lapsed.sim.host", description="A simulated printer host.")
    parser.add_argument("--file", type=Path, help="G-code to print; left out, it waits for job.begin")
    parser.add_argument("--begin-after", type=float, default=0.0, metavar="S", help="seconds before the print begins")
    parser.add_argument("--speed", type=float, default=1.0, help="how many times faster than a real machine")
    parser.add_argument("--log", type=Path, help="where to write what was carried out, a JSON object a line")
    parser.add_argument("--port", type=int, default=0, help="left out, any free one")
    parser.add_argument("--no-layers", action="store_true", help="be a host that doesn't know layers")
    parser.add_argument("--faults", type=Path, help="JSON file with a list of faults: when, number, fault")
    parser.add_argument("--exit-at-end", action="store_true", help="end the process a second after the print")
    options = parser.parse_args(argv)
    if not options.speed > 0 or not options.begin_after >= 0:
        parser.error("--speed is greater than 0, and --begin-after at least 0")
    return options


async def _main(options: argparse.Namespace) -> None:
    script = faults.load(options.faults) if options.faults is not None else ()
    stop = asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        asyncio.get_running_loop().add_signal_handler(number, stop.set)
    async with SimHost(
        pace=Pace(options.speed),
        port=options.port,
        log=options.log,
        tell_layers=not options.no_layers,
        script=script,
    ) as host:
        sys.stdout.write(json.dumps({"url": host.url}) + "\n")
        sys.stdout.flush()
        live = asyncio.create_task(_live(host, options))
        stopped = asyncio.create_task(stop.wait())
        done, pending = await asyncio.wait((live, stopped), return_when=asyncio.FIRST_COMPLETED)
        for task in pending:
            task.cancel()
        await asyncio.gather(*pending, return_exceptions=True)
        for task in done:
            task.result()


async def _live(host: SimHost, options: argparse.Namespace) -> None:
    """Print the file, if there is one, and return when the process is to end by itself."""
    if options.file is not None:
        await asyncio.sleep(options.begin_after)
        try:
            await host.bench.begin(options.file)
        except rpc.RpcError as error:
            raise UserError(str(error)) from error
    await host.bench.ended.wait()
    await asyncio.sleep(LINGER_S)
    if not options.exit_at_end:
        await asyncio.get_running_loop().create_future()  # until a signal comes


def main(argv: Sequence[str] | None = None) -> int:
    """Run the host as a process; 0 when it ends as asked, 2 when the arguments can't be followed."""
    try:
        asyncio.run(_main(_arguments(argv)))
    except UserError as error:
        sys.stderr.write(f"{error}\n")
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
