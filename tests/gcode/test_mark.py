import lzma
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from lapsed.errors import UserError
from lapsed.gcode.cue import Dwell
from lapsed.gcode.dialect import Dialect
from lapsed.gcode.hull import rectangle
from lapsed.gcode.line import parse
from lapsed.gcode.mark import Fingerprint, free_point, inserted, marking, undone
from lapsed.gcode.plan import outline
from lapsed.gcode.reading import Setup, read
from lapsed.gcode.setup import setup_of
from lapsed.gcode.snippet import snippet
from lapsed.gcode.span import Firmware
from lapsed.gcode.state import Segment, State, advance, place
from lapsed.settings import Machine, RectBed, Retraction, RoundBed
from lapsed.sim.machine import HEATING, HEATING_S, HOMING_MM_S, RETRACTION_MM, RETRACTION_MM_S
from lapsed.sim.machine import Machine as SimMachine

DATA = Path(__file__).parent / "data"
MACHINE = Machine()
FIRMWARE = Machine(retraction=Retraction(kind="firmware"))


def marked(original: bytes, machine: Machine = MACHINE, chosen: Sequence[int] | None = None) -> bytes:
    setup = setup_of(machine)
    seen = Fingerprint()
    found = read([seen.see(original)], setup)
    stops = outline(found).stops
    picked = [stop for stop in stops if chosen is None or stop.layer in chosen]
    reading = read([original], setup, wanted=[stop.place.line for stop in picked if stop.place is not None])
    made = marking(reading, picked, machine, seen.original(), dwell=Dwell(), dialect=setup.dialect)
    return b"".join(inserted([original], made.insertions))


def run(text: bytes, dialect: Dialect | None = None) -> tuple[list[Segment], list[tuple[State, float]], State]:
    """The laying moves, the state at each cue with the height laid so far, and the last state."""
    laid, cues, now, top = list[Segment](), list[tuple[State, float]](), State(), 0.0
    for raw in text.splitlines():
        line = parse(raw.decode(), dialect or Dialect())
        now, pieces = advance(now, line, dialect or Dialect())
        for piece in pieces:
            flat = (piece.start.x, piece.start.y) != (piece.end.x, piece.end.y)
            if flat and piece.filament_mm > 0:
                laid.append(piece)
                top = max(top, piece.end.z)
        if line.text.startswith("lapsed cue"):
            cues.append((now, top))
    return laid, cues, now


def text(name: str) -> bytes:
    return lzma.open(DATA / f"{name}.gcode.xz").read()


@pytest.mark.parametrize("name", ["cube", "tower-firmware-retract", "vase-spiral"])
def test_the_estimate_is_that_of_the_simulated_machine(name: str) -> None:
    original = text(name)
    machine = SimMachine()
    beside = 0.0
    before = State()
    for raw in original.decode().splitlines():
        code = parse(raw).code
        machine.execute(raw)
        beside += HEATING_S if code in HEATING else 0.0
        if code == "G28" and (home := before.machine) is not None:
            beside += max(abs(home.x), abs(home.y)) * 1.42 / HOMING_MM_S
        before = machine.state
    machine.finish()
    setup = Setup(firmware=Firmware(RETRACTION_MM, RETRACTION_MM_S * 60))
    assert read([original], setup).print_s == pytest.approx(machine.now_s - beside, rel=0.01)


HEAD = b"G28\nG92 E0\nG1 F3000\n"
SIMPLE = HEAD + b"G1 Z0.2\nG1 X10 Y10\nG1 X20 E1\nG1 E0 F1800\nG1 Z0.4\nG1 X10\nG1 E1\nG1 X20 E2\nG28 X"


def test_a_block_stands_before_the_line_that_begins_its_layer() -> None:
    lines = marked(SIMPLE, chosen=[0]).decode().splitlines()
    begin = lines.index(";lapsed begin 1")
    assert lines[lines.index(";lapsed end 1") + 1] == "G1 X20 E2"
    assert lines[begin + 1 : begin + 10] == [
        "G90",
        "M82",
        "G1 E0 F1800",
        "G1 Z2.2 F600",
        "G1 X0 Y200 F9000",
        "M400",
        "G4 P300",
        "M118 lapsed cue 1",
        "G4 P850",
    ]


def test_line_ends_are_kept() -> None:
    original = SIMPLE.replace(b"\n", b"\r\n")
    changed = marked(original)
    assert changed.count(b"\n") == changed.count(b"\r\n")
    assert b"".join(undone([changed])) == original


