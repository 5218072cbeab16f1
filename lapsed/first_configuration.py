"""The configuration that a new user starts from, written from a few answers; pure."""

import json
from dataclasses import dataclass
from string import Template
from typing import Literal

from lapsed.camera.found import Found


@dataclass(frozen=True, slots=True)
class Answers:
    """What has to be known: names, the link, the machine, mm and s.

    `facts` is the part of the configuration that `lapsed feed` wrote, empty where there is none yet.
    """

    printer: str = "workbench"
    url: str = "ws://127.0.0.1:8130/"
    facts: str = ""
    bed: tuple[float, float] = (220.0, 220.0)
    round_bed: bool = False
    height_mm: float = 250.0
    park: tuple[float, float] | None = None
    length_s: float = 12.0
    camera: Literal["gphoto", "capture", "release"] = "gphoto"
    device: str = ""
    store: str = "~/lapsed"


def camera_of(found: Found) -> tuple[Literal["gphoto", "capture", "release"], str]:
    """The kind of camera that suits what was found, the best first, and its device."""
    if found.still_cameras:
        return "gphoto", ""
    if found.capture_devices:
        return "capture", found.capture_devices[0].path
    return "gphoto", ""


def park_point(answers: Answers) -> tuple[float, float]:
    """The park point of the answers, or one at the back of the bed on the left, inside of what the head reaches."""
    if answers.park is not None:
        return answers.park
    _, depth = answers.bed
    return (0.0, round(0.45 * depth, 1)) if answers.round_bed else (5.0, depth - 5.0)


def written(answers: Answers) -> str:
    """The configuration as TOML, commented."""
    x, y = park_point(answers)
    return TEMPLATE.substitute(
        store=_quoted(answers.store),
        printer=_quoted(answers.printer),
        link=answers.facts.rstrip() or LINK.substitute(url=_quoted(answers.url)),
        height=f"{answers.height_mm:g}",
        park=f"[{x:g}, {y:g}]",
        bed=_bed(answers),
        length=f"{answers.length_s:g}",
        camera=_camera(answers),
    )


def _quoted(text: str) -> str:
    """A basic string of TOML, whose escapes are JSON's."""
    return json.dumps(text, ensure_ascii=False)


def _bed(answers: Answers) -> str:
    width, depth = answers.bed
    if answers.round_bed:
        return f'shape = "circle"\nradius_mm = {width / 2:g}'
    return f"x_mm = [0, {width:g}]\ny_mm = [0, {depth:g}]"


def _camera(answers: Answers) -> str:
    kind = f'kind = "{answers.camera}"'
    if answers.camera == "capture":
        return f"{kind}\ndevice = {_quoted(answers.device)}"
    if answers.camera == "release":
        kind += f"\nport = {_quoted(answers.device)}"
    return f"{kind}\nexposure_s = 0.25    # the shutter time that is set on the camera"


LINK = Template("""\
[printer.link]
url = $url   # the host's WebSocket
# Where its facts stand: run `lapsed feed` on this address during a small print, and put here what it writes.""")

TEMPLATE = Template("""\
# The configuration of lapsed. Further keys: lapsed's configs/lapsed.toml and its README.
# A key that lapsed doesn't know is refused with the nearest that it knows.

[store]
folder = $store   # on a disk with room: a take is shots times the size of a file

# ------------------------------------------------------------------------------- one [[printer]] for each
[[printer]]
name = $printer

$link

# To park the head, lapsed has the host hold the print and run a few lines. Name the host's own calls
# for that (ask, run, hold, resume; see configs/lapsed.toml), then set park = true.

[printer.machine]
height_mm = $height
park_point_mm = $park   # out of the picture, reached without crossing the part: try it by hand first
lift_mm = 0.5
clearance_mm = 2.0   # above the tallest thing on the bed
travel_mm_s = 150.0
settle_s = 0.3       # longer for a machine that rings on

[printer.machine.bed]
$bed

[printer.cadence]
length_s = $length   # as many frames as a clip of this length needs, evenly over the print
rate = 25
park = false         # true once the calls above are named; until then frames are shot without parking

[[printer.camera]]
$camera

# --------------------------------------------------------------------------------------------- the clips
[[clip]]
name = "master"      # the camera's files, untouched, at full size: to grade and cut from
codec = "master"

[[clip]]
name = "wide"
size_px = [3840, 2160]
hold_end_s = 2.0     # the finished part stands still at the end

[[clip]]
name = "tall"
size_px = [1080, 1920]
hold_end_s = 2.0
""")
