"""What a command line is answered with: lists, typos, and how little is loaded for it."""

import os
import subprocess
import sys
import time

import pytest

from lapsed.__main__ import BAD_INPUT, COMMANDS, _parser, main
from lapsed.commands_takes import _local


@pytest.mark.parametrize("name", COMMANDS)
def test_each_command_has_its_help(name, capsys):
    with pytest.raises(SystemExit) as ended:
        main([name, "--help"])
    assert (ended.value.code, capsys.readouterr().err) == (0, "")


@pytest.mark.parametrize("words", [["--verbose", "takes"], ["takes", "--verbose"]])
def test_verbose_is_taken_before_and_after_the_command(words):
    assert _parser(words).parse_args(words).verbose
    assert not _parser(["takes"]).parse_args(["takes"]).verbose


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ("tke", "there is no command 'tke'; did you mean 'takes'? lapsed --help lists all"),
        ("zzz", "there is no command 'zzz'; lapsed --help lists all"),
    ],
)
def test_a_typo_in_a_command_is_answered_with_the_nearest(typed, told, capsys):
    assert main(["--verbose", typed, "--json"]) == BAD_INPUT
    assert capsys.readouterr().err == f"lapsed: {told}\n"


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("feed --record a --replay b", "argument --replay: not allowed with argument --record"),
        ("mark in out --watch --undo", "argument --undo: not allowed with argument --watch"),
        ("mark in out --length 3 --every 2", "argument --every: not allowed with argument --length"),
        ("plan in --heights", "--heights goes with --json"),
        ("shoot --at 0.2,0.2", "--at names the spot that --focus looks at"),
        ("bridge --printer a --port b", "give either --printer NAME, or --port and --link"),
    ],
)
def test_options_that_don_t_go_together_are_refused_and_not_passed_over(line, told, capsys):
    assert main(line.split()) == BAD_INPUT
    assert told in capsys.readouterr().err


@pytest.mark.parametrize("redirection", [">&-", "2>&-", ">&- 2>&-", ">/dev/full", "| head -n 0"])
def test_what_nobody_can_read_or_keep_ends_no_command_in_a_traceback(redirection, tmp_path):
    line = f"{sys.executable} -m lapsed snippet {redirection}"
    environ = {"HOME": str(tmp_path), "PATH": "/usr/bin:/bin"}
    done = subprocess.run(
        ["/bin/sh", "-c", line], cwd=tmp_path, env=environ, capture_output=True, text=True, check=False
    )
    assert "Traceback" not in done.stderr
    assert "Exception" not in done.stderr
    assert done.returncode == (BAD_INPUT if "full" in redirection else 0)
    assert ("No space left on device" in done.stderr) == ("full" in redirection)


@pytest.mark.parametrize("encoding", ["ascii", "utf-8"])
def test_names_that_the_terminal_has_no_signs_for_are_told_all_the_same(encoding, tmp_path):
    store = os.fsencode(tmp_path) + b"/Gr\xf6\xc3\x9fe"  # the first letter in ISO 8859-1, the second in UTF-8
    os.mkdir(store)  # noqa: PTH102 - pathlib takes no bytes
    words = [sys.executable, "-m", "lapsed", "takes", "--store", store]
    environ = {**os.environ, "PYTHONIOENCODING": f"{encoding}:strict"}
    done = subprocess.run(words, env=environ, capture_output=True, check=False)
    assert (done.returncode, done.stderr) == (0, b"")
    assert b"no takes in " in done.stdout


def test_what_a_command_has_to_say_bears_no_time_of_day(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    done = subprocess.run(
        [sys.executable, "-m", "lapsed", "snippet"], cwd=tmp_path, capture_output=True, text=True, check=True
    )
    assert done.stderr.startswith("lapsed: there is no configuration: reckoning with a bed of 220 x 220 mm")


@pytest.mark.parametrize(
    ("words", "spared"),
    [
        # A host waits for the second at each layer, on a small computer.
        (["--help"], {"pydantic", "asyncio", "lapsed.settings"}),
        (["signal", "layer", "--config", "none.toml"], {"starlette", "uvicorn", "websockets", "numpy", "asyncio"}),
        (["takes", "--config", "none.toml"], {"starlette", "uvicorn", "websockets", "numpy", "asyncio"}),
    ],
)
def test_a_command_loads_only_what_it_needs(words, spared, tmp_path):
    told = (
        "import sys\nfrom lapsed.__main__ import main\n"
        "try:\n    main(sys.argv[1:])\nexcept SystemExit:\n    pass\n"
        "print(*sys.modules)"
    )
    done = subprocess.run(
        [sys.executable, "-c", told, *words], cwd=tmp_path, capture_output=True, text=True, check=True
    )
    assert set(done.stdout.splitlines()[-1].split()) & spared == set()


def test_a_store_that_is_not_there_is_no_store_without_takes(tmp_path, capsys):
    assert main(["takes", "--store", str(tmp_path / "takse")]) == BAD_INPUT
    assert f"there is no folder {tmp_path / 'takse'}" in capsys.readouterr().err
    assert main(["takes", "--store", str(tmp_path)]) == 0


@pytest.mark.parametrize(
    ("utc", "shown"),
    [
        # POSIX.1-2017, 8.3: "AAA-3" is three hours east of Greenwich.
        ("2026-03-01T22:30:05.123456Z", "2026-03-02 01:30:05"),
        ("soon", "soon"),
        (None, "None"),
    ],
)
def test_times_of_a_take_are_told_by_the_clock_on_the_wall(utc, shown, monkeypatch):
    monkeypatch.setenv("TZ", "AAA-3")
    time.tzset()
    try:
        assert _local(utc) == shown
    finally:
        monkeypatch.undo()
        time.tzset()
