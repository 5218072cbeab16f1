"""Asking the host and the disk what the check wants to know."""

import asyncio
import os
import tempfile
from contextlib import suppress
from pathlib import Path

from lapsed.check.facts import HostFacts, StoreFacts
from lapsed.clock import monotonic
from lapsed.errors import LapsedError, RetryError
from lapsed.host.feed import Feed
from lapsed.model import Check, PrintInfo, Verdict
from lapsed.settings import Facts, FeedLink, Files
from lapsed.take import space

REACH_WITHIN_S = 3.0
"""How long a host may take to be connected to; it is a neighbour."""

LISTEN_S = 1.5
"""How long its messages are listened to, unless all facts are told before."""

_NOT_FACTS = frozenset({"console", "progress_full", "state"})
_POLL_S = 0.02


async def host(link: FeedLink) -> HostFacts:
    """What the host behind `link` tells when it is connected to and asked for all facts."""
    feed = Feed(link, lambda _event: None)
    running = asyncio.create_task(feed.run(), name="check of the host")
    where = link.url.partition("://")[2].partition("/")[0].rpartition("@")[2]
    try:
        until_s = monotonic() + REACH_WITHIN_S
        while not feed.connected and not feed.trouble and monotonic() < until_s:  # noqa: ASYNC110 - once in a command's life
            await asyncio.sleep(_POLL_S)
        if not feed.connected:
            return HostFacts(where, reached=False, trouble=feed.trouble or f"no answer within {REACH_WITHIN_S:g} s")
        return await _asked(feed, link, where)
    finally:
        running.cancel()
        with suppress(asyncio.CancelledError):
            await running


async def _asked(feed: Feed, link: FeedLink, where: str) -> HostFacts:
    trouble = ""
    if link.ask is not None:
        try:
            await feed.call(link.ask)
        except RetryError as error:
            trouble = str(error)
    until_s = monotonic() + LISTEN_S
    while _missing(feed) and monotonic() < until_s:  # noqa: ASYNC110 - once in a command's life
        await asyncio.sleep(_POLL_S)
    odd = tuple((name, one.sample) for name, one in feed.heard.odd.items())
    stage = None if feed.heard.stage is None else str(feed.heard.stage)
    return HostFacts(
        where,
        reached=True,
        trouble=trouble,
        missing=_missing(feed),
        odd=odd,
        stage=stage,
        file=feed.heard.known.file or "",
        running=_running(feed, stage),
        done=feed.heard.known.progress or 0.0,
    )


def _running(feed: Feed, stage: str | None) -> PrintInfo | None:
    """The print under way; what an idle host still tells is of its last one."""
    known = feed.heard.known
    if stage not in ("printing", "paused", "held"):
        return None
    return PrintInfo(known.file or "", layers=known.layers, height_mm=known.part_height_mm, expected_s=known.expected_s)


def _missing(feed: Feed) -> tuple[str, ...]:
    """The facts whose pointers found nothing so far."""
    names = [name for name in Facts.model_fields if name not in _NOT_FACTS]
    missing = tuple(name for name in names if getattr(feed.heard.known, name) is None)
    return missing if feed.heard.stage is not None else ("state", *missing)


def file(wanted: str, files: Files | None) -> tuple[str, Files]:
    """How the file `wanted` is asked for, and where: by its path, or by its name where the host keeps its files."""
    path = Path(wanted).expanduser()
    if path.exists() or files is None:
        whole = path.resolve()
        limits = {"most_mb": files.most_mb, "within_s": files.within_s} if files is not None else {}
        return whole.name, Files(folder=whole.parent, **limits)
    return wanted, files


def files(folder: Path) -> Check:
    """Whether printed files can be read in `folder`, as far as that shows before a print."""
    try:
        found = any(one.is_file() and os.access(one, os.R_OK) for one in folder.iterdir())
    except OSError as error:
        why = (error.strerror or str(error)).lower()
        advice = "name in [printer.files] the folder that the host shares, and give yourself the right to read it"
        return Check("printed files", Verdict.FAIL, f"{folder}: {why}", advice)
    if not found:
        advice = "see that it is the host's folder, and mounted; files in folders below it are found by their names"
        return Check("printed files", Verdict.WARN, f"no file that may be read stands in {folder}", advice)
    return Check("printed files", Verdict.PASS, f"{folder} can be read")


def store(folder: Path) -> StoreFacts:
    """Free space, and whether a file can be made where the takes are, or are to be."""
    place = folder.absolute()
    while not place.exists() and place != place.parent:
        place = place.parent
    trouble = None
    try:
        with tempfile.NamedTemporaryFile(dir=place, prefix=".lapsed-check-") as file:
            file.write(b"lapsed")
            file.flush()
    except OSError as error:
        trouble = (error.strerror or str(error)).lower()
    try:
        free_mb = space.free_mb(folder)
    except LapsedError:
        free_mb = 0.0
    return StoreFacts(str(folder), free_mb, trouble)
