"""The kind `command`, in real workers, with real programs."""

import contextlib
import os
import sys
import time
from pathlib import Path

import psutil
import pytest
from pydantic import ValidationError

from lapsed.camera.command import open_camera
from lapsed.errors import UserError
from lapsed.model import Exposed, Landed, Missed, Released
from lapsed.settings import CommandCamera

KIND = "lapsed.camera.command:open_camera"
LIMITS = {"exposure_s": 0.01, "expose_within_s": 1.5, "fetch_within_s": 1.5, "ready_within_s": 30.0}
# The least with a whole JPEG's markers (ITU-T T.81, B.2), as a shell's printf takes it.
JPEG = r"\377\330\377\332\000\002s\377\331"
WHOLE = b"\xff\xd8\xff\xda\x00\x02s\xff\xd9"


@pytest.fixture
def program(tmp_path):
    """Makes a program of the given shell lines; `{once}` in them is a file that is there from the second run on."""

    def make(lines: str) -> str:
        path = tmp_path / "shoot"
        path.write_text(f"#!/bin/sh\n{lines.replace('{once}', str(tmp_path / 'once'))}\n")
        path.chmod(0o755)
        return str(path)

    return make


def part(*argv, **settings):
    return CommandCamera(**{"kind": "command", "argv": argv, **LIMITS, **settings})


WAYS = {
    "a file": (f"printf '{JPEG}' > \"$1\"", ("{out}",)),
    "stdout": (f"printf '{JPEG}'", ()),
    "a file, its name within a word": (f"printf '{JPEG}' > \"${{1#to=}}\"", ("to={out}",)),
    "a link to a file": (f"printf '{JPEG}' > {{once}}; ln -s {{once}} \"$1\"", ("{out}",)),
    "a file that has another name as well": (f"printf '{JPEG}' > {{once}}; ln {{once}} \"$1\"", ("{out}",)),
    "a file, with something else left running": (f"sleep 60 & printf '{JPEG}' > \"$1\"", ("{out}",)),
}


@pytest.mark.parametrize(("lines", "words"), WAYS.values(), ids=WAYS.keys())
async def test_a_picture_lands_for_each_shot(tend, program, tmp_path, lines, words):
    async with tend(part(program(lines), *words), KIND) as camera:
        await camera.ready()
        ends = [await camera.shoot(number) for number in (1, 2)]
        assert camera.stations(1) == [Released, Exposed, Landed]
        # What it does to its file afterwards is no concern of the frame's.
        (tmp_path / "once").write_bytes(b"the next")
        # Nothing it started outlives it.
        assert not psutil.Process(camera.keeper.worker_pid).children(recursive=True)
    assert [(camera.folder / name).read_bytes() for end in ends for name in end.files] == [WHOLE, WHOLE]


GOOD = f"printf '{JPEG}' > \"$1\""
FAULTS = {
    "hang": ("sleep 60", "the program was ended after "),
    "hang of something it started": ("sleep 60 & wait", "the program was ended after "),
    "crash": ("kill -SEGV $$", "the program was ended by signal 11"),
    "exit code": ("echo first >&2; echo 'no film' >&2; exit 3", "the program ended with code 3: no film"),
    "no file": ("echo 'the lens cap is on' >&2", "left no file {out}: the lens cap is on"),
    "zero bytes": (': > "$1"', "000002.jpg is empty"),
    "garbage": ('echo hello > "$1"', "000002.jpg is not a JPEG"),
    "no file but a folder": ('mkdir "$1"', "cannot be kept in"),
    "cut short": ("printf '\\377\\330\\377\\332\\000\\002s' > \"$1\"", "stops before its end"),
}


@pytest.mark.parametrize(("lines", "reason"), FAULTS.values(), ids=FAULTS.keys())
async def test_a_fault_costs_no_more_than_its_shot(tend, program, lines, reason):
    # The second run of three goes wrong.
    path = program(f"echo x >> {{once}}\nif [ $(wc -l < {{once}}) = 2 ]; then\n{lines}\nelse\n{GOOD}\nfi")
    async with tend(part(path, "{out}"), KIND) as camera:
        await camera.ready()
        assert isinstance(await camera.shoot(1), Landed)
        worker = camera.keeper.worker_pid
        missed = await camera.shoot(2)
        assert isinstance(missed, Missed)
        assert reason in missed.reason
        assert isinstance(await camera.shoot(3), Landed)
        assert camera.keeper.worker_pid == worker  # the program was ended, not the worker
        assert not psutil.Process(worker).children(recursive=True)


