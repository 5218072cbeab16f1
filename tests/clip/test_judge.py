import tracemalloc
from collections.abc import Callable
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
import simplejpeg

from lapsed.clip import judge as judging
from lapsed.clip import judged as kept
from lapsed.clip.judge import Job, judge
from lapsed.clip.judged import Header, Judged
from lapsed.clip.measure import WHOLE, measure
from lapsed.clip.reduced import BrokenFrameError, reduced
from tests.clip.workshop import bench

SIZE = (256, 192)
HEADER = Header(kept.VERSION, WHOLE, WHOLE, 1, SIZE)
VIEW = bench(SIZE)
SHIFTS = {6: (3.25, -1.5), 9: (0.25, 0.0), 10: (0.25, 0.0), 11: (0.25, 0.0)}


def write(folder: Path, number: int, picture: np.ndarray) -> Job:
    path = folder / f"{number:02}.jpg"
    path.write_bytes(simplejpeg.encode_jpeg(np.ascontiguousarray(picture), 95, colorspace="BGR"))
    return job(path)


def job(path: Path) -> Job:
    return Job(path.name, path.stat().st_size, path.stat().st_mtime_ns)


@cache
def drawn() -> tuple[np.ndarray, ...]:
    """Twelve frames of a growing part with flicker and noise, a bump, a push, a head and a black one."""
    noise = np.random.default_rng(11)
    made = []
    for number in range(12):
        shift = SHIFTS.get(number, (0.0, 0.0))
        gain = float(np.exp(noise.normal(0, 0.03)))
        picture = VIEW.seen(0.3 + 0.02 * number, gain, shift, noise)
        if number == 3:
            picture[30:110, 100:180] = (40, 200, 90)
        made.append(picture * 0 if number == 7 else picture)
    return tuple(made)


@pytest.fixture
def jobs(tmp_path: Path) -> list[Job]:
    return [write(tmp_path, number, picture) for number, picture in enumerate(drawn())]


def run(jobs: list[Job], folder: Path, known: tuple[Judged, ...] = (), header: Header = HEADER) -> tuple:
    told: list[int] = []
    found = judge(jobs, folder, header, known, told.append, workers=2)
    return found, told


def test_every_frame_is_judged_once_in_order(jobs: list[Job], tmp_path: Path) -> None:
    found, told = run(jobs, tmp_path)
    assert told == list(range(1, 13))
    assert [entry.frame for entry in found] == [each.name for each in jobs]
    assert [number for number, entry in enumerate(found) if entry.stranger is not None] == [3]
    assert found[7].light is not None
    assert found[7].light.high < 0.001
    assert found[7].shift_px is None
    for number, entry in enumerate(found):
        if number != 7:
            assert entry.shift_px == pytest.approx(SHIFTS.get(number, (0.0, 0.0)), abs=0.1)


