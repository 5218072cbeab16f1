"""How the host is reached, what is said to it, and where its facts stand."""

from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import Discriminator, Field, Tag, model_validator

from lapsed.settings.base import Part, Pointer, PositiveS, address, form


class Call(Part):
    """One thing said to the host.

    With JSON-RPC it is a method with its parameters; with plain JSON it is the whole message. In either, the text
    "{lines}" standing alone becomes the list of G-code lines, and inside a longer text the lines joined by newlines.
    """

    method: str | None = Field(None, description="the JSON-RPC 2.0 method")
    params: dict[str, Any] = Field(default_factory=dict, description="its named parameters")
    message: dict[str, Any] | None = Field(None, description="the whole message, for a host that speaks plain JSON")

    @model_validator(mode="after")
    def _one_of_both(self) -> Self:
        if (self.method is None) == (self.message is None):
            raise ValueError("give either method (JSON-RPC) or message (plain JSON)")
        return self


class Facts(Part):
    """Where each fact stands in the host's messages: JSON Pointers, several where it may stand in several places."""

    state: tuple[Pointer, ...] = Field(("/params/job/stage", "/result/job/stage"), description="word for what it does")
    layer: tuple[Pointer, ...] = Field(("/params/job/layer", "/result/job/layer"), description="number of the layer")
    layers: tuple[Pointer, ...] = Field(("/params/job/layers", "/result/job/layers"), description="how many there are")
    height_mm: tuple[Pointer, ...] = Field(
        ("/params/job/height_mm", "/result/job/height_mm"), description="height of the current layer"
    )
    progress: tuple[Pointer, ...] = Field(
        ("/params/job/done", "/result/job/done"), description="share done, from 0 to progress_full"
    )
    file: tuple[Pointer, ...] = Field(("/params/job/file", "/result/job/file"), description="name of the printed file")
    identity: tuple[Pointer, ...] = Field(
        ("/params/job/run", "/result/job/run"), description="anything that differs between two prints of one file"
    )
    expected_s: tuple[Pointer, ...] = Field(
        ("/params/job/expected_s", "/result/job/expected_s"), description="how long the whole print is to take"
    )
    part_height_mm: tuple[Pointer, ...] = Field(
        ("/params/job/part_height_mm", "/result/job/part_height_mm"), description="height of the finished print"
    )
    x: tuple[Pointer, ...] = Field(("/params/head/x", "/result/head/x"), description="commanded X in G-code mm")
    y: tuple[Pointer, ...] = Field(("/params/head/y", "/result/head/y"), description="commanded Y in G-code mm")
    z: tuple[Pointer, ...] = Field(("/params/head/z", "/result/head/z"), description="commanded Z in G-code mm")
    e: tuple[Pointer, ...] = Field(("/params/head/e", "/result/head/e"), description="commanded E in G-code mm")
    feed_mm_min: tuple[Pointer, ...] = Field(
        ("/params/head/feed_mm_min", "/result/head/feed_mm_min"), description="feed rate in force, mm a minute"
    )
    absolute: tuple[Pointer, ...] = Field(
        ("/params/head/absolute", "/result/head/absolute"), description="true while G90 is in force"
    )
    absolute_extrusion: tuple[Pointer, ...] = Field(
        ("/params/head/absolute_extrusion", "/result/head/absolute_extrusion"),
        description="true while M82 is in force",
    )
    retracted: tuple[Pointer, ...] = Field(
        ("/params/head/retracted", "/result/head/retracted"), description="true between G10 and G11"
    )
    console: tuple[Pointer, ...] = Field(("/params/console",), description="lines of the console, one or a list")
    detail: tuple[Pointer, ...] = Field(
        ("/params/job/detail", "/result/job/detail"), description="why a print failed, in the host's words"
    )
    progress_full: Annotated[float, Field(gt=0)] = Field(1.0, description="what progress reads at the end: 1 or 100")


class States(Part):
    """Which of the host's words means what; a word in none of the lists is taken for idle."""

    printing: tuple[str, ...] = ("running",)
    paused: tuple[str, ...] = ("paused",)
    held: tuple[str, ...] = Field(
        ("held",), description="the word, if it is one of its own, that our hold brings about"
    )
    finished: tuple[str, ...] = ("finished",)
    cancelled: tuple[str, ...] = ("abandoned",)
    failed: tuple[str, ...] = ("failed",)

    @model_validator(mode="after")
    def _no_word_twice(self) -> Self:
        seen: dict[str, str] = {}
        for group in type(self).model_fields:
            for word in getattr(self, group):
                if word in seen:
                    raise ValueError(f"the word {word!r} stands in {seen[word]} and in {group}; keep one")
                seen[word] = group
        return self


