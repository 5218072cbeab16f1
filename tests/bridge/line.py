"""A whole serial line in one process and in virtual time: streaming host, relay, printer, a daemon's stand-in."""

import heapq
import lzma
import random
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from lapsed.bridge import talk
from lapsed.bridge.holding import Ways
from lapsed.bridge.relay import Relay
from lapsed.sim.controller import Controller, Fault
from lapsed.sim.controller import Ways as Firmware
from lapsed.sim.log import Log
from lapsed.sim.stream import Stream

WIRE_S = 0.0005
BLOCK = ("G90", "M82", "G1 X0 Y200 F9000", "M400")
DATA = Path(__file__).parent.parent / "gcode" / "data"
QUIET_S = 12.0
"""Longer than any answer of the simulated machine takes in these prints."""


class Daemon:
    """Answers as the real one does; `wants` says of which layers a frame is wanted.

    `exposes_s` is how long it lets the head stand; `answers_s` how late it is.
    """

    def __init__(
        self, wants: Callable[[int], bool] = lambda _layer: True, *, answers_s: float = 0.001, exposes_s: float = 0.3
    ) -> None:
        self.wants = wants
        self.answers_s, self.exposes_s = answers_s, exposes_s
        self.heard: list[talk.FromBridge] = []
        self.shots = 0
        self.open = 0

    def hear(self, message: talk.FromBridge) -> list[tuple[float, talk.FromDaemon]]:
        self.heard.append(message)
        match message:
            case talk.Layer(token, number) if self.wants(number):
                self.shots += 1
                return [(self.answers_s, talk.Hold(self.shots, token, 10.0))]
            case talk.Layer(token) if message.waits:
                return [(self.answers_s, talk.Pass(token))]
            case talk.Held(shot):
                return [(self.answers_s, talk.Leave(shot, (*BLOCK,), back(message), 1.0))]
            case talk.Parked(shot):
                return [(self.exposes_s, talk.Free(shot))]
            case _:
                return []

    def of(self, kind: type) -> list[talk.FromBridge]:
        return [message for message in self.heard if isinstance(message, kind)]


def numbered(records: Sequence[Mapping[str, object]]) -> list[bytes]:
    """The host's lines among what a machine's log tells."""
    return [f"{record['line']}\n".encode("latin-1") for record in records if record.get("number") is not None]


def back(held: talk.Held) -> tuple[str, ...]:
    x, y, z, _ = (f"{value:.5f}" for value in held.position)
    modes = ("G90" if held.absolute else "G91", "M82" if held.absolute_extrusion else "M83")
    return (
        "G90",
        "M82",
        f"G1 X{x} Y{y} F9000",
        f"G1 Z{z} F600",
        f"G1 F{held.feed_mm_min:.5f}",
        *modes,
    )