async def test_garbage_for_a_png_is_no_picture(tend, program):
    async with tend(part(program('echo hello > "$1"'), "{out}", suffix="png"), KIND) as camera:
        await camera.ready()
        missed = await camera.shoot(1)
    assert isinstance(missed, Missed)
    assert "000001.png is not a PNG" in missed.reason
    assert not list(camera.folder.iterdir())


async def test_a_program_that_tells_of_the_closed_shutter_lets_the_head_go_early(tend, program):
    path = program(f"echo exposed; sleep 0.3; printf '{JPEG}' > \"$1\"")
    async with tend(part(path, "{out}", tells_exposed=True), KIND) as camera:
        await camera.ready()
        landed = await camera.shoot(1)
    assert isinstance(landed, Landed)
    exposed = next(event for event in camera.of(1) if isinstance(event, Exposed))
    assert landed.at_s - exposed.at_s >= 0.25


async def test_a_program_that_never_tells_is_done_at_its_end(tend, program):
    async with tend(part(program(GOOD), "{out}", tells_exposed=True), KIND) as camera:
        await camera.ready()
        assert isinstance(await camera.shoot(1), Landed)


async def test_too_much_on_stdout_is_no_picture_and_much_is(tend, program):
    path = program(f"printf '{JPEG}'; head -c ${{1}} /dev/zero")
    async with tend(part(path, "900000", most_mb=1), KIND) as camera:
        await camera.ready()
        landed = await camera.shoot(1)
    assert isinstance(landed, Landed)
    assert landed.size_bytes == 900_000 + len(WHOLE)
    async with tend(part(path, "1100000", most_mb=1), KIND) as camera:
        await camera.ready()
        missed = await camera.shoot(2)
    assert isinstance(missed, Missed)
    assert "printed more than most_mb = 1 allows" in missed.reason


async def test_a_worker_that_dies_takes_the_program_with_it(tend, program, tmp_path):
    path = program(f"echo $$ > {tmp_path}/pid; exec sleep 60")
    async with tend(part(path, "{out}"), KIND) as camera:
        await camera.ready()
        camera.order(1)
        await camera.heard(Released, 1)
        pid = tmp_path / "pid"
        until = time.monotonic() + 10
        while not (pid.exists() and pid.read_text().strip()):
            assert time.monotonic() < until
        os.kill(camera.keeper.worker_pid, 9)
        assert isinstance(await camera.end(1), Missed)
    with contextlib.suppress(psutil.NoSuchProcess):
        while psutil.Process(int(pid.read_text())).status() != psutil.STATUS_ZOMBIE:
            assert time.monotonic() < until


def test_no_shell_reads_the_words(program, tmp_path):
    kind = open_camera(part(sys.executable, "-c", "import sys; print(sys.argv[1:])", "$HOME; {out}").model_dump())
    kind.ensure_ready()
    try:
        words = kind._words()
        assert words[-1].startswith("$HOME; /")
        assert Path(words[0]) == Path(sys.executable)
    finally:
        kind.ensure_stopped()


def test_a_program_that_is_not_there_is_told_when_the_camera_is_opened_and_while_idle(program):
    with pytest.raises(UserError, match="there is no program '/nowhere/shoot' that may be run: give its whole path"):
        open_camera(part("/nowhere/shoot").model_dump()).ensure_ready()
    path = program(GOOD)
    kind = open_camera(part(path, "{out}").model_dump())
    assert kind.ensure_ready() == kind.idle() == f"the program {path}"
    assert [check.what for check in kind.inspect()] == ["program", "shutter closed"]
    Path(path).unlink()
    with pytest.raises(UserError, match="is no longer there"):
        kind.idle()
    kind.ensure_stopped()


REFUSED = {
    "nothing": ({"argv": ()}, "at least 1"),
    "out first": ({"argv": ("{out}",)}, "argv begins with the program"),
    "stdout is the picture": ({"argv": ("shoot",), "tells_exposed": True}, "have the program write {out}"),
    "suffix": ({"argv": ("shoot",), "suffix": "../x"}, "suffix"),
}


@pytest.mark.parametrize(("settings", "sentence"), REFUSED.values(), ids=REFUSED.keys())
def test_settings_that_cannot_work_are_refused(settings, sentence):
    with pytest.raises(ValidationError, match=sentence):
        CommandCamera(kind="command", **settings)
