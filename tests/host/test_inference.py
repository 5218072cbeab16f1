"""What is found out about a host from how its values moved, and what a recording is good for."""

import asyncio
import itertools
import json
import random
import string
import tomllib

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from lapsed.__main__ import main
from lapsed.errors import UserError
from lapsed.host import recording
from lapsed.host.inference import infer
from lapsed.host.recording import Heard
from lapsed.host.series import MOST_ITEMS, gather, leaves
from lapsed.settings import FeedLink
from lapsed.sim.host import SimHost
from lapsed.sim.pace import Pace
from lapsed.sim.part import write_part


@pytest.fixture(scope="module")
def print_of_20_layers(tmp_path_factory):
    """What the simulated host says of a whole print, as an invented host with names like its own would."""
    return list(said(20))


def said(layers, seconds_each=8.0):
    """The messages of a host of the test's own making, with the habits that hosts have."""
    yield Heard(
        0.0,
        {"result": {"status": {"words": "standby", "file": None}, "gantry": {"x": 0.0, "y": 0.0, "z": 0.0, "e": 0.0}}},
    )
    at_s, e = 5.0, 0.0
    yield Heard(at_s, {"params": {"status": {"words": "busy", "file": "pier.gcode", "of": layers, "part": 0.0}}})
    for layer in range(1, layers + 1):
        for piece in range(4):
            at_s += seconds_each / 4
            e += 3.7
            base = round(0.3 + 0.2 * (layer - 1), 2)
            place = {"x": 40.0 + 7 * piece, "y": 90.0 - 3 * piece, "z": base + (0.6 if piece == 3 else 0), "e": e}
            status = {"part": round(((layer - 1) * 4 + piece + 1) / (layers * 4), 4), "temperature": 210 + piece % 2}
            if piece == 0:
                status |= {"at": layer, "up": base}
            yield Heard(at_s, {"params": {"status": status, "gantry": place, "uptime": 1000.0 + at_s}})
    yield Heard(at_s + 1, {"params": {"status": {"words": "complete"}}})


def scrambled(value, names, rng):
    if isinstance(value, dict):
        for key in value:
            names.setdefault(key, "".join(rng.choice(string.ascii_lowercase) for _ in range(6)))
        return {names[key]: scrambled(inner, names, rng) for key, inner in value.items()}
    return value


EXPECTED = {
    "layer": "/params/status/at",
    "layers": "/params/status/of",
    "height_mm": "/params/status/up",
    "progress": "/params/status/part",
    "state": "/params/status/words",
    "file": "/params/status/file",
}


def test_finds_facts_by_how_they_move(print_of_20_layers):
    found = infer(gather(print_of_20_layers))
    assert {fact: found.of(fact).pointers[0] for fact in EXPECTED} == EXPECTED
    assert found.of("z").pointers == ("/params/gantry/z", "/result/gantry/z")
    assert found.states == {"printing": ("busy",), "finished": ("complete",)}
    assert found.full == 1.0


@pytest.mark.parametrize("seed", range(5))
def test_finds_them_whatever_they_are_called(print_of_20_layers, seed):
    rng, names = random.Random(seed), {}
    told = [Heard(one.at_s, scrambled(one.message, names, rng)) for one in print_of_20_layers]
    found = infer(gather(told))
    for fact, pointer in EXPECTED.items():
        called = "/".join(names.get(step, step) for step in pointer.split("/"))
        assert found.of(fact) is not None, fact
        assert called in found.of(fact).pointers, fact
        assert found.of(fact).confidence < 1.0  # no name helped


def test_progress_in_percent_is_noticed(print_of_20_layers):
    told = [Heard(one.at_s, json.loads(json.dumps(one.message))) for one in print_of_20_layers]
    for one in told:
        status = one.message.get("params", {}).get("status", {})
        if "part" in status:
            status["part"] *= 100
    assert infer(gather(told)).full == 100.0


