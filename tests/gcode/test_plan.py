import json
import math
import xml.etree.ElementTree as ET
from fractions import Fraction

import pytest

from lapsed.gcode.choice import Wish, choose, climbed, evenly
from lapsed.gcode.plan import Camera, even_outline, outline, plan, seeker_for
from lapsed.gcode.plan_text import as_json, as_text, duration
from lapsed.gcode.plot import svg
from lapsed.gcode.reading import read
from lapsed.settings import Machine

MACHINE = Machine()


def test_trade_figures() -> None:
    # Trade practice, no source: 0.25 mm layers on a 48 mm part are 192; a 2 h print for a 12 s clip at 25 frames a
    # second wants a frame every 24 s.
    made = plan(even_outline(7200, 192), Wish(12), MACHINE, Camera())
    assert made.shots == 192
    assert made.clip_s == 12
    assert made.frames_per_shot == pytest.approx(300 / 192)
    assert "every 24.0 s" in made.warnings[-1]


@pytest.mark.parametrize(
    ("wish", "shots", "clip_s"),
    [
        (Wish(), 192, 192 / 25),
        (Wish(every=10), 20, 20 / 25),
        (Wish(4), 100, 4),
        (Wish(4, spread="time"), 100, 4),
        (Wish(4, Fraction(24000, 1001)), 96, 4),
        (Wish(every=2, rate=Fraction(24)), 96, 4),
    ],
)
def test_wishes(wish: Wish, shots: int, clip_s: float) -> None:
    made = plan(even_outline(6900, 192), wish, MACHINE, Camera())
    assert (made.shots, made.clip_s) == (shots, pytest.approx(clip_s))
    assert len({stop.layer for stop in made.stops}) == shots
    assert made.print_with_parking_s == pytest.approx(6900 + sum(made.park_s))


def test_even_in_height_and_even_in_time_differ() -> None:
    heights = [0.1 * i for i in range(1, 51)] + [5 + 0.3 * i for i in range(1, 51)]
    begins = [float(i) for i in range(100)]
    by_time = choose(heights, begins, Wish(0.4, spread="time"))
    by_height = choose(heights, begins, Wish(0.4, spread="height"))
    assert by_time == (0, 11, 22, 33, 44, 55, 66, 77, 88, 99)
    assert sum(i >= 50 for i in by_height) > sum(i >= 50 for i in by_time)
    assert by_height[0] == 0
    assert by_height[-1] == 99


def test_height_counts_on_through_objects() -> None:
    assert climbed([0.2, 0.4, 0.2, 0.4]) == pytest.approx([0.2, 0.4, 0.6, 0.8])


def test_evenly_never_repeats_nor_runs_out() -> None:
    assert evenly([0, 0, 0, 9, 9, 9], 5) == (0, 1, 2, 3, 5) or len(set(evenly([0, 0, 0, 9, 9, 9], 5))) == 5
    assert evenly([1, 2, 3], 3) == (0, 1, 2)
    assert evenly([1, 2, 3], 1) == (2,)


def test_warnings() -> None:
    camera = Camera(cycle_s=5, file_mb=25, card_mb=1000, disk_mb=2000, battery_shots=100)
    made = plan(even_outline(200, 192), Wish(), MACHINE, camera)
    text = " | ".join(made.warnings)
    assert "parking adds" in text
    assert "191 layers are over before the camera is ready again after 5 s (1-191)" in text
    assert "the shots need 4800 MB and the card has 1000 MB free" in text
    assert "and the disk has 2000 MB free" in text
    assert "192 shots are more than the battery's 100" in text


def test_a_file_is_planned_with_its_own_parks() -> None:
    body = "G28\nG92 E0\n" + "".join(
        f"G1 Z{0.2 * i:.2f} F600\nG1 X10 Y10 F9000\nG1 X190 E{i} F1800\n" for i in range(1, 11)
    )
    made = plan(outline(read([body.encode()])), Wish(), MACHINE, Camera())
    document = as_json(made, heights=True)
    assert document["layers"] == document["shots"] == 10
    assert document["heights_mm"] == pytest.approx([0.2 * i for i in range(1, 11)])
    assert document["cadence"] == {"every_layers": 1}
    assert document["rate"] == 25
    assert document["clip_s"] == 0.4
    assert "heights_mm" not in as_json(made, heights=False)
    assert json.dumps(document)
    assert min(made.park_s) > made.hold_s
    assert "10 layers" in as_text(made)


