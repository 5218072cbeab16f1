"""What the simulated host can get wrong, as values; scripts of them are drawn by seed.

Faults of the connection and of replies strike every connection that watches (`bench.watch`), and no other: whoever
only orders faults or draws the scene is left alone.
"""

import json
import random
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from lapsed import refusal
from lapsed.errors import UserError

Count = Annotated[int, Field(ge=1, le=100_000)]
Seconds = Annotated[float, Field(ge=0, le=3600)]


class _Fault(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Drop(_Fault):
    """The sockets end in mid-message: the frame's header promises more than `bytes_sent` bytes, and no more come."""

    kind: Literal["drop"] = "drop"
    bytes_sent: Annotated[int, Field(ge=0, le=500)] = 40


class Restart(_Fault):
    """The host closes everything, can't be reached for `away_s`, and comes back with the print going on, or lost."""

    kind: Literal["restart"] = "restart"
    away_s: Seconds = 1.0
    lost: bool = False


class Stall(_Fault):
    """For `for_s` the host accepts whatever comes and says nothing, not even to pings; the print goes on."""

    kind: Literal["stall"] = "stall"
    for_s: Seconds = 2.0


class Garbage(_Fault):
    """Junk of every sort, in one burst: see `junk`."""

    kind: Literal["garbage"] = "garbage"
    seed: int = 0


class Big(_Fault):
    """One sound message with a console line of `size` characters."""

    kind: Literal["big"] = "big"
    size: Annotated[int, Field(ge=1, le=50_000_000)] = 1_000_000


class Cancel(_Fault):
    """Someone else abandons the print."""

    kind: Literal["cancel"] = "cancel"


class Fail(_Fault):
    """The print fails."""

    kind: Literal["fail"] = "fail"
    detail: str = "the heater is not following its target"


class ErrorReplies(_Fault):
    """The next `count` calls are not carried out and answered with an error."""

    kind: Literal["error-replies"] = "error-replies"
    count: Count = 1
    code: int = -32000
    message: str = "not now"


class NoReplies(_Fault):
    """The next `count` calls are carried out and never answered."""

    kind: Literal["no-replies"] = "no-replies"
    count: Count = 1


class RepeatLayer(_Fault):
    """The last news of a layer comes once more."""

    kind: Literal["repeat-layer"] = "repeat-layer"


class LayerBurst(_Fault):
    """News of layers is kept back until there are `count` of them, which then come at once."""

    kind: Literal["layer-burst"] = "layer-burst"
    count: Count = 5


class Untruth(_Fault):
    """One sound message tells of the print what isn't so: layers that jump, time that goes backwards."""

    kind: Literal["untruth"] = "untruth"
    job: dict[str, int | float | str]


Fault = Annotated[
    Drop
    | Restart
    | Stall
    | Garbage
    | Big
    | Cancel
    | Fail
    | ErrorReplies
    | NoReplies
    | RepeatLayer
    | LayerBurst
    | Untruth,
    Field(discriminator="kind"),
]


class Order(BaseModel):
    """A fault and when it happens: as the print reaches a layer or a line, or as the n-th `lines.run` arrives."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    when: Literal["layer", "line", "run"]
    number: Annotated[int, Field(ge=1)]
    fault: Fault


_FAULT: TypeAdapter[Fault] = TypeAdapter(Fault)
_SCRIPT: TypeAdapter[tuple[Order, ...]] = TypeAdapter(tuple[Order, ...])


def fault_of(params: dict[str, Any]) -> Fault:
    """The fault that the parameters of `bench.fault` ask for; ValueError says what is wrong with them."""
    try:
        return _FAULT.validate_python(params)
    except ValidationError as error:
        raise ValueError(refusal.first(error, "the fault")) from error


def script_of(text: str, *, where: str) -> tuple[Order, ...]:
    """The script in JSON `text`; `where` names it in messages. Raises UserError."""
    try:
        return _SCRIPT.validate_json(text)
    except ValidationError as error:
        raise UserError(f"{where}: {refusal.first(error, 'the script')}") from error


def load(path: Path) -> tuple[Order, ...]:
    """The script in a JSON file. Raises UserError."""
    try:
        return script_of(path.read_text("utf-8"), where=str(path))
    except OSError as error:
        raise UserError(f"cannot read {path}: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise UserError(f"{path} is not UTF-8 text; save it as UTF-8") from error


def script(seed: int, *, layers: int, count: int, kinds: Sequence[Fault] | None = None) -> tuple[Order, ...]:
    """`count` faults at layers drawn by `seed`, none of which ends the print unless `kinds` has such."""
    source = random.Random(seed)
    choice: Sequence[Fault] = kinds or (
        Drop(),
        Restart(away_s=0.2),
        Stall(for_s=0.5),
        Garbage(seed=seed),
        Big(),
        ErrorReplies(count=2),
        NoReplies(),
        RepeatLayer(),
        LayerBurst(count=3),
    )
    orders = [
        Order(when="layer", number=source.randint(1, max(1, layers)), fault=source.choice(choice)) for _ in range(count)
    ]
    return tuple(sorted(orders, key=lambda order: order.number))


def cut_frame(text: str, sent: int) -> bytes:
    """The beginning of a text frame (RFC 6455, section 5.2), with at most `sent` bytes of its payload and never all."""
    payload = text.encode()
    return b"\x81\x7e" + len(payload).to_bytes(2, "big") + payload[: min(sent, len(payload) - 1)]


_FIELDS: dict[str, tuple[str, ...]] = {
    "job": ("stage", "layer", "layers", "height_mm", "done", "file", "run", "expected_s", "part_height_mm", "detail"),
    "head": ("x", "y", "z", "e", "feed_mm_min", "absolute", "absolute_extrusion", "retracted"),
}
_WORDS = frozenset({"stage", "file", "run", "detail"})
_FLAGS = frozenset({"absolute", "absolute_extrusion", "retracted"})


def junk(seed: int) -> tuple[str | bytes, ...]:
    """Messages that are not what the host says.

    Binary noise, broken JSON, JSON of odd shapes, and each fact once with each type that it can't have.
    """
    source = random.Random(seed)
    noise = [source.randbytes(source.randint(1, 200)) for _ in range(4)]
    broken = [
        "",
        "{",
        '{"jsonrpc":"2.0","method":"bench.news","params":{"head":{"z":NaN}}}',
        '{"jsonrpc":"2.0","method":"bench.news","params":{"job":{"layer":1e999}}}',
        '{"jsonrpc":"2.0","method":"bench.news","params":{"job":{"layer":3}',
        "[" * 5000,
        "\ufeff{}",
    ]
    odd: list[object] = [
        None,
        7,
        "words",
        [],
        [[]],
        {},
        {"params": None},
        {"params": []},
        {"result": {"job": 3}},
        {"id": []},
    ]
    odd += [_told(part, name, value) for part, names in _FIELDS.items() for name in names for value in _wrong(name)]
    odd += [_news({"job": 3}), _news({"head": [1, 2]}), _news({"console": {"line": 1}}), _news({"console": [None, 3]})]
    messages: list[str | bytes] = [*noise, *broken, *map(json.dumps, odd)]
    source.shuffle(messages)
    return tuple(messages)


def _wrong(name: str) -> tuple[object, ...]:
    always: tuple[object, ...] = (None, [], {})
    if name in _WORDS:
        return (*always, 3, True)
    if name in _FLAGS:
        return (*always, "yes", 0.5)
    return (*always, "three", True)


def _told(part: str, name: str, value: object) -> object:
    return _news({part: {name: value}})


def _news(params: object) -> object:
    return {"jsonrpc": "2.0", "method": "bench.news", "params": params}
