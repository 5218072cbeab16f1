"""How fast clips are made, beside a plain copy and beside the usual command-line encoder; a plain script.

    python -m tests.benchmarks.bench_clip FOLDER [--frames 60] [--preset medium]

FOLDER holds JPEGs named so that the shell sorts them. The encoder gets the same files, crop, size and x264 settings,
with explicit matrices; SSIM is each clip's against the frames scaled in floating point from a full decode (OpenCV,
area averaging). Each runs in a process of its own, for its processor time and its peak of memory. Prints one line for
each figure; budgets are ratios, as machines differ.
"""

# ruff: noqa: T201 - a script tells its figures on standard output
import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import av
import cv2
import numpy as np
from numpy.typing import NDArray

from lapsed.clip import delivery, master
from lapsed.clip.delivery import Means
from lapsed.clip.editlist import EditList, edit
from lapsed.clip.footage import footage_of_folder
from lapsed.clip.labels import Tags
from lapsed.clip.probe import Picture, probe
from lapsed.clip.shape import shape
from lapsed.settings import Clip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--frames", type=int, default=60)
    parser.add_argument("--preset", default="medium")
    args = parser.parse_args()
    footage = footage_of_folder(args.folder)
    paths = [frame.path for frame in footage.frames]
    paths = (paths * (-(-args.frames // len(paths))))[: args.frames]
    look = probe(paths[0])
    if not isinstance(look, Picture):
        sys.exit(f"{paths[0]} {look.reason}")
    with tempfile.TemporaryDirectory(dir=args.folder.parent) as work:
        bench_master(Path(work), paths, look)
        for size in ((3840, 2160), (1080, 1920)):
            bench_delivery(Path(work), paths, look, Clip(name="d", size_px=size, preset=args.preset, hold_end_s=0))


def plan_of(paths: list[Path], look: Picture, clip: Clip) -> EditList:
    form = shape((look.width, look.height), clip)
    return edit([path.name for path in paths], (look.width, look.height), 1, form, clip)


@dataclass(frozen=True)
class Cost:
    """What a process took: seconds by the clock and of processors, and its peak of memory, MB."""

    wall_s: float
    processor_s: float
    peak_mb: float


def cost(work: Callable[[], object]) -> Cost:
    """Do `work` in a child."""
    sys.stdout.flush()
    start = time.perf_counter()
    pid = os.fork()
    if pid == 0:
        status = 1
        try:
            work()
            status = 0
        finally:
            os._exit(status)
    _, status, used = os.wait4(pid, 0)
    if status:
        sys.exit("a run failed; what it said stands above")
    return Cost(time.perf_counter() - start, used.ru_utime + used.ru_stime, used.ru_maxrss * 1024 / 1e6)


def bench_master(work: Path, paths: list[Path], look: Picture) -> None:
    plan = plan_of(paths, look, Clip(name="m", codec="master", hold_end_s=0))

    def copy() -> None:
        for number, path in enumerate(paths):
            shutil.copyfile(path, work / f"{number}.jpg")
        subprocess.run(["sync", "-f", str(work)], check=True)

    def ours() -> None:
        master.write(plan, paths[0].parent, work / "m.mov", Tags("t"), lambda _: None)

    cost(copy)  # both find the frames in the page cache, and the disk as the other left it
    rounds = [(cost(copy), cost(ours)) for _ in range(3)]
    copied, carried = (min(each, key=lambda one: one.wall_s) for each in zip(*rounds, strict=True))
    print(
        f"master: {len(paths) / carried.wall_s:.1f} frames/s, {copied.wall_s / carried.wall_s:.2f} of the speed of "
        f"copying (budget 0.95); peak {carried.peak_mb:.0f} MB"
    )
    for file in work.iterdir():
        file.unlink()


def bench_delivery(work: Path, paths: list[Path], look: Picture, clip: Clip) -> None:
    plan = plan_of(paths, look, clip)
    for number, path in enumerate(paths):
        (work / f"{number:06}.jpg").symlink_to(path.resolve())
    argv = command(plan, work)
    ours = cost(lambda: delivery.write(plan, paths[0].parent, work / "ours.mp4", Tags("t"), lambda _: None))
    theirs = cost(lambda: os.execvp(argv[0], argv))  # noqa: S606 - no shell is wanted
    budget = 1.2 if plan.size[0] > plan.size[1] else 1.6
    print(
        f"{plan.size[0]}x{plan.size[1]} {clip.preset}: {len(paths) / ours.wall_s:.2f} frames/s, "
        f"{theirs.wall_s / ours.wall_s:.2f} of the command line's (budget {budget}), "
        f"{theirs.processor_s / ours.processor_s:.2f} by processor time; "
        f"peak {ours.peak_mb:.0f} MB beside {theirs.peak_mb:.0f}; "
        f"SSIM {likeness(plan, paths, work / 'ours.mp4'):.4f} beside "
        f"{likeness(plan, paths, work / 'theirs.mp4'):.4f}; size "
        f"{(work / 'ours.mp4').stat().st_size / (work / 'theirs.mp4').stat().st_size:.2f} of it"
    )
    for file in work.iterdir():
        file.unlink()


def command(plan: EditList, work: Path) -> list[str]:
    crop = plan.pieces[0].crop
    space = delivery.room_for(plan, Means(2))
    filters = (
        f"crop={crop.width:.0f}:{crop.height:.0f}:{crop.x:.0f}:{crop.y:.0f},scale={plan.size[0]}:{plan.size[1]}:"
        "in_range=pc:out_range=tv:in_color_matrix=bt601:out_color_matrix=bt709,format=yuv420p"
    )
    tags = ["-color_range", "tv", "-colorspace", "bt709", "-color_primaries", "bt709", "-color_trc", "bt709"]
    encoder = ["-c:v", "libx264", "-preset", plan.preset, "-crf", str(plan.quality), "-profile:v", "high"]
    encoder += ["-x264-params", f"rc-lookahead={space.look_ahead}"]
    source = ["-framerate", str(plan.rate), "-i", str(work / "%06d.jpg")]
    out = ["-movflags", "+faststart", "-y", str(work / "theirs.mp4")]
    return ["ffmpeg", "-v", "error", *source, "-vf", filters, *encoder, *tags, *out]


def likeness(plan: EditList, paths: list[Path], clip: Path) -> float:
    """SSIM, worked out elsewhere: OpenCV's threads do not live on in a forked child, which would wait for them."""
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        return pool.submit(ssim_of, plan, paths, clip).result()


def ssim_of(plan: EditList, paths: list[Path], clip: Path) -> float:
    """Mean SSIM of luma over five frames (Wang et al., 2004: Gaussian window of 1.5 px, K1 0.01, K2 0.03)."""
    chosen = {k * (len(paths) - 1) // 4 for k in range(5)}
    figures = []
    with av.open(str(clip)) as movie:
        for number, frame in enumerate(movie.decode(video=0)):
            if number in chosen:
                luma = np.frombuffer(memoryview(frame.planes[0]), np.uint8)
                luma = luma.reshape(frame.height, frame.planes[0].line_size)[:, : frame.width]
                figures.append(ssim((luma.astype(np.float32) - 16) * 255 / 219, wanted(plan, paths[number])))
    return float(np.mean(figures))


def wanted(plan: EditList, path: Path) -> NDArray[np.float32]:
    """The luma by BT.709 of a frame cropped and area-averaged in floating point."""
    crop = plan.pieces[0].crop
    picture = cv2.imread(str(path), cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION)
    assert picture is not None
    cut = picture[int(crop.y) : int(crop.y + crop.height), int(crop.x) : int(crop.x + crop.width)].astype(np.float32)
    small = cv2.resize(cut, plan.size, interpolation=cv2.INTER_AREA)
    return np.asarray(small @ np.array([0.0722, 0.7152, 0.2126], np.float32), np.float32)


def ssim(one: NDArray[np.float32], two: NDArray[np.float32]) -> float:
    def blur(picture: NDArray[np.float32]) -> NDArray[np.float32]:
        return np.asarray(cv2.GaussianBlur(picture, (11, 11), 1.5), np.float32)

    c1, c2 = (0.01 * 255) ** 2, (0.03 * 255) ** 2
    mean1, mean2 = blur(one), blur(two)
    var1, var2, both = blur(one * one) - mean1**2, blur(two * two) - mean2**2, blur(one * two) - mean1 * mean2
    figure = (2 * mean1 * mean2 + c1) * (2 * both + c2) / ((mean1**2 + mean2**2 + c1) * (var1 + var2 + c2))
    return float(figure.mean())


if __name__ == "__main__":
    main()
