"""Files that lead a counter of layers astray, each made with the heights that are its truth."""

import math
import random
from collections.abc import Callable

import pytest

from lapsed.gcode.reading import read

HEAD = "G28\nG92 E0\nM83\nG1 F3000\n"
PART = (50.0, 50.0, 20.0)


def even(count: int, step: float = 0.2, first: float = 0.2) -> list[float]:
    return [round(first + step * i, 4) for i in range(count)]


def square(x: float, y: float, size: float, e: float = 0.5, tail: str = "") -> str:
    return (
        f"G0 X{x} Y{y}\nG1 X{x + size} Y{y} E{e}{tail}\nG1 X{x + size} Y{y + size} E{e}{tail}\n"
        f"G1 X{x} Y{y + size} E{e}{tail}\nG1 X{x} Y{y} E{e}{tail}\n"
    )


def stack(heights: list[float], *places: tuple[float, float, float]) -> str:
    return "".join(f"G0 Z{z:.3f}\n" + "".join(square(*place) for place in places or (PART,)) for z in heights)


def ring(z: float, radius: float = 20, each: int = 96, e: float = 0.04) -> str:
    angles = [math.tau * i / each for i in range(1, each + 1)]
    body = f"G0 X{100 + radius} Y100 Z{z:.3f}\n"
    return body + "".join(
        f"G1 X{100 + radius * math.cos(a):.3f} Y{100 + radius * math.sin(a):.3f} E{e}\n" for a in angles
    )


def helix(base: float, step: float, turns: int, each: int, digits: int, *, always: bool = True) -> str:
    """A spiral from `base` up; with `always` every move tells Z, else only those whose rounded Z is new."""
    body, last = "", ""
    for i in range(1, turns * each + 1):
        a, z = math.tau * i / each, f" Z{base + step * i / each:.{digits}f}"
        body += (
            f"G1 X{100 + 20 * math.cos(a):.3f} Y{100 + 20 * math.sin(a):.3f}{z if always or z != last else ''} E0.04\n"
        )
        last = z
    return body


def spiral(solid: int, turns: int, each: int, digits: int, *, step: float = 0.2, always: bool = True) -> str:
    return "".join(ring(z) for z in even(solid, step, step)) + helix(
        solid * step, step, turns, each, digits, always=always
    )


def spiral_finely_divided() -> tuple[str, list[float]]:
    return HEAD + spiral(3, 20, 700, 3), even(22)


def spiral_rounded_to_hundredths() -> tuple[str, list[float]]:
    return HEAD + spiral(1, 30, 160, 2), even(30)


def spiral_that_tells_z_when_it_changes() -> tuple[str, list[float]]:
    return HEAD + spiral(2, 30, 300, 3, always=False), even(31)


def spiral_with_solid_layers_and_a_level_end() -> tuple[str, list[float]]:
    return HEAD + spiral(5, 40, 96, 3) + ring(9.0), even(44)


def two_spirals_one_after_another() -> tuple[str, list[float]]:
    one = spiral(2, 20, 96, 3)
    return HEAD + one + "G0 Z20\nG0 X10\n" + spiral(2, 30, 96, 3), even(21) + even(31)


def spiral_after_a_brim_and_purge() -> tuple[str, list[float]]:
    purge = "G0 X5 Y20 Z0.3\nG1 Y180 E14\nG0 X5.4\nG1 Y20 E14\nG0 Z2\n"
    return HEAD + purge + ring(0.2, 28) + ring(0.2, 26) + spiral(2, 25, 96, 3), even(26)


def purge_lower_than_the_first_layer() -> tuple[str, list[float]]:
    return HEAD + "G0 X2 Y10 Z0.2\nG1 Y150 E9\nG0 X2.4\nG1 Y10 E9\n" + stack(even(20, 0.2, 0.3)), even(20, 0.2, 0.3)


def purge_as_an_arc_round_the_bed() -> tuple[str, list[float]]:
    purge = "G0 X0 Y-130 Z0.2\nG3 X130 Y0 I0 J130 E12\nG3 X0 Y130 I-130 J0 E12\n"
    return HEAD + purge + stack(even(20, 0.2, 0.3), (-20, -20, 40)), even(20, 0.2, 0.3)


def purge_in_a_zigzag() -> tuple[str, list[float]]:
    rows = "".join(f"G1 X{10 if i % 2 else 60} E3\nG1 Y{3 + 0.4 * i:.1f}\n" for i in range(50))
    return HEAD + "G0 X10 Y3 Z0.28\n" + rows + stack(even(15)), even(15)


def purge_lines_at_two_heights() -> tuple[str, list[float]]:
    purge = "G0 X2 Y10 Z0.4\nG1 Y90 E9\nG0 Z0.3\nG1 Y180 E9\nG0 Z0.15 X3\nG1 Y90 E5\nG0 Z2\n"
    return HEAD + purge + stack(even(15)), even(15)