def test_what_was_judged_before_is_not_judged_again(
    jobs: list[Job], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    found, _ = run(jobs, tmp_path)
    decoded: list[str] = []
    plain = judging._look
    monkeypatch.setattr(judging, "_look", lambda job, *more: (decoded.append(job.name), plain(job, *more))[1])
    again, told = run(jobs, tmp_path, found)
    assert (again, told, decoded) == (found, [], [])
    for name, frames in (("_WARM", 4), ("_RUN", 2), ("_AROUND", 2)):
        monkeypatch.setattr(judging, name, frames)
    more = [*jobs, write(tmp_path, 12, VIEW.seen(0.54, 1.0, (1.5, 0.5), np.random.default_rng(3)))]
    longer, told = run(more, tmp_path, found)
    # Three may be judged otherwise with the new one behind them; four before them make the reference.
    assert sorted(decoded) == [f"{number:02}.jpg" for number in range(5, 13)]
    assert told == [10, 11, 12, 13]
    assert longer[12].shift_px == pytest.approx((1.5, 0.5), abs=0.1)
    assert [entry.key for entry in longer[:12]] == [entry.key for entry in found]
    changed = [write(tmp_path, 0, VIEW.seen(0.1)), *jobs[1:]]
    assert run(changed, tmp_path, found)[1] == list(range(1, 13))


def test_each_of_a_run_of_frames_with_the_head_is_told_and_no_other(tmp_path: Path) -> None:
    noise = np.random.default_rng(4)
    with_head = [2, 3, 13, 14, 15, 25, 26, 27, 28, 38]
    jobs = []
    for number in range(42):
        picture = VIEW.seen(0.1 + 0.02 * number, float(np.exp(noise.normal(0, 0.03))), (0.0, 0.0), noise)
        if number in with_head:
            picture[30:110, 100 + number : 180] = (40, 200, 90)
        jobs.append(write(tmp_path, number, picture))
    found, _ = run(jobs, tmp_path)
    assert [at for at, entry in enumerate(found) if entry.stranger is not None] == with_head
    again, _ = run(jobs, tmp_path, run(jobs[:20], tmp_path)[0])
    assert [entry.stranger for entry in again] == [entry.stranger for entry in found]


def test_a_frame_that_breaks_or_goes_is_told_and_the_others_are_judged(jobs: list[Job], tmp_path: Path) -> None:
    whole = (tmp_path / "04.jpg").read_bytes()
    (tmp_path / "04.jpg").write_bytes(whole[: len(whole) // 2] + b"\xff\xd9")
    (tmp_path / "05.jpg").unlink()
    found, _ = run(jobs, tmp_path)
    assert "can't be decoded" in (found[4].broken or "")
    assert found[5].broken == "can't be read (No such file or directory)"
    assert found[4].light is None
    assert found[6].shift_px == pytest.approx(SHIFTS[6], abs=0.1)
    again, _ = run([*jobs, jobs[-1]], tmp_path, found)
    assert again[4].broken == found[4].broken


def test_another_view_is_taken_as_it_is_after_some_frames(tmp_path: Path) -> None:
    other = bench(SIZE, seed=9)
    noise = np.random.default_rng(12)
    jobs = [write(tmp_path, number, VIEW.seen(noise=noise)) for number in range(3)]
    jobs += [write(tmp_path, 3 + number, other.seen(shift_px=(number / 4, 0), noise=noise)) for number in range(9)]
    places = [entry.shift_px for entry in run(jobs, tmp_path)[0]]
    assert places[3:8] == [None] * 5
    assert places[11] is not None
    assert places[11][0] - places[8][0] == pytest.approx(3 / 4, abs=0.1)


def test_results_survive_the_disk_and_doubtful_ones_are_thrown_away(jobs: list[Job], tmp_path: Path) -> None:
    found, _ = run(jobs, tmp_path)
    path = tmp_path / kept.FILE
    assert kept.load(path, HEADER) == ()
    kept.save(path, HEADER, found)
    assert kept.load(path, HEADER) == found
    assert kept.load(path, Header(kept.VERSION, (0.1, 0, 1, 1), WHOLE, 1, SIZE)) == ()
    for text in (path.read_text()[:-20], "", "{", "[]\n[]\n"):
        path.write_text(text)
        assert kept.load(path, HEADER) == ()


def test_what_is_known_of_a_hundred_thousand_frames_fits_a_small_computer(tmp_path: Path) -> None:
    light = measure(np.zeros((72, 96, 3), np.uint8), np.zeros((72, 96, 3), np.uint8))
    many = [Judged(f"{number}.jpg", number, number, None, light, (0.5, 0.5), 0.02) for number in range(500)]
    kept.save(tmp_path / "judged.jsonl", HEADER, many)
    tracemalloc.start()
    found = kept.load(tmp_path / "judged.jsonl", HEADER)
    each = tracemalloc.get_traced_memory()[0] / len(found)
    tracemalloc.stop()
    assert 100_000 * each < 200_000_000


@pytest.mark.parametrize(("size", "factor"), [((1023, 700), 1), ((1024, 700), 2), ((2100, 1500), 4), ((8200, 64), 16)])
def test_frames_are_reduced_by_whole_factors(tmp_path: Path, size: tuple[int, int], factor: int) -> None:
    picture = cv2.resize(VIEW.seen(), size)
    write(tmp_path, 1, picture)
    small = reduced(tmp_path / "01.jpg", size, 1, tmp_path / "01.jpg")
    assert small.factor == factor
    assert small.coarse.shape[:2] == (size[1] // factor, size[0] // factor)
    assert abs(float(small.coarse.mean()) - float(picture.mean())) < 1.5


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_reduced_frames_are_upright(tmp_path: Path, orientation: int) -> None:
    picture = VIEW.seen()
    write(tmp_path, 1, picture)
    small = reduced(tmp_path / "01.jpg", SIZE, orientation, tmp_path / "01.jpg")
    turns = {1: picture, 3: np.rot90(picture, 2), 6: np.rot90(picture, -1), 8: np.rot90(picture)}
    assert np.abs(small.coarse.astype(int) - turns[orientation]).mean() < 3


def test_other_pictures_than_plain_jpegs_are_reduced_as_well(tmp_path: Path, scene: Callable) -> None:
    picture = scene(1200, 900)
    cv2.imwrite(str(tmp_path / "1.png"), picture)
    small = reduced(tmp_path / "1.png", (1200, 900), 1, tmp_path / "1.png")
    assert small.factor == 2
    assert np.abs(small.coarse - cv2.resize(picture, (600, 450), interpolation=cv2.INTER_AREA).astype(int)).max() <= 2
    (tmp_path / "2.png").write_bytes(b"nothing")
    with pytest.raises(BrokenFrameError):
        reduced(tmp_path / "2.png", (1200, 900), 1, tmp_path / "2.png")
