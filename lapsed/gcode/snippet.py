"""A park block for the field in which a slicer takes G-code for each layer change."""

from lapsed.gcode.cue import CUE, Dwell
from lapsed.gcode.park import number
from lapsed.settings import Machine


def snippet(machine: Machine, dwell: Dwell, *, layer_word: str, absolute_extrusion: bool) -> tuple[str, ...]:
    """The lines; `layer_word` is what the slicer replaces with the layer's number.

    The block knows no position: it lifts, draws back and returns by differences, and leaves X and Y at the park point.
    """
    retraction = machine.retraction
    x, y = machine.park_point_mm
    lift = max(machine.lift_mm, machine.clearance_mm)
    settle = round(machine.settle_s * 1000)
    draw: tuple[str, ...] = ()
    push: tuple[str, ...] = ()
    if retraction.kind == "firmware":
        draw, push = ("G10",), ("G11",)
    elif retraction.kind == "filament" and retraction.length_mm:
        length, feed = retraction.length_mm, number(retraction.speed_mm_s * 60)
        draw, push = (f"G1 E{number(-length)} F{feed}",), (f"G1 E{number(length)} F{feed}",)
    return (
        "; lapsed: a park block for the layer-change field of a slicer. Its limits:",
        "; - right after it the slicer must move X and Y and state a feed rate, as slicers do at a layer change",
        "; - it lifts from the current layer: not for objects that are finished one after another",
        "; - it draws filament back whether or not the slicer has done so already",
        f"; - it ends with G90 and {'M82' if absolute_extrusion else 'M83'}, whatever was in force before",
        f"; - {layer_word} must be what your slicer replaces with the layer's number",
        "; - it shoots at every layer; `lapsed mark` chooses layers and restores everything exactly",
        "G91",
        "M83",
        *draw,
        f"G1 Z{number(lift)} F{number(machine.lift_mm_s * 60)}",
        "G90",
        f"G1 X{number(x)} Y{number(y)} F{number(machine.travel_mm_s * 60)}",
        "M400",
        *machine.light_on,
        *((f"G4 P{settle}",) if settle else ()),
        f"{CUE} {layer_word}",
        f"G4 P{round(dwell.total_s * 1000)}",
        *machine.light_off,
        "G91",
        "M83",
        f"G1 Z{number(-lift)} F{number(machine.lift_mm_s * 60)}",
        *push,
        "G90",
        "M82" if absolute_extrusion else "M83",
    )
