"""A child process that reduces pictures for the page and takes their measure; the daemon decodes none itself.

Run as `python -m lapsed.clip.reduction`. Each line on stdin is a JSON object: `path`, and either `width` (the longest
side in pixels) or `centre` (two shares of width and height) with `side` (pixels), for a piece at full size. Each answer
is a JSON line, with `bytes` when that many bytes of JPEG follow, or with `problem`, a sentence.
"""

import json
import os
import sys
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import simplejpeg  # type: ignore[import-untyped]  # it ships no types
from numpy.typing import NDArray

from lapsed.clip.orient import mirrored, quarter_turns
from lapsed.clip.probe import Flaw, Picture, probe

Pixels = NDArray[np.uint8]

BINS = 64
"""Bins of the histogram, over the 256 values of a channel."""

MEASURED_PX = 256
"""About the longest side of what is measured."""

NICENESS = 19


@dataclass(frozen=True, slots=True)
class Measure:
    """What a reduced picture tells of its exposure and focus.

    `histogram` counts luma in BINS bins; `white` is the share of pixels at the top of the scale in any channel, `black`
    that of pixels at its bottom in all, both counted in spots of about `spot` by `spot` of the file's pixels; `mean` is
    the mean luma, 0 to 255; `sharpness` the mean square of the luma's second differences.
    """

    histogram: tuple[int, ...]
    white: float
    black: float
    mean: float
    sharpness: float
    spot: int


def measure(pixels: Pixels, decoded: Pixels, spot: int) -> Measure:
    """The measure of an RGB picture of shape (height, width, 3).

    `decoded` is the same before neighbours were averaged, which hides what is clipped, as reduced by `spot`.
    """
    # ITU-R BT.601-7, 2.5.1: luma of R'G'B'.
    luma = pixels.astype(np.float32) @ np.array([0.299, 0.587, 0.114], np.float32)
    counts, _ = np.histogram(luma, bins=BINS, range=(0, 256))
    most = np.maximum(np.maximum(decoded[..., 0], decoded[..., 1]), decoded[..., 2])
    second = 4 * luma[1:-1, 1:-1] - luma[:-2, 1:-1] - luma[2:, 1:-1] - luma[1:-1, :-2] - luma[1:-1, 2:]
    return Measure(
        histogram=tuple(int(count) for count in counts),
        white=np.count_nonzero(most >= 254) / most.size,
        black=np.count_nonzero(most <= 1) / most.size,
        mean=float(luma.mean()),
        sharpness=float(np.mean(second * second)) if second.size else 0.0,
        spot=spot,
    )


def reduced(path: Path, width: int) -> tuple[Pixels, Measure, tuple[int, int]]:
    """The upright picture with its longest side near `width` pixels, its measure, and its full size.

    Raises ValueError.
    """
    picture = _picture(path)
    data = path.read_bytes()
    longest = max(picture.width, picture.height)
    pixels = _decoded(data, picture, max(1, -(-width * 8 // longest)))
    # Sharpness depends on the scale, so that all frames are measured at one, whatever width is asked for: in blocks of
    # so many of the file's pixels. A decoder's eighths divide large blocks; small pictures are decoded whole for it.
    block = max(1, longest // MEASURED_PX)
    block = block if block < 8 else block - block % 8
    whole = pixels if block >= 8 else _decoded(data, picture, 8)
    measured = _averaged(whole, max(1, round(block * max(whole.shape) / longest)))
    shown = _averaged(pixels, max(1, max(pixels.shape[:2]) // width))
    found = measure(measured, whole, round(longest / max(whole.shape)))
    return _upright(shown, picture.orientation), found, (picture.width, picture.height)


def _decoded(data: bytes, picture: Picture, eighths: int) -> Pixels:
    # A decoder of JPEG (ITU-T T.81) reduces by leaving out frequencies: only by eighths, and never below the wish.
    wanted = (picture.height * min(8, eighths) // 8, picture.width * min(8, eighths) // 8)
    pixels: Pixels = simplejpeg.decode_jpeg(data, "RGB", min_height=wanted[0], min_width=wanted[1], fastdct=True)
    return pixels


def piece(path: Path, centre: tuple[float, float], side: int) -> tuple[Pixels, tuple[int, int]]:
    """A square of the upright picture at full size around `centre`, and the full size; raises ValueError."""
    picture = _picture(path)
    pixels = _upright(simplejpeg.decode_jpeg(path.read_bytes(), "RGB"), picture.orientation)
    height, width = pixels.shape[:2]
    side = min(side, width, height)
    left = min(max(0, round(centre[0] * width - side / 2)), width - side)
    top = min(max(0, round(centre[1] * height - side / 2)), height - side)
    return pixels[top : top + side, left : left + side], (picture.width, picture.height)


def _picture(path: Path) -> Picture:
    seen = probe(path)
    if isinstance(seen, Flaw):
        raise ValueError(f"{path.name} {seen.reason}")  # noqa: TRY004 - its content is at fault
    if seen.kind != "jpeg":
        raise ValueError(f"{path.name} is no JPEG")
    return seen


def _averaged(pixels: Pixels, step: int) -> Pixels:
    if step == 1:
        return pixels
    height, width = (side // step for side in pixels.shape[:2])
    blocks = pixels[: height * step, : width * step].reshape(height, step, width, step, 3)
    averaged: Pixels = blocks.mean(axis=(1, 3)).round().astype(np.uint8)
    return averaged


def _upright(pixels: Pixels, orientation: int) -> Pixels:
    if mirrored(orientation):
        pixels = pixels[:, ::-1]
    upright: Pixels = np.ascontiguousarray(np.rot90(pixels, -quarter_turns(orientation)))
    return upright


def answer(order: dict[str, Any]) -> tuple[dict[str, Any], bytes]:
    """What is answered to one order."""
    try:
        path = Path(order["path"])
        if "centre" in order:
            pixels, size = piece(path, tuple(order["centre"]), int(order["side"]))
            found = measure(_averaged(pixels, max(1, max(pixels.shape[:2]) // MEASURED_PX)), pixels, 1)
        else:
            pixels, found, size = reduced(path, int(order["width"]))
        jpeg = simplejpeg.encode_jpeg(pixels, quality=85, colorspace="RGB")
    except (OSError, ValueError) as error:
        return {"problem": str(error)}, b""
    return {"size": size, "measure": asdict(found), "bytes": len(jpeg)}, jpeg


def main() -> None:
    """Answer the orders on stdin until it closes."""
    os.nice(NICENESS)
    try:
        for line in sys.stdin.buffer:
            head, body = answer(json.loads(line))
            sys.stdout.buffer.write(json.dumps(head).encode() + b"\n" + body)
            sys.stdout.buffer.flush()
    except BrokenPipeError:
        sys.stdout = None  # the daemon is gone; the interpreter would flush to it once more


if __name__ == "__main__":
    main()