def purge_that_slopes() -> tuple[str, list[float]]:
    purge = "G0 X2 Y10 Z0.6\nG1 Y90 Z0.4 E9\nG1 Y180 Z0.25 E9\nG0 Z2\n"
    return HEAD + purge + stack(even(15)), even(15)


def purge_at_the_first_layers_height() -> tuple[str, list[float]]:
    return HEAD + "G0 X2 Y10 Z0.2\nG1 Y150 E9\nG0 Z3\n" + stack(even(15)), even(15)


def purge_in_the_air() -> tuple[str, list[float]]:
    return HEAD + "G0 X2 Y10 Z12\nG1 Y14 E9\nG1 E5\nG0 Z2\n" + stack(even(15)), even(15)


def prime_tower_that_begins_before_the_part() -> tuple[str, list[float]]:
    tower = (150.0, 150.0, 8.0)
    body = f"G0 Z0.2\n{square(*tower)}" + "".join(
        f"G0 Z{z:.2f}\n{square(*PART)}{square(*tower)}" for z in even(15, 0.2, 0.35)
    )
    return HEAD + body, [0.2, *even(15, 0.2, 0.35)]


def skirt_far_away_in_the_first_layer() -> tuple[str, list[float]]:
    return HEAD + f"G0 Z0.2\n{square(5, 5, 200)}{square(*PART)}" + stack(even(14, 0.2, 0.4)), even(15)


def tower_with_heights_of_its_own() -> tuple[str, list[float]]:
    body, heights, tower = "", list[float](), 0.0
    for i, z in enumerate(even(30)):
        body += f"G0 Z{z:.2f}\nG1 E-1\nT{i % 2}\nG1 E1\n"
        if i % 3 == 0:
            tower = round(tower + 0.3, 2)
            if tower < z:
                body += f"G0 Z{tower:.2f}\n{square(150, 150, 10)}G0 Z{z:.2f}\n"
        body += square(*PART)
        heights.append(z)
    return HEAD + body, heights


def tower_that_catches_up_by_two() -> tuple[str, list[float]]:
    body = ""
    for i, z in enumerate(even(30)):
        body += f"G0 Z{z:.2f}\n{square(*PART)}"
        if i % 6 == 5:
            low = z - 0.6
            body += f"T1\nG0 Z{low:.2f}\n{square(150, 150, 10)}G0 Z{low + 0.2:.2f}\n{square(150, 150, 10)}T0\n"
    return HEAD + body, even(30)


def tower_that_ends_below_the_part() -> tuple[str, list[float]]:
    return HEAD + stack(even(20)) + f"T1\nG0 Z2.2\n{square(150, 150, 10)}", even(20)


def extruders_that_draw_back_far() -> tuple[str, list[float]]:
    body = ""
    for i, z in enumerate(even(20)):
        body += f"G1 E-15\nT{i % 2}\nG0 Z{z:.2f}\n" + ("G1 E15\n" if i > 1 else "") + square(50, 50, 4, 0.1)
    return HEAD + body, even(20)


def raft_and_supports() -> tuple[str, list[float]]:
    raft = [0.3, 0.57, 0.84, 1.04]
    heights = [*raft, *even(25, 0.2, 1.314)]
    body = stack(raft, (40, 40, 40))
    for z in heights[4:]:
        body += f"G0 Z{z:.3f}\n{square(*PART)}G0 Z{z + 0.003:.3f}\n{square(75, 50, 8)}G0 Z{z:.3f}\n{square(52, 52, 4)}"
    return HEAD + body, heights


def supports_below_the_part() -> tuple[str, list[float]]:
    body = "".join(f"G0 Z{z - 0.003:.3f}\n{square(75, 50, 8)}G0 Z{z:.3f}\n{square(*PART)}" for z in even(25))
    return HEAD + body, even(25)


def wavy_surface() -> tuple[str, list[float]]:
    body, chance = "", random.Random(4)
    for z in even(25):
        body += f"G0 X50 Y50 Z{z:.3f}\n"
        for i in range(40):
            body += f"G1 X{50 + i % 7} Y{50 + i} Z{z + chance.uniform(-0.02, 0.02):.3f} E0.1\n"
    return HEAD + body, even(25)


def levelled_by_the_slicer() -> tuple[str, list[float]]:
    body = ""
    for z in even(25):
        body += f"G0 X50 Y50 Z{z - 0.015:.3f}\n"
        body += "".join(f"G1 X{50 + i} Z{z + 0.015 * math.sin(i / 6 - 1.57):.4f} E0.1\n" for i in range(1, 60))
    return HEAD + body, even(25)


def hop_that_feeds_back_what_was_drawn() -> tuple[str, list[float]]:
    body = ""
    for z in even(20):
        body += f"G0 Z{z:.2f}\n{square(*PART)}G1 X55 E-0.4\nG1 X58 Z{z + 0.3:.2f} E-0.6\nG0 X70 Y70\n"
        body += f"G1 X72 Y70 E0.5\nG1 X74 Z{z:.2f} E0.5\n{square(72, 70, 5)}"
    return HEAD + body, even(20)


