"""How well light is evened on the simulated workshop, beside FFmpeg's `deflicker`; a plain script.

    python -m tests.benchmarks.bench_evening [--frames 60] [--out DIR]

The scene is drawn by the simulators as the demo's is, under a lamp whose course is known: it drifts slowly, and each
frame is off by 4 %, one by 20 %. Frames, once as they are and once under the drift alone, are measured where nothing
but the light changes.
With --out the frames stay there, evened clips and charts beside them, to be looked at.
"""

# ruff: noqa: T201 - a script tells its figures on standard output
import argparse
import subprocess
import tempfile
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from unittest.mock import patch

import av
import cv2
import numpy as np
import simplejpeg

from lapsed.clip.footage import footage_of_folder
from lapsed.clip.srgb import LIGHT, to_code
from lapsed.clip.stitch import stitch
from lapsed.settings import Clip
from lapsed.settings.clip import CodecName
from lapsed.sim.part import write_part
from lapsed.sim.scene import Scene, View
from lapsed.sim.sensor import Sensor
from lapsed.sim.strands import read

BED = ((0.0, 220.0), (0.0, 220.0))
SIZE = (960, 640)
PARKED = (20.0, 200.0)


def trend(frames: int) -> np.ndarray:
    """The lamp without its flicker, as a logarithm."""
    at = np.arange(frames)
    return np.asarray(-0.25 * at / frames + 0.06 * np.sin(2 * np.pi * at / 45))


def drawn(frames: int, head: Callable[[int], tuple[float, float] | None] = lambda _: None) -> Iterator[np.ndarray]:
    """A frame a layer (BGR) under a steady lamp; `head` tells where the head stands, None where it is parked."""
    strands = read(write_part(frames).splitlines())
    scene = Scene(strands, BED, SIZE)
    with patch.object(Sensor, "light", lambda *_: 1.0):
        for shot in range(frames):
            lines = int(strands.line[int(np.sum(strands.top < 0.4 * (shot + 1) + 0.1)) - 1])
            view = View(lines, (*(head(shot) or PARKED), 0.4 * (shot + 1) + 2))
            yield simplejpeg.decode_jpeg(scene.jpeg(view, shot), "BGR")


def under(folder: Path, pictures: Sequence[np.ndarray], lamp: np.ndarray) -> None:
    """Save `pictures` as numbered JPEGs, in the light of `lamp` (logarithms; sRGB's curve, IEC 61966-2-1)."""
    folder.mkdir()
    for number, (picture, light) in enumerate(zip(pictures, lamp, strict=True), start=1):
        lit = np.round(255 * to_code(np.clip(LIGHT[picture] * np.exp(light), 0, 1))).astype(np.uint8)
        (folder / f"{number}.jpg").write_bytes(simplejpeg.encode_jpeg(lit, 95, colorspace="BGR"))


def still(pictures: Sequence[np.ndarray]) -> np.ndarray:
    """Where neither part nor machine nor their shadows ever come: the pixels that stay as they are but for grain."""
    soft = [cv2.GaussianBlur(picture, (0, 0), 4).astype(np.int16) for picture in pictures]
    return np.asarray((np.max(soft, axis=0) - np.min(soft, axis=0)).max(axis=2) < 4)


def course(movie: Path, where: np.ndarray) -> np.ndarray:
    """The luminance of each frame `where` nothing moves (BT.709-6, item 3.2), as a logarithm."""
    with av.open(str(movie)) as container:
        frames = (frame.to_ndarray(format="rgb24") for frame in container.decode(video=0))
        return np.array([np.log((LIGHT[frame[where]] @ (0.2126, 0.7152, 0.0722)).mean()) for frame in frames])


def errors(found: np.ndarray, true: np.ndarray) -> tuple[float, float]:
    """How far off the true course, and how much of the flicker is left from frame to frame, root mean squares."""
    off = found - true
    off -= off.mean()
    return float(off.std()), float(np.diff(off).std())


def general(folder: Path, size: int, out: Path) -> Path:
    """The same frames through FFmpeg's filter `deflicker`, encoded without loss."""
    command = ["ffmpeg", "-v", "error", "-y", "-i", f"{folder}/%d.jpg", "-vf", f"deflicker=size={size}:mode=am"]
    subprocess.run([*command, "-c:v", "libx264", "-qp", "0", "-pix_fmt", "yuv444p", str(out)], check=True)
    return out


def ours(folder: Path, out: Path, *, even: bool, codec: CodecName = "h264") -> Path:
    """The same frames stitched."""
    clip = Clip(name="clip", codec=codec, quality=1, preset="ultrafast", hold_end_s=0, even=even, steady=False)
    report = stitch(footage_of_folder(folder), [clip], out, lambda _: None)
    return report.clips[0].path


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--frames", type=int, default=60)
    parser.add_argument("--out", type=Path)
    args = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as scratch:
        place = args.out or Path(scratch)
        place.mkdir(exist_ok=True)
        lamp = trend(args.frames)
        off = np.random.default_rng(17).normal(0, 0.04, args.frames)
        off[[args.frames // 3]] = -0.2
        pictures = list(drawn(args.frames))
        under(place / "true", pictures, lamp)
        under(place / "shot", pictures, lamp + off)
        where = still(pictures)
        true = course(ours(place / "true", place / "true-clip", even=False), where)
        rows = {
            "as shot": ours(place / "shot", place / "plain", even=False),
            "evened": ours(place / "shot", place / "evened", even=True),
            "evened, in 10 bits": ours(place / "shot", place / "fine", even=True, codec="prores"),
            **{f"deflicker, {n} frames": general(place / "shot", n, place / f"general-{n}.mp4") for n in (5, 15, 25)},
        }
        print(f"measured on {100 * where.mean():.0f} % of the picture")
        for name, movie in rows.items():
            error, left = errors(course(movie, where), true)
            print(f"{name:22} off the true light {100 * error:.2f} %, from frame to frame {100 * left:.2f} %")


if __name__ == "__main__":
    main()
