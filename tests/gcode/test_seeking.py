import pytest

from lapsed.gcode.reading import Setup, read
from lapsed.gcode.seeking import Seeker
from lapsed.gcode.timing import Limits

# Without limits to speak of each move takes its length over its speed: 10 mm at 10 mm/s are a second.
EVEN = Setup(limits=Limits(speed=(1e6,) * 4, acceleration=(1e12,) * 4, printing=1e12, travel=1e12, retract=1e12))
HEAD = "M83\nG1 F600\nG92 X0 Y0 Z0\n"


def found(body: str, moments: list[float], patience: float, size: int = 1 << 20) -> list[tuple[int, float]]:
    """The lines found, counted from the body's first, and when they begin."""
    text = (HEAD + body).encode()
    seeker = Seeker(moments, patience)
    between = read([text[i : i + size] for i in range(0, len(text), size)], EVEN, seeker=seeker).between
    return [(each.place.line - 3, round(each.at_s, 3)) for each in between]


LAID = "".join(f"G1 X{10 * i} E1\n" for i in range(1, 11))
MIXED = "G1 X10 E1\nG1 X20 E1\nG0 X30\nG1 X40 E1\nG1 X50 E1\nG0 X60\n"


@pytest.mark.parametrize(
    ("body", "moments", "patience", "expected"),
    [
        (LAID, [2.5, 5.5], 1.0, [(3, 3.0), (6, 6.0)]),  # no travel anywhere: the next line
        (MIXED, [0.5, 3.5], 2.0, [(2, 2.0), (5, 5.0)]),  # the next travel
        (MIXED, [0.5, 3.5], 1.0, [(1, 1.0), (4, 4.0)]),  # the next travel comes too late
        (MIXED, [0.9], 1.5, [(2, 2.0)]),
        (LAID, [8.5], 60.0, [(9, 9.0)]),  # the file ends before patience does
        (LAID, [2.1, 2.2, 2.3], 0.1, [(3, 3.0)]),  # one line serves one moment
        (LAID, [9.5], 60.0, []),  # nothing begins after it
        (LAID, [], 1.0, []),
        ("G1 X10 E1\nG4 P3000\nG1 X20 E1\nG0 X30\n", [0.5], 0.1, [(2, 4.0)]),  # a dwell counts
    ],
)
def test_lines_are_found_for_moments(
    body: str, moments: list[float], patience: float, expected: list[tuple[int, float]]
) -> None:
    assert found(body, moments, patience) == expected


def test_the_height_is_that_of_all_laid_before() -> None:
    seeker = Seeker([3.5], 0.1)
    body = HEAD + "G1 X10 E1\nG1 Z5\nG1 X20 E1\nG1 Z1\nG1 X10 E1\nG1 X0 E1\n"
    between = read([body.encode()], EVEN, seeker=seeker).between
    assert [(each.top_mm, each.place.spot) for each in between] == [(5.0, (10.0, 0.0, 1.0))]


def test_pieces_of_any_size_find_the_same_lines() -> None:
    body = "".join(f"G1 X{10 + i % 2} E0.1\nG0 X{i % 2}\n" for i in range(40_000))
    moments = [i * 37.7 for i in range(1, 1000)]
    whole = found(body, moments, 5.0)
    assert found(body, moments, 5.0, 70_001) == whole
    assert len(whole) == 999
    assert all(-0.001 <= at - moment <= 5 for (_, at), moment in zip(whole, moments, strict=True))