def ironing() -> tuple[str, list[float]]:
    body = stack(even(20)) + "G0 Z4.01\n" + "".join(f"G1 X{50 + i} E0.005\nG1 Y{50 + i % 2 * 20}\n" for i in range(20))
    return HEAD + body, even(20)


def thin_layers() -> tuple[str, list[float]]:
    return HEAD + stack(even(40, 0.05, 0.15)), even(40, 0.05, 0.15)


def objects_of_three_heights() -> tuple[str, list[float]]:
    body = stack(even(12), (10, 10, 20)) + "G0 Z10\n" + stack(even(30), (60, 10, 20))
    return HEAD + body + "G0 Z20\n" + stack(even(5), (110, 10, 20)), even(12) + even(30) + even(5)


def objects_with_a_purge_and_hops() -> tuple[str, list[float]]:
    body = "G0 X2 Y10 Z0.3\nG1 Y150 E9\nG0 Z2\n"
    for x in (20, 80, 140):
        for z in even(10):
            body += f"G0 Z{z + 0.4:.2f}\nG0 X{x} Y20\nG0 Z{z:.2f}\n{square(x, 20, 20)}G0 Z{z + 0.4:.2f}\n"
        body += "G0 Z15\n"
    return HEAD + body, even(10) * 3


def groups_taken_in_turns() -> tuple[str, list[float]]:
    low, high = even(10), even(10, 0.2, 2.2)
    one, two = (10, 10, 20), (110, 10, 20)
    return HEAD + stack(low, one) + stack(low, two) + stack(high, one) + stack(high, two), [*low, *low, *high, *high]


def named_heights_shifted() -> tuple[str, list[float]]:
    return HEAD + "G0 Z5\nG92 Z5.05\n" + stack(even(15)), [z - 0.05 for z in even(15)]


def a_layer_of_one_line() -> tuple[str, list[float]]:
    body = stack(even(10)) + "".join(f"G0 X50 Y50 Z{z:.2f}\nG1 X51 E0.03\n" for z in even(6, 0.2, 2.2))
    return HEAD + body, even(16)


def helical_hops() -> tuple[str, list[float]]:
    body = ""
    for z in even(15):
        body += (
            f"G0 Z{z:.2f}\n{square(*PART)}G1 E-1\nG17\nG3 Z{z + 0.4:.2f} I1 J0 P1 F9000\nG0 X60\nG0 Z{z:.2f}\nG1 E1\n"
        )
        body += square(60, 60, 5)
    return HEAD + body, even(15)


def absolute_words_without_zeros() -> tuple[str, list[float]]:
    body, e = "G28\nG92 E0\nM82\nG1 F3000\n", 0.0
    for z in even(20, 0.25, 0.25):
        body += f"G1 Z{z:g}\n".replace("Z0.", "Z.") + "G1 X50. Y50.\n"
        for x in (70, 50):
            e += 0.5
            body += f"G1 X{x}. E{e:g}\n".replace("E0.", "E.")
    return body, even(20, 0.25, 0.25)


HARD: dict[str, Callable[[], tuple[str, list[float]]]] = {
    each.__name__: each
    for each in (
        spiral_finely_divided,
        spiral_rounded_to_hundredths,
        spiral_that_tells_z_when_it_changes,
        spiral_with_solid_layers_and_a_level_end,
        two_spirals_one_after_another,
        spiral_after_a_brim_and_purge,
        purge_lower_than_the_first_layer,
        purge_as_an_arc_round_the_bed,
        purge_in_a_zigzag,
        purge_lines_at_two_heights,
        purge_that_slopes,
        purge_at_the_first_layers_height,
        purge_in_the_air,
        prime_tower_that_begins_before_the_part,
        skirt_far_away_in_the_first_layer,
        tower_with_heights_of_its_own,
        tower_that_catches_up_by_two,
        tower_that_ends_below_the_part,
        extruders_that_draw_back_far,
        raft_and_supports,
        supports_below_the_part,
        wavy_surface,
        levelled_by_the_slicer,
        hop_that_feeds_back_what_was_drawn,
        ironing,
        thin_layers,
        objects_of_three_heights,
        objects_with_a_purge_and_hops,
        groups_taken_in_turns,
        named_heights_shifted,
        a_layer_of_one_line,
        helical_hops,
        absolute_words_without_zeros,
    )
}


@pytest.mark.parametrize("name", HARD)
def test_the_layers_of_hard_files_are_counted_right(name: str) -> None:
    body, heights = HARD[name]()
    found = read([body.encode()]).heights_mm
    assert len(found) == len(heights)
    assert found == pytest.approx(heights, abs=0.03)
