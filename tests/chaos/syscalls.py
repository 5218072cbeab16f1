"""Recorded system calls, and what a disk holds if the power goes after any of them.

strace(1) records what a program asks of the kernel. A file system may then have kept anything between two bounds:
all that was asked, as after a kill; and only what was synced, names by a sync of their folder, contents by one of the
file (fsync(2): "the entry in the directory containing the file ... an explicit fsync() on a file descriptor for the
directory is also needed"). What lies between is drawn by seed.
"""

import ast
import itertools
import random
import re
import subprocess
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

TRACED = "openat,close,dup,dup2,dup3,write,pwrite64,ftruncate,fallocate,fsync,fdatasync,rename,unlink,mkdir,rmdir"
_CALL = re.compile(r"(\w+)\((.*)\)\s+= (-?\d+)")
_TEXT = re.compile(r'"((?:[^"\\]|\\.)*)"')


@dataclass(frozen=True, slots=True)
class Call:
    """One call that succeeded; texts are as they were passed, figures are the other arguments."""

    name: str
    texts: tuple[bytes, ...]
    words: tuple[str, ...]
    result: int


def record(command: Sequence[str], out: Path, **how: object) -> list[Call]:
    """Run `command` to its end; its calls in the order in which they were over."""
    trace = ["strace", "-f", "-qq", "-xx", "-s", "4000000", "-e", f"trace={TRACED}", "-o", str(out)]
    subprocess.run([*trace, *command], check=True, **how)
    return list(_calls(out.read_text().splitlines()))


def _calls(lines: Sequence[str]) -> Iterator[Call]:
    begun: dict[str, str] = {}
    for line in lines:
        pid, _, text = line.partition(" ")
        text = text.strip()
        if text.endswith("<unfinished ...>"):
            begun[pid] = text.removesuffix("<unfinished ...>")
            continue
        if text.startswith("<..."):
            text = begun.pop(pid) + text.partition("resumed>")[2]
        found = _CALL.match(text)
        if found is None or int(found[3]) < 0:
            continue
        texts = tuple(ast.literal_eval(f'b"{one}"') for one in _TEXT.findall(found[2]))
        words = tuple(word.strip() for word in _TEXT.sub('""', found[2]).split(","))
        yield Call(found[1], texts, words, int(found[3]))


@dataclass(eq=False)
class File:
    """Contents as asked for; what is synced; and what was asked since."""

    synced: bytes = b""
    since: list[tuple[int, bytes | None]] = field(default_factory=list)

    def bytes(self, kept: Callable[[], bool]) -> bytes:
        """The contents if each change since the sync was `kept` or not."""
        data = bytearray(self.synced)
        for at, change in self.since:
            if not kept():
                continue
            if change is None:
                del data[at:]
                data.extend(bytes(at - len(data)))
            else:
                data.extend(bytes(max(0, at - len(data))))
                data[at : at + len(change)] = change
        return bytes(data)


@dataclass(eq=False)
class Folder:
    """Names as asked for; what is synced; and the changes since, each as a whole: names that go and that come."""

    names: dict[str, "File | Folder"] = field(default_factory=dict)
    synced: dict[str, "File | Folder"] = field(default_factory=dict)
    since: list[dict[str, "File | Folder | None"]] = field(default_factory=list)

    def change(self, changes: dict[str, "File | Folder | None"]) -> None:
        """Let names come and go, together."""
        self.since.append(changes)
        _apply(self.names, changes)

    def entries(self, kept: Callable[[], bool]) -> dict[str, "File | Folder"]:
        """The names if each change since the sync was `kept` or not."""
        names = dict(self.synced)
        for changes in self.since:
            if kept():
                _apply(names, changes)
        return names


def _apply(names: dict[str, "File | Folder"], changes: dict[str, "File | Folder | None"]) -> None:
    for name, what in changes.items():
        if what is None:
            names.pop(name, None)
        else:
            names[name] = what


