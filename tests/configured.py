"""The configuration for daemons that tests and benchmarks start as processes of their own."""

from pathlib import Path

MACHINE = """\
park_point_mm = [8, 212]
travel_mm_s = 1000
acceleration_mm_s2 = 50000
lift_mm_s = 100
lift_acceleration_mm_s2 = 5000
settle_s = 0.005"""
"""As quick as the simulated one may be."""

CAMERA = """\
kind = "gphoto"
exposure_s = 0.01
expose_within_s = 1.0
fetch_within_s = 1.0
ready_within_s = 20.0"""
"""libgphoto2's virtual camera, whose faults are found out soon."""


def written(
    store: Path,
    link: str,
    *,
    machine: str = MACHINE,
    cadence: str = "every_layers = 1",
    camera: str = CAMERA,
    web: str = "serve = false",
) -> str:
    """One printer, of which nothing is stitched; each word but `store` holds the lines of the part of that name."""
    return f"""\
[web]
{web}
[store]
folder = "{store}"
min_free_mb = 0
[stitch]
when = "never"
[[printer]]
name = "ottermole"
[printer.link]
{link}
[printer.machine]
{machine}
[printer.cadence]
{cadence}
[[printer.camera]]
{camera}
"""