class SerialLine:
    """Runs the print to its end. Bytes are split anywhere, by `seed`; messages keep their order on each way."""

    def __init__(
        self,
        lines: Sequence[str],
        *,
        seed: int = 0,
        window: int = 1,
        polls: int = 0,
        numbered: bool = True,
        faults: tuple[Fault, ...] = (),
        firmware: Firmware | None = None,
        daemon: Daemon | None = None,
        ways: Ways | None = None,
    ) -> None:
        self.random = random.Random(seed)
        self.numbered = numbered
        self.stream = Stream(lines, window=window, polls=polls, numbered=numbered)
        self.log = Log()
        self.printer = Controller(firmware or Firmware(), self.log, faults=faults, unplugged=lambda _for: None)
        self.relay = Relay(ways or Ways())
        self.daemon = daemon
        self.now = 0.0
        self._events: list[tuple[float, int, Callable[[], None]]] = []
        self._count = 0
        self._busy = False
        self._held = {"up": b"", "down": b"", "host": b"", "printer": b""}
        self._under_way = dict.fromkeys(self._held, 0)
        self.said = b""
        self._last = {"up": 0.0, "down": 0.0, "host": 0.0, "printer": 0.0}
        self._heard_at = 0.0
        self.to_host = b""
        self.relay.host_there(there=True, now=0.0)
        self.relay.printer_there(there=True, reason="", now=0.0)
        if daemon is not None:
            self.relay.attach(0.0)

    # ------------------------------------------------------------------------------------------------- events

    def at(self, time: float, what: Callable[[], None]) -> None:
        self._count += 1
        heapq.heappush(self._events, (time, self._count, what))

    def _send(self, way: str, data: bytes, what: Callable[[bytes], None]) -> None:
        """Bytes on a wire, in pieces of any size, cut anywhere or several come together, in their order."""
        while data:
            cut = self.random.randint(1, len(data)) if self.random.random() < 0.3 else len(data)
            piece, data = data[:cut], data[cut:]
            time = max(self._last[way], self.now + WIRE_S * self.random.random())
            self._last[way] = time
            self._under_way[way] += 1
            self.at(time, lambda piece=piece: self._arrive(way, piece, what))

    def _arrive(self, way: str, piece: bytes, what: Callable[[bytes], None]) -> None:
        self._under_way[way] -= 1
        self._held[way] += piece
        if not self._under_way[way] or self.random.random() < 0.7:
            data, self._held[way] = self._held[way], b""
            what(data)

    def _after(self) -> None:
        """Carry away what the relay put out."""
        relay, wire = self.relay, self.relay.wire
        up, down, says = bytes(wire.to_printer), bytes(wire.to_host), wire.says
        wire.to_printer.clear()
        wire.to_host.clear()
        wire.says = []
        self._send("printer", up, self._at_printer)
        self._send("host", down, self._at_host)
        if self.daemon is not None:
            for message in says:
                for late, answer in self.daemon.hear(message):
                    self.at(self.now + late, lambda answer=answer: self._told(answer))
        wake = relay.wake_at()
        if wake is not None:
            self.at(max(wake, self.now), self._tick)

    def _tick(self) -> None:
        wake = self.relay.wake_at()
        if wake is not None and self.now >= wake:
            self.relay.tick(self.now)
            self._after()

    def _told(self, message: talk.FromDaemon) -> None:
        if self.daemon is not None:
            self.relay.told(message, self.now)
            self._after()

    def _at_relay_from_host(self, data: bytes) -> None:
        self.relay.host(data, self.now)
        self._after()

    def _at_relay_from_printer(self, data: bytes) -> None:
        self.relay.printer(data, self.now)
        self._after()

    def _at_printer(self, data: bytes) -> None:
        self.say(self.printer.receive(data))
        self._work()

    def say(self, data: bytes) -> None:
        """The printer says something."""
        self.said += data
        self._send("down", data, self._at_relay_from_printer)

    def _work(self) -> None:
        if self._busy or not self.printer.waiting:
            return
        machine = self.printer.machine
        machine.wait_until(max(machine.now_s, self.now))
        said, answer = self.printer.step()
        self.say(said)
        self._busy = True

        def done() -> None:
            self._busy = False
            self.say(answer)
            self._work()

        self.at(max(self.now, self.printer.machine.now_s), done)

    def _at_host(self, data: bytes) -> None:
        self._heard_at = self.now
        self.to_host += data
        self.stream.heard(data)
        self.send()

    def send(self) -> None:
        """The host sends what it may."""
        self._send("up", self.stream.due(), self._at_relay_from_host)

    # --------------------------------------------------------------------------------------------------- runs

    def play(self, until: Callable[[], bool] | None = None) -> None:
        """Run until the host is done, or `until` holds; a host that hears nothing for long goes on."""
        self.send()
        self._watch_silence()
        for _ in range(300_000):
            if self.stream.over and not self.printer.waiting and not self._busy:
                if not self.numbered or self.printer.last == len(self.stream.sent) - 1:
                    break
                self.stream.poll()  # whatever got lost is asked for again by this
                self.send()
            if until is not None and until():
                return
            self.now, _, what = heapq.heappop(self._events)
            what()
        else:
            raise AssertionError("the print came to no end")
        self.printer.machine.finish()

    def _watch_silence(self) -> None:
        if self.now - self._heard_at > QUIET_S and not self._busy:
            self._heard_at = self.now
            self.stream.forget()
            self.send()
        self.at(self.now + QUIET_S / 4, self._watch_silence)

    def executed(self) -> list[dict[str, object]]:
        """What the machine carried out, in order."""
        return [record for record in self.log.records if "event" not in record]

    def host_lines(self) -> list[bytes]:
        """The numbered lines among them: the host's, as they arrived."""
        return numbered(self.executed())

    def host_heard_true(self) -> bool:
        """Whether the host heard only what the printer said, whole lines in their order, and that it is busy."""
        said = iter(self.said.split(b"\n"))
        heard = [line for line in self.to_host.split(b"\n")[:-1] if line not in (b"echo:busy: processing", b"ok")]
        return all(any(line == one for one in said) for line in heard)

    def ours(self) -> list[dict[str, object]]:
        """The others: the block's."""
        return [record for record in self.executed() if record["number"] is None]