def test_a_part_too_high_to_travel_over_is_told() -> None:
    body = "G28\nG92 E0\nG1 Z248.5 F600\nG1 X10 Y10 E1\nG1 Z249.5\nG1 X20 E2\n"
    made = plan(outline(read([body.encode()])), Wish(), MACHINE, Camera())
    assert "no park after layer 1: travelling above the print" in made.warnings[0]


def test_many_parts_of_a_text() -> None:
    body = "G28\nM109 S200\nG92 E0\nG1 F3000\n" + "".join(
        f"G1 Z{z}\nG1 X{x}\nG1 X{x + 50} E{i}\n" for i, (x, z) in enumerate([(0, 249.1), (0, 249.5), (0, 249.9)], 1)
    )
    text = as_text(plan(outline(read([body.encode()])), Wish(every=1), MACHINE, Camera()))
    assert "with 2 min 00 s allowed for a wait for heat" in text
    assert "; so at 3 shots" in text
    objects = body.replace("M109 S200\n", "").replace("249", "1") + body.replace("249", "1").replace("X0", "X60")
    assert "2 objects one after another" in as_text(plan(outline(read([objects.encode()])), Wish(), MACHINE, Camera()))
    assert "one after every 3 layers" in as_text(plan(even_outline(100, 9), Wish(every=3), MACHINE, Camera()))
    assert "spread evenly by height" in as_text(plan(even_outline(100, 9), Wish(0.2), MACHINE, Camera()))
    assert "one after every layer" in as_text(plan(even_outline(100, 9), Wish(4), MACHINE, Camera()))


def test_shots_between_layers_without_a_file_are_even_in_time() -> None:
    made = plan(even_outline(600, 10), Wish(2, fill="between"), MACHINE, Camera(cycle_s=30))
    assert made.shots == 50
    assert [round(stop.at_s) for stop in made.stops[:3]] == [12, 24, 36]
    assert [stop.layer for stop in made.stops[:6]] == [0, 0, 0, 0, 1, 1]
    assert made.stops[-1].complete
    assert "between layers as well" in as_text(made)
    assert "over before the camera" in svg(made)


def test_a_file_of_few_lines_has_few_places_to_shoot_at() -> None:
    body = "G28\nG92 E0\nG1 F3000\nG1 Z0.2\nG1 X100 E1\nG1 Y100 E2\nG1 Z0.4\nG1 X0 E3\nG0 Y0\n"
    print_, wish = outline(read([body.encode()])), Wish(1, fill="between")
    found = read([body.encode()], seeker=seeker_for(print_, wish)).between
    made = plan(print_, wish, MACHINE, Camera(), between=found)
    assert 2 < made.shots < 8
    assert f"the file has only {made.shots} lines to shoot at for 25 frames" in " ".join(made.warnings)


def test_a_spiral_is_told() -> None:
    turns = "".join(
        f"G1 X{100 + 20 * math.cos(i / 8):.3f} Y{100 + 20 * math.sin(i / 8):.3f} Z{0.2 * i / 50:.4f} E{i / 10}\n"
        for i in range(500)
    )
    made = plan(outline(read([f"G28\nG92 E0\nG1 F3000\n{turns}".encode()])), Wish(), MACHINE, Camera())
    assert "a spiral, cut by its turns" in as_text(made)


def test_nothing_laid_is_told() -> None:
    made = plan(outline(read([b"G28\n"])), Wish(12), MACHINE, Camera())
    assert made.shots == 0
    assert made.warnings == ("no layer was found: nothing in the file feeds filament while the head moves",)
    assert "0 layers" in as_text(made)
    assert ET.fromstring(svg(made)).tag.endswith("svg")  # noqa: S314 - our own text


def test_the_plot_has_a_bar_for_each_layer_and_a_tick_for_each_shot() -> None:
    made = plan(even_outline(6900, 192), Wish(4), MACHINE, Camera())
    picture = svg(made)
    assert picture.count("v10") == 100
    assert picture.count("<rect") == 192 + 3
    assert ET.fromstring(picture).tag.endswith("svg")  # noqa: S314 - our own text


@pytest.mark.parametrize(
    ("seconds", "text"), [(6900, "1 h 55 min"), (250, "4 min 10 s"), (12.34, "12.3 s"), (3599.7, "1 h 00 min")]
)
def test_durations_are_said_as_people_say_them(seconds: float, text: str) -> None:
    assert duration(seconds) == text
