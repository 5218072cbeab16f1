import asyncio
import re
from pathlib import Path

import cv2
import numpy as np
import psutil

from lapsed.now import Told
from lapsed.stitcher import Stitcher
from tests.waiting import until


def folder_of_pictures(folder: Path) -> Path:
    folder.mkdir()
    for number in range(4):
        cv2.imwrite(str(folder / f"{number}.jpg"), np.full((240, 320, 3), 50 * number, np.uint8))
    return folder


async def test_a_stitch_stands_still_while_a_printer_prints_and_goes_on_afterwards(tmp_path: Path) -> None:
    take = folder_of_pictures(tmp_path / "take")
    stitcher = Stitcher(None)
    running = asyncio.create_task(stitcher.run())
    stitcher.enqueue(take, options=("--clip", "wide", "--size", "160x120", "--length", "20"))
    await until(lambda: stitcher._job is not None)
    assert stitcher._job is not None
    child = psutil.Process(stitcher._job.pid)
    stitcher.printing("bench", on=True)
    # The signal is sent within the call, so what is waited for here is the kernel alone.
    await until(lambda: child.status() == psutil.STATUS_STOPPED)
    used = child.cpu_times().user
    await asyncio.sleep(0.2)
    assert child.cpu_times().user == used
    assert not (take / "clips" / "wide.mp4").exists()
    stitcher.printing("bench", on=False)
    await until((take / "clips" / "sheet.jpg").is_file)
    assert (take / "clips" / "wide.mp4").is_file()
    await until(lambda: stitcher._job is None)
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)


async def test_nothing_is_begun_while_a_printer_prints(tmp_path: Path) -> None:
    stitcher = Stitcher(None)
    running = asyncio.create_task(stitcher.run())
    stitcher.printing("bench", on=True)
    stitcher.enqueue(folder_of_pictures(tmp_path / "take"))
    for _ in range(5):
        await asyncio.sleep(0)
    assert stitcher._job is None
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)


async def test_options_that_are_refused_are_told_in_one_sentence(tmp_path: Path) -> None:
    heard: list[Told] = []
    stitcher = Stitcher(None, notice=heard.append)
    running = asyncio.create_task(stitcher.run())
    stitcher.enqueue(tmp_path / "take", options=("--out", "/etc"))
    await until(lambda: bool(heard))
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)
    assert re.fullmatch(
        r"stitching take can't be asked for: options: only --clip, [^\n]* not --out /etc; mend that and stitch again",
        heard[0].text,
    )


async def test_ending_in_mid_clip_leaves_no_debris(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr("lapsed.stitcher.END_WITHIN_S", 60.0)  # a busy machine clears up more slowly
    take = folder_of_pictures(tmp_path / "take")
    stitcher = Stitcher(None)
    running = asyncio.create_task(stitcher.run())
    stitcher.enqueue(take, options=("--clip", "wide", "--length", "600"))
    await until((take / "clips" / ".wide.unfinished").is_dir)
    stitcher.printing("bench", on=True)  # it is told to end while it stands still
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)
    assert [path.name for path in (take / "clips").glob(".*")] == []


async def test_a_take_is_worked_on_from_the_moment_it_is_no_longer_waiting(tmp_path: Path, monkeypatch) -> None:
    seen: list[bool] = []
    stitcher = Stitcher(None)
    monkeypatch.setattr("lapsed.stitcher._on_card", lambda take: not seen.append(stitcher.works_on(take)))
    running = asyncio.create_task(stitcher.run())
    stitcher.enqueue(tmp_path)
    await until(lambda: bool(seen) and not stitcher.takes())
    assert seen == [True]
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)


async def test_a_stitch_that_fails_is_told_until_the_next(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    heard: list[str] = []
    stitcher = Stitcher(None, notice=lambda told: heard.append(told.text))
    running = asyncio.create_task(stitcher.run())
    stitcher.enqueue(tmp_path / "empty")
    await until(lambda: stitcher.now().trouble is not None)
    told = stitcher.now().trouble
    assert told is not None
    assert told.text.startswith("stitching empty ended with status 2")
    assert heard == [told.text]
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)
