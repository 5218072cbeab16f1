"""Layers told as a print streams by, beside those of the whole file."""

import json

import pytest

from lapsed.bridge import layering
from lapsed.bridge.reading import LayerBegins, Reading
from lapsed.gcode import bedding, layers, rises
from lapsed.gcode.dialect import Dialect
from lapsed.gcode.reading import read
from lapsed.sim.part import write_part
from tests.bridge.line import DATA, sliced, squares


def told(lines):
    reading = Reading(Dialect())
    found = []
    for at, line in enumerate(lines):
        found += [(at, news) for news in reading.read(f"{line}\n".encode()) if isinstance(news, LayerBegins)]
    return found


def after_one_another(layers):
    one, two = squares(layers), squares(layers, at=(120.0, 120.0))
    body = two[two.index("G92 E0", 8) + 1 : -3]
    return [*one[:-3], "G1 Z30 F600", "G92 E0", *body, *one[-3:]]


def spiral(turns):
    lines = squares(3)[:-3]
    e = 10.0
    for step in range(turns * 40):
        x, y = (50 + 10 * (step % 20) / 20, 50) if step % 40 < 20 else (60 - 10 * (step % 20) / 20, 60)
        e += 0.05
        lines.append(f"G1 X{x:.3f} Y{y:.3f} Z{0.6 + 0.2 * step / 40:.4f} E{e:.4f}")
    return lines


def wipe_tower(layers):
    """A tower beside the part that is built two layers behind it."""
    lines = []
    for line in squares(layers):
        lines.append(line)
        if line.startswith("G0 Z") and float(line[4:].split()[0]) > 1.2:
            height = float(line[4:].split()[0]) - 0.4 - 0.4
            lines += [f"G0 Z{height:.2f}", "G92 E0", "G1 X90 Y90", "G1 X95 Y90 E0.2", "G92 E0", line]
    return lines


@pytest.mark.parametrize(
    "lines",
    [
        pytest.param(write_part(12).splitlines(), id="the beacon with its purge line"),
        pytest.param(squares(8), id="squares"),
        pytest.param(squares(8, relative=True), id="relative extrusion"),
        pytest.param(after_one_another(9), id="objects one after another"),
        pytest.param(after_one_another(3), id="low objects one after another"),
        pytest.param(spiral(5), id="a spiral on three flat layers"),
    ],
)
def test_a_streaming_print_has_as_many_layers_as_its_file(lines):
    whole = read([("\n".join(lines) + "\n").encode()])
    streamed = told(lines)
    assert streamed[-1][1].number == len(whole.layers)


TRUTH = json.loads((DATA / "truth.json").read_text())["files"]


@pytest.mark.parametrize("whole", TRUTH, ids=[each["file"] for each in TRUTH])
def test_real_sliced_files_have_the_layers_that_their_slicers_say(whole):
    name = whole["file"].removesuffix(".gcode")
    streamed = told(
        line.partition(";")[0].encode("utf-8", "surrogateescape").decode("latin-1") for line in sliced(name)
    )
    # The rest of a spiral's last turn counts as a layer while nobody can know that it is the last.
    assert streamed[-1][1].number in (whole["layers"], whole["layers"] + (name == "vase-spiral"))


def test_each_layer_is_told_with_the_line_that_lays_its_first_filament():
    lines = write_part(12).splitlines()
    whole = read([("\n".join(lines) + "\n").encode()])
    streamed = told(lines)
    wanted = {layer.begin.line: round(layer.height_mm, 3) for layer in whole.layers}
    assert {at: round(layer.height_mm, 3) for at, layer in streamed[1:]} == dict(list(wanted.items())[1:])


def test_a_tower_that_lags_behind_is_no_object():
    assert told(wipe_tower(9))[-1][1].number == 9


def test_a_nozzle_cleaned_higher_up_takes_no_number():
    lines = squares(4)
    start = lines.index("G92 E0", 8) + 1
    lines[start:start] = ["G1 X5 Y5 Z0.4 F3000", "G1 X60 Y5 E4", "G92 E0"]
    assert [layer.number for _, layer in told(lines)] == [1, 1, 2, 3, 4]


@pytest.mark.parametrize(
    ("name", "module"), [("SAME_MM", rises), ("PURGE_LINES", layers), ("APART_MM", layers), ("ROUND_MM", bedding)]
)
def test_the_figures_are_those_of_whole_files(name, module):
    assert getattr(layering, name) == getattr(module, name)
