"""What stands on the bed when a layer is complete: an outline for each object."""

from collections.abc import Iterator, Sequence

from lapsed.gcode.hull import Hull, joined
from lapsed.gcode.layers import Layer


def standing(layers: Sequence[Layer]) -> Iterator[tuple[Hull, ...]]:
    """For each layer the outlines of all objects so far.

    What lies in an object's first layer alone, such as a skirt, is no outline once there is a second.
    """
    finished: tuple[Hull, ...] = ()
    now: Hull | None = None
    count = 0
    for i, layer in enumerate(layers):
        if i and layer.object != layers[i - 1].object and now is not None:
            finished, now, count = (*finished, now), None, 0
        now = layer.hull if now is None or count == 1 else joined(now, layer.hull)
        count += 1
        yield (*finished, now)


def footprint(layers: Sequence[Layer]) -> tuple[Hull, ...]:
    """The outline of each object with all that lies on the bed for it, its skirt included."""
    found: dict[int, Hull] = {}
    for layer in layers:
        known = found.get(layer.object)
        found[layer.object] = layer.hull if known is None else joined(known, layer.hull)
    return tuple(found.values())