class FeedLink(Part):
    """A host that tells what it does over a WebSocket (RFC 6455), in JSON-RPC 2.0 or plain JSON."""

    kind: Literal["feed"] = "feed"
    url: Annotated[str, address("ws", "wss")] = Field(description="ws:// or wss:// address of the host")
    protocol: Literal["json-rpc", "json"] = Field("json-rpc", description="how messages are framed")
    headers: dict[str, str] = Field(default_factory=dict, description="HTTP headers at connecting, such as a key")
    on_connect: tuple[Call, ...] = Field(
        (Call(method="bench.watch"),), description="said on each connecting; replies are read for facts too"
    )
    ask: Call | None = Field(Call(method="bench.tell"), description="asks for all facts, the position before a park")
    run: Call | None = Field(
        Call(method="lines.run", params={"lines": "{lines}"}), description="has G-code lines run between the print's"
    )
    run_reply: Literal["done", "taken"] = Field(
        "done",
        description="'done': the reply to run comes when the lines were carried out; 'taken': when they were queued, "
        "and the console line at the end of our block tells when they were carried out",
    )
    hold: Call | None = Field(Call(method="job.hold"), description="makes the print wait for us between two lines")
    resume: Call | None = Field(Call(method="job.carry-on"), description="lets the print go on after hold")
    facts: Facts = Field(default_factory=Facts)
    states: States = Field(default_factory=States)
    reply_within_s: PositiveS = Field(5.0, description="how long a reply may take before the call counts as failed")
    silent_after_s: PositiveS = Field(
        30.0, description="a host silent for so long is pinged, and without an answer given up and called anew"
    )
    retry_most_s: PositiveS = Field(15.0, description="longest wait between two attempts to connect")

    @model_validator(mode="after")
    def _calls_fit_protocol(self) -> Self:
        for what in ("ask", "run", "hold", "resume"):
            self._fits(what, getattr(self, what))
        for call in self.on_connect:
            self._fits("on_connect", call)
        if (self.hold is None) != (self.resume is None):
            raise ValueError("hold and resume go together: give both or neither")
        return self

    def _fits(self, what: str, call: Call | None) -> None:
        if call is not None and (call.method is None) == (self.protocol == "json-rpc"):
            wanted = "a method" if self.protocol == "json-rpc" else "a message"
            raise ValueError(f"{what} needs {wanted}, as protocol is {self.protocol!r}")

    @property
    def can_park(self) -> bool:
        """Whether the host can be asked to hold, to tell the position, to run a block and to go on."""
        return None not in (self.hold, self.resume, self.ask, self.run)


class BridgeLink(Part):
    """A host that streams G-code over a serial line, on which `lapsed bridge` stands."""

    kind: Literal["bridge"]
    port: Annotated[str, Field(min_length=1)] = Field(
        description="the printer's port by a name that stays, such as /dev/serial/by-id/..., or an address of "
        "pyserial's, socket://HOST:PORT or rfc2217://HOST:PORT"
    )
    baud: Annotated[int, Field(ge=50, le=20_000_000)] = Field(115200, description="bits a second, any rate")
    folder: Path = Field(
        Path("/run/lapsed-bridge"), description="where the bridge's socket lies, and the host's port unless it is named"
    )
    host_port: Path | None = Field(
        None, description="the name of the port that the host opens; left out, NAME.port in the folder"
    )
    mode: Annotated[str, form("[0-7]{3}", "a mode: three digits from 0 to 7, as in 660")] = Field(
        "660", description="who may open the host's port and the socket, as chmod says it in octal"
    )
    reset: bool = Field(False, description="true pulls DTR low for a moment when the host opens, which resets boards")
    answer_within_s: Annotated[float, Field(gt=0, le=1)] = Field(
        0.05, description="how long a layer's first line may wait for the daemon; longer on a very busy computer"
    )
    drain_within_s: PositiveS = Field(
        5.0, description="how long the printer may take to answer all lines before a hold"
    )
    check_position: bool = Field(
        True, description="asks the printer by M114 where it is, before the head leaves and after it is back"
    )
    card_poll_s: PositiveS | None = Field(
        None, description="asks for the height every so often while the printer prints from its own card"
    )
    over_after_h: Annotated[float, Field(gt=0, le=1000)] = Field(
        12.0,
        description="a print in which the host sends no move for so many hours is over, though its port stays open",
    )
    harmless: tuple[Annotated[str, form(r"[A-Za-z_][A-Za-z0-9_.]*", "a command's first word, such as M300")], ...] = (
        Field((), description="further commands of your files that move nothing and change no modes")
    )
    retry_most_s: PositiveS = Field(2.0, description="longest wait between two attempts to reach the bridge")

    @property
    def can_park(self) -> bool:
        """A bridge always can."""
        return True

    def socket_of(self, printer: str) -> Path:
        """Where the bridge of `printer` listens for the daemon."""
        return self.folder / f"{printer}.sock"

    def port_of(self, printer: str) -> Path:
        """What the host of `printer` opens."""
        return self.host_port or self.folder / f"{printer}.port"


class SignalLink(Part):
    """A host that tells of its print by itself, by running `lapsed signal` or calling a URL, and parks by itself."""

    kind: Literal["signal"]
    lost_after_s: Annotated[float, Field(gt=0, le=30 * 86_400)] = Field(
        6 * 3600.0, description="a print of which no signal came for so long is over; longer than the longest layer"
    )

    @property
    def can_park(self) -> bool:
        """It is never held."""
        return False


def _kind(value: object) -> object:
    return value.get("kind", "feed") if isinstance(value, dict) else getattr(value, "kind", None)


Link = Annotated[
    Annotated[FeedLink, Tag("feed")] | Annotated[BridgeLink, Tag("bridge")] | Annotated[SignalLink, Tag("signal")],
    Discriminator(_kind),
]