def test_marking_twice_is_refused_wherever_the_pieces_are_cut() -> None:
    changed = marked(SIMPLE)
    seen = Fingerprint()
    pieces = (seen.see(changed[i : i + 5]) for i in range(0, len(changed), 5))
    with pytest.raises(UserError, match="marked already"):
        b"".join(pieces)


def test_undo_refuses_what_is_not_marked_or_was_changed() -> None:
    with pytest.raises(UserError, match="not marked"):
        b"".join(undone([SIMPLE]))
    with pytest.raises(UserError, match="changed after it was marked"):
        b"".join(undone([marked(SIMPLE).replace(b"X20", b"X21")]))
    with pytest.raises(UserError, match="changed after it was marked"):
        b"".join(undone([marked(SIMPLE)[:-5]]))
    with pytest.raises(UserError, match="not marked"):
        b"".join(undone([b";lapsed begin header\n; original: many bytes, CRC-32 x; y\n;lapsed end header\n"]))


def test_relative_extrusion_gets_its_e_named_first() -> None:
    original = b"G28\nM83\nG1 F3000\nG1 Z0.2\nG1 X10 Y10\nG1 X20 E1\nG1 Z0.4\nG1 X10 E1\n"
    changed = marked(original, chosen=[0])
    assert b";lapsed begin 1\nG92 E1\nG90\nM82\nG1 E0 F1800\n" in changed
    assert [piece.filament_mm for piece in run(changed)[0]] == [1, 1]


def test_absolute_extrusion_never_named_is_left_alone() -> None:
    original = b"G28\nM82\nG1 F3000\nG1 Z0.2\nG1 X10 Y10\nG29\nG1 X20 Y10 Z0.2\nG1 Z0.4\nG1 X30\nG91\nG1 X2 E1\nG90\n"
    seen = Fingerprint()
    seen.see(original)
    stops = outline(read([original])).stops
    state = replace(State(), known=frozenset("XYZ"))
    reading = replace(read([original]), states={stops[0].place.line: state})
    made = marking(reading, stops, MACHINE, seen.original(), dwell=Dwell(), dialect=Dialect())
    assert b" E" not in made.insertions[1].text


def test_without_homing_nothing_is_marked() -> None:
    original = b"G91\nG1 X10 Z0.2 F3000\nG1 X20 E1\n"
    seen = Fingerprint()
    seen.see(original)
    stops = outline(read([original])).stops
    reading = read([original], wanted=[3])
    made = marking(reading, stops, MACHINE, seen.original(), dwell=Dwell(), dialect=Dialect())
    assert made.insertions == ()
    assert made.refused == ((0, "the file has not told by here where the head is; home at its start"),)


def test_where_a_park_is_not_safe_nothing_is_marked() -> None:
    original = b"G28\nG92 E0\nG1 F3000\nG1 Z249\nG1 X10 Y10\nG1 X20 E1\nG1 Z249.5\nG1 X10 E2\n"
    assert marked(original) == original
    low = original.replace(b"Z249.5", b"Z247.5").replace(b"Z249", b"Z247") + b"G1 Z249\nG1 X20 E3\n"
    changed = marked(low)
    assert changed.count(b"M118 lapsed cue") == 2
    assert b";lapsed begin 3" not in changed


def test_a_file_without_a_last_line_end_has_no_room_for_the_last_shot() -> None:
    original = SIMPLE.rpartition(b"\n")[0]
    assert marked(original).count(b"M118 lapsed cue") == 1
    assert marked(original + b"\n").endswith(b";lapsed end 2\n")


def test_undo_passes_lines_without_end() -> None:
    original = SIMPLE + b"\n;" + b"x" * 3_000_000
    changed = marked(original)
    assert b"".join(undone(changed[i : i + 500_000] for i in range(0, len(changed), 500_000))) == original


def test_inches_are_parked_in_millimetres() -> None:
    original = b"G28\nG20\nG92 E0\nG1 F100\nG1 Z0.01\nG1 X1 Y1\nG1 X2 E0.1\nG1 Z0.02\nG1 X1 E0.2\n"
    laid, cues, end = run(marked(original))
    assert [place(piece.end) for piece in laid] == [pytest.approx(place(piece.end)) for piece in run(original)[0]]
    assert end.inches
    assert [(state.machine.x, state.machine.y) for state, _ in cues] == [MACHINE.park_point_mm] * 2


coordinates = st.integers(0, 20_000).map(lambda i: i / 100)


