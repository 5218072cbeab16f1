"""What the check gathers before anything is judged; pure values."""

from dataclasses import dataclass
from statistics import median

from lapsed.camera.battery import Loss
from lapsed.model import PrintInfo


@dataclass(frozen=True, slots=True)
class HostFacts:
    """What a host told within the time it was given.

    `reached` is false where no connection came about, and `trouble` says then, or of a call that it refused, what was
    wrong. `missing` are the facts of `settings.Facts` whose pointers found nothing, `odd` those that found what the
    fact can't be, with a sample. `state` is the word that it was told in, `stage` what the configuration makes of it.
    `file` is what it calls the file that it prints, or would, and `running` the print under way, of which the share
    `done` is behind it.
    """

    where: str
    reached: bool
    trouble: str = ""
    missing: tuple[str, ...] = ()
    odd: tuple[tuple[str, str], ...] = ()
    stage: str | None = None
    file: str = ""
    running: PrintInfo | None = None
    done: float = 0.0


@dataclass(frozen=True, slots=True)
class Holder:
    """A process that has a device open."""

    pid: int
    program: str
    device: str


@dataclass(frozen=True, slots=True)
class TrialShot:
    """One test shot, with the seconds from its release to each station; None for one it did not come to."""

    exposed_s: float | None = None
    landed_s: float | None = None
    on_card: bool = False
    missed: str | None = None


@dataclass(frozen=True, slots=True)
class Light:
    """How the pixels of a test frame are spread: shares of all that are clipped, and the brightness of the median.

    `bins` are the shares of 16 equal steps from black to white.
    """

    black: float
    white: float
    middle: int
    bins: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class TrialFrame:
    """The test frame: the size of its file and of its picture upright, what Exif tells of its shutter, its light."""

    path: str
    size_bytes: int
    width: int
    height: int
    shutter_s: float | None
    light: Light | None


@dataclass(frozen=True, slots=True)
class StoreFacts:
    """The folder of the takes: free space, and what keeps us from writing there."""

    folder: str
    free_mb: float
    trouble: str | None


@dataclass(frozen=True, slots=True)
class Lately:
    """Bytes that a shot of the camera took, and its battery's loss; None where the last take does not tell."""

    bytes_each: int | None = None
    loss: Loss | None = None


@dataclass(frozen=True, slots=True)
class Spread:
    """The median and the worst of some times, s."""

    median_s: float
    worst_s: float


def spread(times: list[float]) -> Spread | None:
    """Median and worst of `times`; None where there are none."""
    return Spread(median(times), max(times)) if times else None
