"""What is given to the stitcher and what it gives back."""

import re
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

from lapsed.clip.orient import Rect
from lapsed.clip.probe import PICTURE_SUFFIXES
from lapsed.clip.room import Room
from lapsed.errors import UserError


@dataclass(frozen=True, slots=True)
class Frame:
    """One picture file and what is known of its making; `taken_at` is ISO 8601."""

    path: Path
    shot: int | None = None
    layer: int | None = None
    height_mm: float | None = None
    taken_at: str | None = None


@dataclass(frozen=True, slots=True)
class Footage:
    """The frames of one camera in the order they were shot, all below `folder`."""

    title: str
    folder: Path
    frames: tuple[Frame, ...]
    camera: str | None = None


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A frame that is in no clip, and why."""

    frame: str
    reason: str


@dataclass(frozen=True, slots=True)
class Proposed:
    """A frame that sticks out, by its number and file; a person decides whether it is left out."""

    number: int
    frame: str
    fault: str
    reason: str


@dataclass(frozen=True, slots=True)
class Examined:
    """What judging found of all frames: how much they flicker, and how far they stand off.

    `flicker` is the root mean square of what evening takes out, as a share of the light, and `most_ev` the most of it.
    `limited` counts frames that a limit kept from being evened in full. `moved_px` is the farthest that a frame is
    moved back, and `inner` what that leaves of the frame's `size`; `beyond` counts frames that stand off too far for
    the limit, `unplaced` those of all `frames` whose place can't be told. `table` and `chart` are the files that show
    it by frame.
    """

    flicker: float
    most_ev: float
    limited: int
    moved_px: float
    size: tuple[int, int]
    inner: Rect
    beyond: int
    frames: int
    unplaced: int
    table: Path
    chart: Path

    def as_text(self) -> tuple[str, ...]:
        """In sentences for people, the cost of the crop before it is done."""
        words = [f"the light flickers by {100 * self.flicker:.1f} %, at most {self.most_ev:.2f} EV: see {self.chart}"]
        if self.limited:
            words.append(f"{_frames(self.limited)} can't be evened in full without going past a limit or clipping")
        if self.moved_px:
            lost = self.size[0] - self.inner.width, self.size[1] - self.inner.height
            words.append(
                f"frames stand off by up to {self.moved_px:.1f} px; holding them steady costs {lost[0]:.0f} px of "
                f"{self.size[0]} across and {lost[1]:.0f} of {self.size[1]} down"
            )
        if self.beyond:
            words.append(f"{_frames(self.beyond)} off by more than steady_limit allows, moved back by the limit only")
        # Among frames that stay where they are, a few that can't be told need nothing done.
        if self.unplaced > (0 if self.moved_px else self.frames // 4):
            done = "are moved as the one before" if self.moved_px else "stay as they are"
            words.append(
                f"too little keeps its place in {self.unplaced} of {_frames(self.frames)} to tell whether they moved: "
                f"they {done}; a steady_region of what stands still helps"
            )
        return tuple(words)

    def as_json(self) -> dict[str, Any]:
        """Plain values for a JSON document."""
        return {**asdict(self), "table": str(self.table), "chart": str(self.chart)}


def _frames(count: int) -> str:
    return "1 frame" if count == 1 else f"{count} frames"


@dataclass(frozen=True, slots=True)
class Account:
    """What a clip makes of the frames: how many can be seen and how many can't, and which part of them.

    `mixed`, holds and eases count output frames. `factor` is the most delivered pixels for each pixel of the frame,
    along one side; above 1 the picture is enlarged.
    """

    used: int
    dropped: int
    mixed: int
    crop: Rect
    end_crop: Rect
    factor: float
    hold_start: int
    hold_end: int
    ease_in: int
    ease_out: int

    def as_text(self) -> str:
        """In a line for people."""
        crop, end = self.crop, self.end_crop
        words = [f"{_frames(self.used)} used, {self.dropped} dropped"]
        words += [f"{self.mixed} output frames dissolve"] if self.mixed else []
        for name, start, stop in (("held", self.hold_start, self.hold_end), ("eased", self.ease_in, self.ease_out)):
            ends = [f"{count} at the {end}" for count, end in ((start, "start"), (stop, "end")) if count]
            words += [f"{name} {' and '.join(ends)}"] if ends else []
        words.append(f"crop {_rect(crop)}" + ("" if crop == end else f" to {_rect(end)}"))
        words.append(f"enlarged {self.factor:.2f} times" if self.factor > 1.0005 else f"scale {self.factor:.2f}")
        return "; ".join(words)


def _rect(rect: Rect) -> str:
    return f"{rect.width:.0f}x{rect.height:.0f} at {rect.x:.0f}, {rect.y:.0f}"


@dataclass(frozen=True, slots=True)
class Made:
    """One clip that was stitched. `codec` is what the file's video track holds; `remarks` are sentences.

    `spent` is what memory an encoder was given, None for a master.
    """

    name: str
    path: Path
    width: int
    height: int
    frames: int
    rate: Fraction
    codec: str
    remarks: tuple[str, ...] = ()
    account: Account | None = None
    spent: Room | None = None

    @property
    def seconds(self) -> float:
        """How long the clip lasts."""
        return float(self.frames / self.rate)

    def as_json(self) -> dict[str, Any]:
        """Plain values for a JSON document; the rate is a number, whole where it is."""
        return {
            "name": self.name,
            "path": str(self.path),
            "width": self.width,
            "height": self.height,
            "frames": self.frames,
            "rate": self.rate.numerator if self.rate.denominator == 1 else float(self.rate),
            "seconds": self.seconds,
            "codec": self.codec,
            "remarks": list(self.remarks),
            "account": None if self.account is None else asdict(self.account),
            "spent": None if self.spent is None else asdict(self.spent),
        }


@dataclass(frozen=True, slots=True)
class Refused:
    """A clip that was asked for and not made, and why."""

    clip: str
    reason: str


@dataclass(frozen=True, slots=True)
class Report:
    """What became of the frames; `sheet` is the contact sheet, if any, `remarks` are sentences about all clips."""

    title: str
    frames: int
    clips: tuple[Made, ...]
    sheet: Path | None
    left_out: tuple[LeftOut, ...] = ()
    remarks: tuple[str, ...] = ()
    proposed: tuple[Proposed, ...] = ()
    examined: Examined | None = None
    not_made: tuple[Refused, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Plain values for a JSON document."""
        return {
            "title": self.title,
            "frames": self.frames,
            "clips": [made.as_json() for made in self.clips],
            "not_made": [asdict(each) for each in self.not_made],
            "sheet": None if self.sheet is None else str(self.sheet),
            "left_out": [{"frame": left.frame, "reason": left.reason} for left in self.left_out],
            "remarks": list(self.remarks),
            "proposed": [asdict(each) for each in self.proposed],
            "examined": None if self.examined is None else self.examined.as_json(),
        }


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a clip is: `done` of `total` output frames, `fps` made in each second, `left_s` till it is finished."""

    clip: str
    done: int
    total: int
    fps: float
    left_s: float | None


def footage_of_folder(folder: Path) -> Footage:
    """The pictures that lie in `folder`, not deeper, in natural order: 9.jpg comes before 10.jpg.

    Raises UserError where there is no such folder or no picture in it.
    """
    try:
        names = [entry.name for entry in folder.iterdir() if _is_picture(entry)]
    except OSError as error:
        raise UserError(f"cannot look into {folder}: {error.strerror}") from error
    if not names:
        kinds = ", ".join(sorted(PICTURE_SUFFIXES))
        raise UserError(f"no pictures in {folder}; lapsed stitches {kinds} files that lie in the folder itself")
    return Footage(folder.resolve().name, folder, tuple(Frame(folder / name) for name in natural(names)))


def natural(names: Iterable[str]) -> list[str]:
    """Names sorted as people count: runs of digits by their value, everything else by letter."""
    return sorted(names, key=lambda name: ([_word(part) for part in re.split(r"(\d+)", name)], name))


def _word(part: str) -> tuple[int, int, str]:
    # isdecimal alone would let through digits of other scripts, which re splits off and int reads just as well.
    return (0, int(part), "") if part.isdecimal() else (1, 0, part.casefold())


def _is_picture(entry: Path) -> bool:
    return not entry.name.startswith(".") and entry.suffix.lower() in PICTURE_SUFFIXES and entry.is_file()
