"""What a printer and the machine are doing now, as the page, the API and the metrics tell it.

Lengths are mm, times seconds, instants UTC as in the journal (ISO 8601). None stands for what isn't known.
"""

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Trouble:
    """What went wrong, and when, in a sentence, and why that may be and what to do, where something can be done."""

    utc: str
    text: str
    advice: str = ""


@dataclass(frozen=True, slots=True)
class CameraNow:
    """One camera; the counts are those of the open take. `text` is what the camera last told of itself."""

    name: str
    kind: str
    main: bool
    ready: bool
    text: str
    landed: int = 0
    missed: int = 0
    on_card: int = 0


@dataclass(frozen=True, slots=True)
class PrintNow:
    """The print being filmed. `progress` is the share done, 0 to 1."""

    name: str
    waits: bool
    layer: int | None
    layers: int | None
    height_mm: float | None
    progress: float | None
    running_s: float
    left_s: float | None


@dataclass(frozen=True, slots=True)
class FrameNow:
    """The picture that landed last."""

    camera: str
    shot: int
    file: str
    utc: str
    size_bytes: int


@dataclass(frozen=True, slots=True)
class ClipNow:
    """What the take comes to as a clip, each frame shown once at `rate` frames a second."""

    rate: float
    wished_s: float | None
    projected_s: float | None


@dataclass(frozen=True, slots=True)
class TakeNow:
    """The open take; `shots` are cues so far, `to_come` those still expected, and the rest counts the main camera's."""

    name: str | None
    began_utc: str
    shots: int
    landed: int
    missed: int
    on_card: int
    to_come: int | None
    clip: ClipNow
    last_frame: FrameNow | None


@dataclass(frozen=True, slots=True)
class ShotNow:
    """The shot under way and the station it is at."""

    number: int
    phase: str
    holds: bool


@dataclass(frozen=True, slots=True)
class PrinterNow:
    """One printer. `stopped` says why no shot may be begun, `skipping` that someone asked for none."""

    name: str
    link: bool
    link_text: str
    cameras: tuple[CameraNow, ...]
    print: PrintNow | None
    take: TakeNow | None
    shot: ShotNow | None
    stopped: str | None
    skipping: bool
    trouble: Trouble | None


@dataclass(frozen=True, slots=True)
class StitchNow:
    """Stitching: the take being stitched, how many wait, whether it stands still for a print, and what failed last."""

    take: str | None
    waiting: int
    stands_still: bool
    trouble: Trouble | None = None


@dataclass(frozen=True, slots=True)
class DiskNow:
    """The disk that takes are kept on, in megabytes (10^6 bytes)."""

    free_mb: float
    least_free_mb: int


@dataclass(frozen=True, slots=True)
class Now:
    """The whole daemon."""

    version: str
    began_utc: str
    printers: tuple[PrinterNow, ...]
    stitch: StitchNow
    disk: DiskNow | None


@dataclass(frozen=True, slots=True)
class Told:
    """What is told: `kind` is one of `settings.NoticeKind`, `text` a sentence, `utc` when it happened."""

    kind: str
    printer: str
    take: str | None
    text: str
    utc: str


def plain(value: object) -> Any:
    """The value as dicts and lists for JSON; `dataclasses.asdict` takes six times as long, copying each leaf."""
    names = getattr(value, "__dataclass_fields__", None)
    if names is not None:
        return {name: plain(getattr(value, name)) for name in names}
    return [plain(one) for one in value] if isinstance(value, tuple) else value