def test_a_recording_of_nothing_proposes_nothing():
    told = [Heard(float(at), {"ticks": at * 3.7, "word": "same"}) for at in range(30)]
    found = infer(gather(told))
    assert [proposal.fact for proposal in found.proposals if proposal.fact in EXPECTED] == []


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=6), inner, max_size=4),
    max_leaves=12,
)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(json_values, max_size=12))
def test_whatever_a_host_says_is_survived(messages):
    found = infer(gather(Heard(float(at), message) for at, message in enumerate(messages)))
    assert all(0 <= proposal.confidence <= 1 for proposal in found.proposals)


def test_places_are_json_pointers():
    # RFC 6901, section 5, the examples with "/" and "~" in names.
    assert dict(leaves({"a/b": 1, "m~n": 8, "": 0, "l": [[7]] + [0] * 20})) == {
        "/a~1b": 1,
        "/m~0n": 8,
        "/": 0,
        "/l/0/0": 7,
        **{f"/l/{index}": 0 for index in range(1, MOST_ITEMS)},
    }


def test_a_recording_is_read_as_it_was_written_even_if_cut_short(tmp_path, print_of_20_layers):
    path = tmp_path / "rec.jsonl"
    text = "".join(map(recording.line, print_of_20_layers))
    path.write_text(text)
    assert list(recording.read(path)) == print_of_20_layers
    path.write_text(text[:-30])
    assert list(recording.read(path)) == print_of_20_layers[:-1]


@pytest.mark.parametrize("text", ["no json\n{}\n", '{"at_s": "soon", "message": 1}\n\n', "[]\n\n", "\udcff"])
def test_what_is_no_recording_is_told_with_its_line(tmp_path, text):
    path = tmp_path / "rec.jsonl"
    path.write_bytes(text.encode("utf-8", "surrogateescape"))
    with pytest.raises(UserError, match="recording"):
        list(recording.read(path))


async def test_the_command_maps_a_host_and_the_mapping_replays(tmp_path, capsys):
    (tmp_path / "beacon.gcode").write_text(write_part(12))
    async with SimHost(pace=Pace(200)) as host:
        rec, part = tmp_path / "rec.jsonl", tmp_path / "part.toml"
        words = ["feed", host.url, "--say", "bench.watch", "--seconds", "30", "--record", str(rec)]
        listening = asyncio.create_task(asyncio.to_thread(main, words))
        await asyncio.sleep(0.5)
        await host.bench.begin(tmp_path / "beacon.gcode")
        await asyncio.wait_for(host.bench.ended.wait(), 30)
        await asyncio.sleep(0.3)
    assert await listening == 0  # the host went away: what it said is kept
    assert main(["feed", "--replay", str(rec), "--write", str(part)]) == 0
    found = tomllib.loads(part.read_text())["printer"]["link"]
    assert found["facts"]["layer"][0] == "/params/job/layer"
    assert found["states"]["printing"] == ["running"]
    FeedLink.model_validate({**found, "url": "ws://127.0.0.1:1/"})
    config = tmp_path / "lapsed.toml"
    config.write_text(
        '[[printer]]\nname = "pier"\nlink = { url = "ws://127.0.0.1:1/" }\n[[printer.camera]]\nkind = "gphoto"\n'
    )
    capsys.readouterr()
    assert main(["feed", "--replay", str(rec), "--config", str(config)]) == 0
    told = capsys.readouterr().out
    assert "print started: joined False, name beacon.gcode" in told
    assert all(f"layer seen: layer {layer}" in told for layer in range(1, 13))
    assert "print ended" in told


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ([], "name the host's URL"),
        (["http://127.0.0.1/"], "no WebSocket address"),
        (
            ["ws://127.0.0.1:9/"],
            "as a WebSocket at ws://127.0.0.1:9/: connection refused; check the address",
        ),
        (["ws://127.0.0.1:9/", "--say", "{half"], "neither a method's name nor JSON"),
        (["--replay", "/nowhere"], "cannot read the recording"),
    ],
)
def test_bad_input_is_told_in_a_sentence(capsys, words, says):
    assert main(["feed", *words]) == 2
    assert says in list(itertools.chain(capsys.readouterr().err.splitlines()))[-1]
