"""The command that gets to know a host: records what it says, and proposes where its facts stand."""

import argparse
import asyncio
import json
import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict
from pathlib import Path
from typing import TextIO

from lapsed import arguments, clock, configuration
from lapsed.errors import RetryError, UserError
from lapsed.host import recording
from lapsed.host.fold import HostState, fold
from lapsed.host.inference import Findings, infer
from lapsed.host.listening import listen
from lapsed.host.series import gather, leaves
from lapsed.model import ConsoleSeen, HostEvent, MotionSeen, ProgressSeen
from lapsed.settings import Call, FeedLink, States

SHOWN_A_SECOND = 15
"""Changes that are shown live; nobody reads more."""


def add_feed(parser: argparse.ArgumentParser) -> None:
    """What `feed` is called with."""
    parser.add_argument("url", nargs="?", metavar="URL", help="the host's WebSocket, such as ws://192.168.1.20:8130/")
    source = parser.add_mutually_exclusive_group()
    source.add_argument("--record", type=Path, metavar="FILE", help="keep what the host says in this file")
    source.add_argument("--replay", type=Path, metavar="FILE", help="read a recording instead of listening to a host")
    parser.add_argument(
        "--say", action="append", default=[], metavar="JSON", help="said on connecting: a method's name, or a message"
    )
    parser.add_argument(
        "--seconds", type=arguments.number(0, 1e6), metavar="S", help="listen for so long; else until interrupted"
    )
    parser.add_argument("--printer", metavar="NAME", help="use the link of this printer of the configuration")
    parser.add_argument("--write", type=Path, metavar="FILE", help="write the part of the configuration to this file")
    arguments.add_config(parser)
    parser.add_argument("--json", action="store_true", help="one JSON document on stdout")
    parser.set_defaults(func=_feed)


def _feed(args: argparse.Namespace) -> int:
    link = _link(args)
    if args.replay is not None:
        heard = list(recording.read(args.replay))
        if link is not None:
            return _replay(heard, link, as_json=args.json)
    else:
        heard = _listen(args, link)
    if not heard:
        raise UserError("the host said nothing; it may have to be asked first: see --say and its own reference")
    findings = infer(gather(heard))
    part = configured(args.url or (link.url if link is not None else "ws://HOST/"), args.say, findings)
    if args.write is not None:
        _write(args.write, part)
    if args.json:
        print(json.dumps({"messages": len(heard), **asdict(findings), "configuration": part}, indent=2))
    else:
        print(_told(findings, len(heard)))
        print(part if args.write is None else f"written to {args.write}")
    return 0 if findings.of("layer") or findings.of("progress") else 1


def _link(args: argparse.Namespace) -> FeedLink | None:
    if args.printer is None and args.config is None:
        if args.url is None and args.replay is None:
            raise UserError("name the host's URL, or --replay FILE, or --printer NAME of the configuration")
        return None
    printer = arguments.printers(configuration.load(configuration.locate(args.config)), args.printer)[0]
    if not isinstance(printer.link, FeedLink):
        raise UserError(f"printer {printer.name} is not followed by a feed")
    return printer.link


# ------------------------------------------------------------------------------------------------------- listening


def _listen(args: argparse.Namespace, link: FeedLink | None) -> list[recording.Heard]:
    url = args.url or (link.url if link is not None else "")
    calls = tuple(_call(text) for text in args.say) or (link.on_connect if link is not None else ())
    heard: list[recording.Heard] = []
    if not url.startswith(("ws://", "wss://")):
        raise UserError(f"{url} is no WebSocket address: it begins with ws:// or wss://")
    print(f"listening to {url}; print something small, and interrupt with Ctrl-C when it is done", file=sys.stderr)
    show, begun_s = _Show(sys.stderr), clock.monotonic()

    async def gather_all(file: TextIO | None) -> None:
        with suppress(TimeoutError):
            async with asyncio.timeout(args.seconds):
                async for message in listen(url, link.headers if link is not None else {}, calls):
                    one = recording.Heard(clock.monotonic() - begun_s, message)
                    heard.append(one)
                    if file is not None:
                        file.write(recording.line(one))
                        file.flush()
                    show.message(one)

    with _kept(args.record) as file, suppress(KeyboardInterrupt):
        try:
            asyncio.run(gather_all(file))
        except RetryError as error:
            if not heard:
                raise UserError(str(error)) from error
            print(f"lapsed: {error}", file=sys.stderr)
    return heard


def _call(text: str) -> Call:
    if not text.lstrip().startswith("{"):
        return Call(method=text)
    try:
        message = json.loads(text)
    except ValueError as error:
        raise UserError(f"--say {text[:60]} is neither a method's name nor JSON: {error}") from error
    return Call(message=message)


@contextmanager
def _kept(path: Path | None) -> Iterator[TextIO | None]:
    """The open file of a recording, or None where none is wanted."""
    if path is None:
        yield None
        return
    try:
        file = path.open("x", encoding="utf-8")
    except FileExistsError as error:
        raise UserError(f"{path} is there already; name another file") from error
    except OSError as error:
        raise UserError(f"cannot write {path}: {error.strerror}") from error
    with file:
        yield file


