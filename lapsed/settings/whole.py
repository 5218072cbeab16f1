"""The whole configuration."""

from pathlib import Path
from typing import Annotated, Self

from pydantic import BeforeValidator, Field, model_validator

from lapsed.settings.base import Name, Part
from lapsed.settings.cadence import Cadence
from lapsed.settings.camera import Camera
from lapsed.settings.clip import DEFAULT_CLIPS, Clip, Stitch
from lapsed.settings.files import Files
from lapsed.settings.judge import Judge
from lapsed.settings.link import Link, SignalLink
from lapsed.settings.machine import Machine
from lapsed.settings.notice import Notice
from lapsed.settings.web import Web


def _named(folder: object) -> object:
    if folder == "":
        raise ValueError("the name of the folder is empty")
    return folder


class Store(Part):
    """Where takes are kept."""

    folder: Annotated[Path, BeforeValidator(_named)] = Field(
        Path("~/lapsed"), description="on a disk with room: a take is shots times the size of a file"
    )
    min_free_mb: Annotated[int, Field(ge=0)] = Field(500, description="no shot is begun with less space than this left")
    thin: bool = Field(
        False,
        description="true lets the frames of the oldest stitched takes be removed when room runs low; clips stay",
    )


class Printer(Part):
    """A printer with the host that runs it and the cameras that look at it."""

    name: Name
    link: Link
    machine: Machine = Field(default_factory=Machine)
    cadence: Cadence = Field(default_factory=lambda: Cadence(every_layers=1))
    files: Files | None = Field(None, description="where printed files can be read for length_s")
    camera: tuple[Camera, ...] = Field(min_length=1, description="the first is the main one")
    clips: tuple[Name, ...] | None = Field(None, description="names of the clips to stitch; left out, all of them")

    @model_validator(mode="after")
    def _whole(self) -> Self:
        _unique("camera", [camera.name for camera in self.camera])
        if self.cadence.park and not self.cadence.cue_lines_only and not self.link.can_park:
            if isinstance(self.link, SignalLink):
                raise ValueError("a host that signals parks by itself: set park = false in the cadence")
            raise ValueError("parking needs hold, resume, ask and run in the link; name them, or set park = false")
        return self


class Settings(Part):
    """The whole configuration."""

    store: Store = Field(default_factory=Store)
    stitch: Stitch = Field(default_factory=Stitch)
    web: Web = Field(default_factory=Web)
    notice: Notice | None = Field(None, description="a program or an address that is told what becomes of prints")
    judge: Judge = Field(default_factory=Judge)
    printer: tuple[Printer, ...] = Field(min_length=1)
    clip: tuple[Clip, ...] = DEFAULT_CLIPS

    @model_validator(mode="after")
    def _whole(self) -> Self:
        _unique("printer", [printer.name for printer in self.printer])
        _unique("clip", [clip.name for clip in self.clip])
        known = {clip.name for clip in self.clip}
        for printer in self.printer:
            for name in printer.clips or ():
                if name not in known:
                    raise ValueError(f"printer {printer.name!r} wants clip {name!r}, which is not there")
        return self

    def clips_of(self, printer: Printer | None) -> tuple[Clip, ...]:
        """The clips that are stitched from takes of `printer`, or from pictures of no printer of ours."""
        wanted = printer.clips if printer is not None else None
        return tuple(clip for clip in self.clip if wanted is None or clip.name in wanted)


def _unique(what: str, names: list[str]) -> None:
    for name in names:
        if names.count(name) > 1:
            raise ValueError(f"two {what}s are named {name!r}; give each its own name")