@st.composite
def programs(draw: st.DrawFn) -> str:
    """Prints of a few layers in any modes, each line valid for a machine of 200 mm."""
    relative = draw(st.booleans())
    lines = ["G28", draw(st.sampled_from(["G92 E0", "G92 E7.5", ""])), "M83" if relative else "M82", "G1 F3000"]
    e = 0.0 if "7.5" not in lines[1] else 7.5
    for height in range(1, draw(st.integers(2, 5))):
        lines.append(draw(st.sampled_from(["", "G10", "M400", "; (decoy) G1 Z9", "M117 G1 X5"])))
        lines.append("G11" if lines[-1] == "G10" else "")
        lines.append(f"G1 Z{height * 0.2:.1f}")
        for _ in range(draw(st.integers(1, 4))):
            e = draw(st.integers(1, 300)) / 100 + (0 if relative else e)
            lines.append(f"G1 X{draw(coordinates)} Y{draw(coordinates)} E{e:.2f} F{draw(st.integers(600, 9000))}")
        if draw(st.booleans()) and not relative:
            lines += [f"G92 E{draw(st.integers(0, 5))}"]
            e = float(lines[-1][5:])
        if draw(st.booleans()):
            lines += ["G91", f"G1 Z{draw(st.integers(1, 9)) / 10}", "G90", "M83" if relative else "M82"]
    newline = draw(st.sampled_from(["\n", "\r\n"]))
    return newline.join(lines) + draw(st.sampled_from(["", newline]))


@given(programs(), st.sampled_from([MACHINE, FIRMWARE]))
@settings(max_examples=150, deadline=None)
def test_marking_changes_nothing_that_is_laid_and_undo_gives_it_back(program: str, machine: Machine) -> None:
    original = program.encode()
    changed = marked(original, machine)
    assume(changed != original)
    laid, _, end = run(original)
    laid_too, _, end_too = run(changed)
    pairs = [(place(piece.start)[:3], place(piece.end)[:3], piece.filament_mm, piece.feed_mm_min) for piece in laid]
    pairs_too = [(place(p.start)[:3], place(p.end)[:3], p.filament_mm, p.feed_mm_min) for p in laid_too]
    for one, two in zip(pairs, pairs_too, strict=True):
        assert two[0] == pytest.approx(one[0], abs=1e-4)
        assert two[1] == pytest.approx(one[1], abs=1e-4)
        assert two[2:] == pytest.approx(one[2:], abs=1e-4)
    assert (end.absolute, end.absolute_extrusion, end.retracted) == (
        end_too.absolute,
        end_too.absolute_extrusion,
        end_too.retracted,
    )
    for size in (7, 64, len(changed)):
        assert b"".join(undone(changed[i : i + size] for i in range(0, len(changed), size))) == original


def test_the_free_point_is_near_but_clear() -> None:
    machine = Machine(bed=RectBed(x_mm=(0, 200), y_mm=(0, 200)), park_point_mm=(0, 0))
    point = free_point([rectangle(80, 80, 120, 120)], machine)
    assert point is not None
    assert machine.bed.holds(point)
    assert point == (75, 80)
    kept = machine.model_copy(update={"keep_out_mm": ((40, 0, 80, 200), (0, 0, 200, 78))})
    assert free_point([rectangle(80, 80, 120, 120)], kept) == (85, 125)
    assert free_point([rectangle(0, 0, 200, 200)], machine) is None
    assert free_point([], machine) is not None


def test_on_a_round_bed_the_free_point_lies_in_the_circle() -> None:
    machine = Machine(bed=RoundBed(shape="circle", radius_mm=100), park_point_mm=(0, 90))
    point = free_point([rectangle(-70, -70, 70, 70)], machine)
    assert point is not None
    assert machine.bed.holds(point)
    assert free_point([rectangle(-100, -100, 100, 100)], machine) is None


@pytest.mark.parametrize("machine", [MACHINE, FIRMWARE, Machine(retraction=Retraction(kind="none"))])
def test_a_snippet_parks_and_comes_back_in_z_and_e(machine: Machine) -> None:
    lines = snippet(machine, Dwell(), layer_word="7", absolute_extrusion=True)
    program = b"G28\nG92 E0\nM82\nG1 X50 Y50 Z3 E4 F3000\n" + "\n".join(lines).encode() + b"\n"
    _, cues, end = run(program)
    assert [(state.machine.x, state.machine.y, state.machine.z) for state, _ in cues] == [(*MACHINE.park_point_mm, 5)]
    assert (end.position.z, end.position.e, end.absolute, end.absolute_extrusion, end.retracted) == (
        3,
        4,
        True,
        True,
        False,
    )