class _Show:
    """Shows values as they change, no more of them than can be read."""

    def __init__(self, out: TextIO) -> None:
        self._out = out
        self._seen: dict[str, object] = {}
        self._second = -1
        self._shown = 0
        self._left_out = 0

    def message(self, one: recording.Heard) -> None:
        """One more message came."""
        if int(one.at_s) != self._second:
            if self._left_out:
                print(f"         and {self._left_out} more changes", file=self._out)
            self._second, self._shown, self._left_out = int(one.at_s), 0, 0
        for pointer, value in leaves(one.message):
            if pointer in self._seen and self._seen[pointer] == value:
                continue
            self._seen[pointer] = value
            if self._shown < SHOWN_A_SECOND:
                print(f"{one.at_s:7.1f} s {pointer}  {json.dumps(value, ensure_ascii=False)[:80]}", file=self._out)
                self._shown += 1
            else:
                self._left_out += 1


# --------------------------------------------------------------------------------------------------------- telling


def configured(url: str, say: list[str], findings: Findings) -> str:
    """The part of the configuration that describes this host, as TOML."""
    lines = ["[printer.link]", 'kind = "feed"', f"url = {json.dumps(url)}"]
    plain = any(text.lstrip().startswith("{") for text in say)
    lines += ['protocol = "json"'] if plain else []
    for text in say:
        said = (
            f"message = {_inline(json.loads(text))}"
            if text.lstrip().startswith("{")
            else f"method = {json.dumps(text)}"
        )
        lines += ["", "[[printer.link.on_connect]]", said]
    lines += ["", "# Parking needs the host's own calls too: ask, run, hold and resume; see configs/lapsed.toml."]
    lines += ["", "[printer.link.facts]"]
    for found in findings.proposals:
        places = ", ".join(json.dumps(pointer) for pointer in found.pointers)
        lines.append(f"{found.fact} = [{places}]  # {found.confidence:.0%} sure: {found.why}")
    if findings.of("progress") is not None:
        lines.append(f"progress_full = {findings.full:g}")
    if findings.states:
        lines += ["", "[printer.link.states]"]
        lines += [f"{name} = {json.dumps(list(words), ensure_ascii=False)}" for name, words in findings.states.items()]
        # What was not seen keeps no words of another host.
        unseen = [name for name in States.model_fields if name not in findings.states]
        lines += [f"{name} = []  # not seen in this recording" for name in unseen]
    return "\n".join(lines) + "\n"


def _inline(value: object) -> str:
    """A JSON value as an inline value of TOML."""
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{json.dumps(str(key))} = {_inline(inner)}" for key, inner in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(map(_inline, value)) + "]"
    return json.dumps("" if value is None else value, ensure_ascii=False)


def _told(findings: Findings, count: int) -> str:
    lines = [f"{count} messages heard"]
    for found in findings.proposals:
        lines.append(f"  {found.fact:<20} {found.confidence:4.0%}  {found.pointers[0]}  ({found.why})")
        lines += [f"  {'':<20}       {pointer}" for pointer in found.pointers[1:]]
    missing = [name for name in ("layer", "height_mm", "progress", "state", "file") if findings.of(name) is None]
    if missing:
        lines.append(f"  not found: {', '.join(missing)}; record a whole small print, from before its start to its end")
    return "\n".join(lines) + "\n"


def _write(path: Path, part: str) -> None:
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(part)
    except FileExistsError as error:
        raise UserError(f"{path} is there already; name another file") from error
    except OSError as error:
        raise UserError(f"cannot write {path}: {error.strerror}") from error


def _replay(heard: list[recording.Heard], link: FeedLink, *, as_json: bool) -> int:
    """Say what the daemon would have understood of a recording."""
    state, told = HostState(), []
    for one in heard:
        state, events = fold(state, one.message, link)
        told += [(one.at_s, event) for event in events]
    odd = [f"{name}: {found.sample} ({found.count} times)" for name, found in state.odd.items()]
    if as_json:
        events_json = [{"at_s": at_s, "event": type(event).__name__, **asdict(event)} for at_s, event in told]
        print(json.dumps({"events": events_json, "odd": odd}, indent=2, default=str))
    else:
        for at_s, event in told:
            if not isinstance(event, MotionSeen | ConsoleSeen | ProgressSeen):
                print(f"{at_s:8.1f} s  {_sentence(event)}")
        for text in odd:
            print(f"odd: {text}")
    return 0 if any(not isinstance(event, MotionSeen | ConsoleSeen) for _, event in told) else 1


def _sentence(event: HostEvent) -> str:
    told = asdict(event)
    told |= told.pop("print", {})  # what is told of a print, among the rest
    facts = ", ".join(f"{name} {value}" for name, value in told.items() if value not in (None, "", {}))
    words = re.sub(r"(?<!^)(?=[A-Z])", " ", type(event).__name__).lower()
    return f"{words}: {facts}" if facts else words