class Disk:
    """What becomes of everything under `root`, call by call."""

    def __init__(self, root: Path) -> None:
        self._root = root
        self.top = Folder()
        self._open: dict[int, tuple[File | Folder | None, int]] = {}

    def take(self, call: Call) -> bool:
        """Follow a call; whether it changed or synced anything here."""
        match call.name:
            case "openat":
                return self._opened(call)
            case "close":
                self._open.pop(int(call.words[0]), None)
            case "write" | "pwrite64":
                return self._written(call)
            case "ftruncate":
                file = self._at(call)
                assert isinstance(file, File)
                file.since.append((int(call.words[1]), None))
                return True
            case "fsync" | "fdatasync":
                return self._synced(call)
            case "rename" | "unlink" | "mkdir" | "rmdir":
                return self._named(call)
            case "fallocate" | "dup" | "dup2" | "dup3":
                assert self._open.get(int(call.words[0]), (None, 0))[0] is None, call
        return False

    def _at(self, call: Call) -> File | Folder | None:
        return self._open.get(int(call.words[0]), (None, 0))[0]

    def _place(self, text: bytes) -> tuple[Folder, str] | None:
        path = Path(text.decode())
        if not path.is_relative_to(self._root):
            return None
        *way, name = path.relative_to(self._root).parts or ("",)
        folder = self.top
        for part in way:
            step = folder.names[part]
            assert isinstance(step, Folder)
            folder = step
        return folder, name

    def _opened(self, call: Call) -> bool:
        place = self._place(call.texts[0])
        if place is None:
            self._open.pop(call.result, None)
            return False
        folder, name = place
        found = folder.names.get(name) if name else folder
        fresh = found is None
        if found is None:
            found = File()
            folder.change({name: found})
        elif "O_TRUNC" in call.words[2] and isinstance(found, File):
            found.since.append((0, None))
        self._open[call.result] = (found, 0)
        return fresh

    def _written(self, call: Call) -> bool:
        file, at = self._open.get(int(call.words[0]), (None, 0))
        if not isinstance(file, File):
            return False
        data = call.texts[0][: call.result]
        if call.name == "pwrite64":
            at = int(call.words[3])
        else:
            self._open[int(call.words[0])] = (file, at + len(data))
        file.since.append((at, data))
        return True

    def _synced(self, call: Call) -> bool:
        what = self._at(call)
        if isinstance(what, File):
            what.synced, what.since = what.bytes(lambda: True), []
        elif isinstance(what, Folder):
            what.synced, what.since = dict(what.names), []
        return what is not None

    def _named(self, call: Call) -> bool:
        place = self._place(call.texts[0])
        if place is None:
            return False
        folder, name = place
        match call.name:
            case "mkdir":
                folder.change({name: Folder()})
            case "rename":
                target = self._place(call.texts[1])
                assert target is not None
                assert target[0] is folder
                folder.change({name: None, target[1]: folder.names[name]})
            case _:
                folder.change({name: None})
        return True

    def lay_out(self, there: Path, kept: Callable[[], bool]) -> None:
        """Write down what the disk holds if each change that wasn't synced was `kept` or not."""
        _lay_out(self.top, there, kept)


def _lay_out(folder: Folder, there: Path, kept: Callable[[], bool]) -> None:
    there.mkdir()
    for name, what in folder.entries(kept).items():
        if isinstance(what, Folder):
            _lay_out(what, there / name, kept)
        else:
            (there / name).write_bytes(what.bytes(kept))


def whims(seed: int) -> dict[str, Callable[[], bool]]:
    """Ways in which a disk may keep what was not synced."""
    source = random.Random(seed)
    return {"all": lambda: True, "nothing": lambda: False, "some": lambda: source.random() < 0.5}


def numbered(calls: Sequence[Call]) -> Iterator[tuple[int, Call]]:
    """The calls with their numbers."""
    return zip(itertools.count(), calls, strict=False)