class Bench:
    """A relay fed by hand; `said` are its words since the last look."""

    def __init__(self, **ways):
        self.relay = Relay(Ways(**ways))
        self.relay.host_there(there=True, now=0.0)
        self.relay.printer_there(there=True, reason="", now=0.0)
        self.relay.attach(0.0)
        self.out()

    def out(self):
        wire = self.relay.wire
        gone = bytes(wire.to_printer), bytes(wire.to_host), wire.says
        wire.to_printer, wire.to_host, wire.says = bytearray(), bytearray(), []
        return gone

    def exchange(self, line):
        self.relay.host(line, 0.0)
        self.relay.printer(b"ok\n", 0.0)
        return self.out()


def sliced(name: str) -> list[str]:
    """The lines of a file that a real slicer has written."""
    return lzma.open(DATA / f"{name}.gcode.xz").read().decode("utf-8", "surrogateescape").splitlines()


def squares(layers: int, *, relative: bool = False, at: tuple[float, float] = (50.0, 50.0)) -> list[str]:
    """The foot of the beacon in a few lines: a square a layer, 10 mm wide."""
    x, y = at
    lines = [
        "G21",
        "G90",
        "M83" if relative else "M82",
        "M104 S210",
        "G28",
        "M109 S210",
        "G92 E0",
        "G1 F1800 E2",
        "G92 E0",
    ]
    e = 0.0
    for number in range(1, layers + 1):
        lines += [f"G1 E{-0.8 if relative else e - 0.8:.4f} F2400", f"G0 Z{number * 0.2 + 0.4:.2f} F600"]
        lines += [f"G0 X{x} Y{y} F9000", f"G1 Z{number * 0.2:.2f} F600", f"G1 E{0.8 if relative else e:.4f} F2400"]
        for dx, dy in ((10, 0), (10, 10), (0, 10), (0, 0)):
            e += 0.33
            feed = " F1500" if (dx, dy) == (10, 0) else ""
            lines.append(f"G1 X{x + dx:.3f} Y{y + dy:.3f} E{0.33 if relative else e:.4f}{feed}")
    return [*lines, "G1 E-1 F2400" if relative else f"G1 E{e - 1:.4f} F2400", "G1 X0 Y200 F6000", "M104 S0", "M84"]


def undone(line: SerialLine) -> None:
    """Every block of ours left the machine as it found it, and did nothing but move."""
    before = None
    ours = False
    for record in line.executed():
        keys = ("absolute", "absolute_extrusion", "feed", "retracted", "inches")
        state = [record[key] for key in keys], record["at"]
        if record["number"] is None:
            ours = True
            word = str(record["line"]).split()[0]
            assert word in ("G90", "G91", "M82", "M83", "G1", "M400", "M114")
            after = state
            continue
        if ours and before is not None:
            assert before == after
        ours, before = False, state
