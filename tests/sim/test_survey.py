"""Layer counts of files whose count is known by how they were made."""

import asyncio
from collections.abc import Callable
from pathlib import Path

import pytest

from lapsed.sim.bench import read_lines
from lapsed.sim.machine import Machine
from lapsed.sim.survey import Layer, Survey, survey


def seen(*lines: str) -> Survey:
    return asyncio.run(survey(lines, Machine()))


def heights(*lines: str) -> list[float]:
    return [layer.height_mm for layer in seen("M83", *lines).begins.values()]


def ring(z: float) -> list[str]:
    return [f"G1 Z{z}", "G1 X10 Y0 E1", "G1 X10 Y10 E1", "G1 X0 Y0 E1"]


def test_tower(tower: Callable[[int], Path]) -> None:
    found = asyncio.run(survey(read_lines(tower(5)), Machine()))
    assert (found.layers, found.height_mm) == (5, pytest.approx(1.0))
    assert list(found.begins.values())[1] == Layer(2, pytest.approx(0.4))
    assert found.duration_s > 5 * 4 * 20 / 30  # twenty sides of 20 mm at 30 mm/s


@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        pytest.param([], [], id="nothing"),
        pytest.param(["G1 Z5", "G0 X9", "G1 E3"], [], id="hops, travel and priming lay nothing"),
        pytest.param([*ring(0.2), "G1 Z0.4", "G0 X5", *ring(0.2), *ring(0.4)], [0.2, 0.4], id="hop as high as a layer"),
        pytest.param([*ring(0.2), *ring(0.203), *ring(0.4)], [0.2, 0.4], id="supports beside a layer"),
        pytest.param([*ring(0.2), *ring(0.4), *ring(0.38), *ring(0.6)], [0.2, 0.4, 0.6], id="a dip"),
        pytest.param([*ring(0.2), *ring(0.5), *ring(0.58)], [0.2, 0.5, 0.58], id="layers of several heights"),
        pytest.param([*ring(0.2), *ring(0.4), *ring(0.6)] * 2, [0.2, 0.4, 0.6] * 2, id="one object after another"),
    ],
)
def test_layers(lines: list[str], expected: list[float]) -> None:
    assert heights(*lines) == expected


def test_spiral_has_a_layer_a_turn() -> None:
    turns = [
        f"G1 X{x} Y{y} Z{0.4 + 0.2 * (turn + part / 4):.2f} E1"
        for turn in range(20)
        for part, (x, y) in enumerate([(9, 0), (9, 9), (0, 9), (0, 0)], 1)
    ]
    assert len(heights(*ring(0.2), *ring(0.4), *turns)) == 22
