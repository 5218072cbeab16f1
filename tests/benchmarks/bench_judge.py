"""What judging costs beside plain decoding, and how well light is evened and shifts are found; a plain script.

    python -m tests.benchmarks.bench_judge FOLDER [--frames 60]

FOLDER holds JPEGs of one size, upright. Costs are processor seconds of all threads, so that other work on the machine
counts for little; accuracies are against the causes that the test's own bench of tools was drawn with.
"""

# ruff: noqa: T201 - a script tells its figures on standard output
import argparse
import sys
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import cv2
import numpy as np
import simplejpeg

from lapsed.clip.even import Course, even
from lapsed.clip.footage import footage_of_folder
from lapsed.clip.judge import Job, judge
from lapsed.clip.judged import VERSION, Header
from lapsed.clip.measure import WHOLE, measure
from lapsed.clip.probe import Picture, probe
from lapsed.clip.shift import prepared, shift_of
from tests.clip import test_even
from tests.clip.workshop import bench


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--frames", type=int, default=60)
    args = parser.parse_args()
    paths = [frame.path for frame in footage_of_folder(args.folder).frames]
    look = probe(paths[0])
    if not isinstance(look, Picture):
        sys.exit(f"{paths[0]} {look.reason}")
    bench_cost((paths * (-(-args.frames // len(paths))))[: args.frames], look)
    bench_evening()
    bench_shift()


def cost(work: Callable[[], object]) -> tuple[float, float]:
    """Processor seconds and wall seconds."""
    cpu, wall = time.process_time(), time.perf_counter()
    work()
    return time.process_time() - cpu, time.perf_counter() - wall


def bench_cost(paths: list[Path], look: Picture) -> None:
    jobs = [Job(path.name, path.stat().st_size, path.stat().st_mtime_ns) for path in paths]
    header = Header(VERSION, WHOLE, WHOLE, 1, (look.width, look.height))

    def decode(by: int) -> None:
        least = {"min_width": -(-look.width // by), "min_height": -(-look.height // by), "min_factor": by}
        with ThreadPoolExecutor(2) as pool:
            list(pool.map(lambda path: simplejpeg.decode_jpeg(path.read_bytes(), "BGR", **least).shape, paths))

    decode(8)
    ours, wall = cost(lambda: judge(jobs, paths[0].parent, header, (), lambda _: None, workers=2))
    reduced, _ = cost(lambda: decode(4))
    whole, _ = cost(lambda: decode(1))
    print(
        f"judging {look.width}x{look.height}: {1000 * ours / len(paths):.0f} ms of processor a frame "
        f"({1000 * wall / len(paths):.0f} ms on the clock), {ours / reduced:.2f} of a reduced decode, "
        f"{ours / whole:.2f} of a whole one"
    )


def bench_evening() -> None:
    frames = test_even.sequence()[1]
    raw, ours = (
        test_even.errors(np.array([test_even.still(frame) for frame in frames])),
        test_even.errors(test_even.evened()),
    )
    print(f"flicker as shot: off the true light by {100 * raw[0]:.2f} %, from frame to frame {100 * raw[1]:.2f} %")
    print(f"evened:          off the true light by {100 * ours[0]:.2f} %, from frame to frame {100 * ours[1]:.2f} %")
    for size in (5, 15, 25):
        general = test_even.errors(test_even.general_filter(size))
        print(f"general filter over {size:2}: {100 * general[0]:.2f} %, {100 * general[1]:.2f} %")
    lights = [measure(frame, frame) for frame in frames]
    print(f"deciding the gains of 10 000 frames: {cost(lambda: even((lights * 84)[:10_000], Course()))[0]:.2f} s")


def bench_shift() -> None:
    view, noise = bench((320, 240)), np.random.default_rng(1)
    off = []
    for _ in range(40):
        shift = tuple((noise.integers(-40, 41, 2) / 4).tolist())
        one, two = (
            prepared(np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), np.uint8))
            for picture in (view.seen(0.3, noise=noise), view.seen(0.36, 1.05, (shift[0], shift[1]), noise))
        )
        found = shift_of(two, one)
        off.append(float(np.hypot(found.x - shift[0], found.y - shift[1])))
    print(f"shifts up to 10 px: off by {np.mean(off):.3f} px, at most {max(off):.3f} px")


if __name__ == "__main__":
    main()
