import numpy as np
import pytest

from lapsed.sim.strands import read

# Filament of 1.75 mm has a section of pi/4 x 1.75^2 = 2.405 mm2.
SECTION_MM2 = 2.40528


def test_beads_are_as_wide_as_what_was_fed() -> None:
    fed = 20 * 0.5 * 0.2 / SECTION_MM2
    strands = read(["M83", "G1 Z0.2", "G1 X10 Y10", f"G1 X30 E{fed:.5f}"])
    assert strands.start.tolist() == [pytest.approx([10, 10, 0.2])]
    assert strands.end.tolist() == [pytest.approx([30, 10, 0.2])]
    assert strands.width.tolist() == pytest.approx([0.5], abs=1e-3)
    assert strands.height.tolist() == pytest.approx([0.2])


def test_travels_retractions_and_text_lay_nothing() -> None:
    lines = ["M83", "G1 Z0.2", "G0 X10", "G1 E-1", "G1 X20 E-0.5", "G1 E1.5", "M117 G1 X30 E5", "; G1 X40 E5"]
    assert len(read(lines).line) == 0


def test_a_strand_is_there_when_its_line_is_done() -> None:
    strands = read(["M83", "G1 Z0.2", "G1 X10 E1", "G0 X0", "G1 Y10 E1"])
    assert [strands.done(lines) for lines in range(7)] == [0, 0, 0, 1, 1, 2, 2]


def test_an_arc_is_laid_along_its_curve() -> None:
    strands = read(["M83", "G1 X10 Y0 Z0.2", "G3 X-10 Y0 I-10 J0 E2"])
    radius = np.linalg.norm(strands.end[:, :2], axis=1)
    assert radius == pytest.approx(10, abs=0.02)
    assert len(strands.line) > 10


def test_layers_are_courses_and_a_hop_is_none() -> None:
    lines = ["M83"]
    for z in (0.2, 0.4, 0.6):
        lines += [f"G1 Z{z + 0.4}", "G0 X0 Y0", f"G1 Z{z}", "G1 X10 E1", "G1 Y10 E1"]
    assert read(lines).course.tolist() == [0, 2, 4, 6]


def test_a_spiral_is_cut_into_courses_and_its_beads_are_guessed_from_their_area() -> None:
    lines = ["M83", "G1 Z0.2"] + [f"G1 X{10 * (n % 2)} Z{0.2 + n * 0.001:.3f} E0.4" for n in range(400)]
    strands = read(lines)
    assert 2 <= len(strands.course) - 1 <= 5
    assert strands.width[5:].tolist() == pytest.approx([0.45] * 394, abs=0.01)


def test_the_part_is_boxed_without_its_skirt() -> None:
    lines = ["M83", "G1 Z0.2", "G0 X0 Y0", "G1 X100 E9"]
    lines += ["G1 Z0.4", "G0 X40 Y50", "G1 X60 E1", "G1 Y70 E1", "G1 Z0.6", "G1 X40 E1"]
    low, high = read(lines).box()
    assert low.tolist() == pytest.approx([40, 50, 0])
    assert high.tolist() == pytest.approx([60, 70, 0.6])


def test_a_single_layer_is_the_whole_part() -> None:
    low, high = read(["M83", "G1 Z0.2", "G1 X100 E9"]).box()
    assert low.tolist() == [0, 0, 0]
    assert high.tolist() == pytest.approx([100, 0, 0.2])


def test_an_empty_file_has_a_box_to_look_at() -> None:
    low, high = read([]).box()
    assert np.all(high > low)
