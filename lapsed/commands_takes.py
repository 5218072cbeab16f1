"""The command that looks back."""

import argparse
import json
from contextlib import suppress
from dataclasses import asdict
from datetime import datetime
from pathlib import Path

from lapsed import arguments, client, configuration
from lapsed.errors import RetryError, UserError
from lapsed.settings import Settings
from lapsed.take import reader


def add_takes(parser: argparse.ArgumentParser) -> None:
    """What `takes` is called with."""
    parser.add_argument("take", nargs="?", metavar="TAKE", help="a take's name or folder")
    parser.add_argument("--store", type=Path, metavar="DIR", help="where the takes are, instead of the configuration's")
    arguments.add_config(parser)
    parser.add_argument("--json", action="store_true", help="one JSON document on stdout")
    parser.set_defaults(func=_takes)


def _takes(args: argparse.Namespace) -> int:
    if args.take is not None and (Path(args.take) / "take.db").is_file():
        return _one_take(Path(args.take), as_json=args.json)
    whole = configuration.load(configuration.locate(args.config)) if args.store is None else None
    store = (args.store if whole is None else whole.store.folder).expanduser()
    if args.take is not None:
        return _one_take(_confined(store, args.take), as_json=args.json)
    if args.store is not None and not store.exists():
        raise UserError(f"there is no folder {store}; name the one that holds the takes")
    takes = reader.list_takes(store)
    if whole is not None and not args.json:
        _tell_now(whole)
    if args.json:
        print(json.dumps([asdict(take) for take in takes], indent=2, default=str))
        return 0
    for take in takes:
        if take.problem is not None:
            print(f"{take.name}  {take.problem}")
            continue
        state = take.outcome or "open"
        card = f", {take.on_card} on the card" if take.on_card else ""
        print(f"{take.name}  {state}, {take.cues} cues, {take.landed} landed, {take.missed} missed{card}")
    if not takes:
        print(f"no takes in {store}")
    return 0


def _tell_now(whole: Settings) -> None:
    """What a running daemon films at this moment; nothing where none runs."""
    with suppress(RetryError, UserError):
        for printer in client.of(whole).get("/api/now")["printers"]:
            if printer["take"] is not None:
                take = printer["take"]
                name, printed = printer["name"], printer["print"]["name"]
                print(f"{name} films {printed} now: {take['landed']} of {take['shots']} shots landed")


def _confined(store: Path, name: str) -> Path:
    if Path(name).name != name or name in ("", ".", ".."):
        raise UserError(f"{name} is not a take: no take.db in it, and names of takes have no folders in them")
    return store / name


def _one_take(folder: Path, *, as_json: bool) -> int:
    view = reader.read_take(folder)
    if as_json:
        print(json.dumps(asdict(view), indent=2, default=str))
        return 0
    landed = sum(shot.outcome == "landed" for shot in view.shots)
    print(f"take     {view.name}")
    print(f"print    {view.print.name}")
    print(f"began    {_local(view.started_utc)}")
    outcome = f", {view.outcome}" if view.outcome else ""
    reason = f" ({view.reason})" if view.reason else ""
    print(f"ended    {_local(view.ended_utc) if view.ended_utc else 'still open'}{outcome}{reason}")
    print(f"cues     {len(view.cues)}, {landed} frames landed from {', '.join(view.cameras)}")
    waiting = sum(shot.outcome == "on card" for shot in view.shots)
    if waiting:
        print(f"on card  {waiting} frames are on the camera's card: lapsed ingest {folder} FOLDER")
    missed = [shot for shot in view.shots if shot.outcome == "missed"]
    for shot in missed:
        print(f"missed   shot {shot.cue} of {shot.camera}: {shot.reason}")
    for event in reader.news(view.events):
        print(f"event    {_local(event.utc)} {event.text}")
    return 0


def _local(utc: str | None) -> str:
    """A time of the journal as the clock on the wall shows it; as it stands where it is none."""
    try:
        return f"{datetime.fromisoformat(utc or '').astimezone():%Y-%m-%d %H:%M:%S}"
    except (ValueError, OverflowError):
        return str(utc)
