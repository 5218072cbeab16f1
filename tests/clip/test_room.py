from pathlib import Path

import pytest

from lapsed.clip.codec import CODECS
from lapsed.clip.memory import free_bytes
from lapsed.clip.room import LIMIT_BYTES, allowed, room

FRAME, UHD, TALL = 2.5 * 5776 * 4336, 3840 * 2160, 1080 * 1920
H264 = CODECS["h264"]


def test_memory_is_shared_out_by_what_was_measured() -> None:
    assert room(H264, FRAME, UHD, 2).workers == 1  # a second would take the memory of the encoder's look-ahead
    assert room(H264, FRAME, TALL, 2).workers == 2
    assert 3 <= room(H264, FRAME, UHD, 2).look_ahead < 40
    assert room(H264, FRAME, TALL, 2).look_ahead == 40
    assert room(H264, FRAME, UHD, 8).ahead == room(H264, FRAME, UHD, 8).workers + 1


@pytest.mark.parametrize("word", CODECS)
@pytest.mark.parametrize("pixels", [320 * 240, TALL, UHD])
def test_what_is_taken_stays_within_the_limit_or_is_the_least(word: str, pixels: int) -> None:
    for limit in (300_000_000, LIMIT_BYTES, 2_000_000_000):
        found = room(CODECS[word], FRAME, pixels, 4, limit)
        least = found.workers == 1 and found.look_ahead == CODECS[word].hunger.frames
        assert found.bytes_needed <= limit or (least and (found.threads == 1 or not CODECS[word].hunger.thread))


def test_where_nothing_fits_the_least_of_everything_is_taken() -> None:
    found = room(H264, FRAME, 5776 * 4336, 8)
    assert (found.workers, found.look_ahead, found.threads) == (1, 3, 1)
    assert found.bytes_needed > LIMIT_BYTES


# Measured at 3840x2160, medium, with the least look-ahead: 669 MB with two threads, 763 with three.
@pytest.mark.parametrize(("cores", "threads", "most"), [(1, 1, LIMIT_BYTES), (2, 2, LIMIT_BYTES), (4, 4, 900_000_000)])
def test_an_encoder_s_threads_are_counted(cores: int, threads: int, most: int) -> None:
    found = room(H264, FRAME, UHD, cores, allowed(None, 1, cores))
    assert found.threads == threads
    assert found.bytes_needed <= most
    assert room(H264, FRAME, TALL, 2).threads == 3
    more = room(H264, FRAME, UHD, 2, 800_000_000)
    assert (more.threads, more.workers) == (3, 1)
    assert more.bytes_needed > 763_000_000


def test_a_delivery_takes_a_share_of_what_is_free() -> None:
    assert allowed(None, 1, 2) == LIMIT_BYTES
    assert allowed(8_000_000_000, 1, 2) == LIMIT_BYTES
    assert allowed(8_000_000_000, 2, 1) == LIMIT_BYTES / 2
    assert allowed(500_000_000, 1, 8) == 300_000_000


MEMINFO = "MemTotal:        2000000 kB\nMemAvailable:    1000000 kB\n"


def group_of(home: Path, limit: str, used: str, high: str = "max", files: str = "0") -> None:
    """A control group's files, as cgroup-v2.rst of the Linux kernel, "Memory Interface Files", describes them."""
    home.mkdir(parents=True, exist_ok=True)
    (home / "memory.max").write_text(limit + "\n")
    (home / "memory.high").write_text(high + "\n")
    (home / "memory.current").write_text(used + "\n")
    (home / "memory.stat").write_text(f"anon 1\nfile {files}\ninactive_file {files}\nactive_file 0\n")


@pytest.mark.parametrize(
    ("meminfo", "group", "limit", "expected"),
    [
        (MEMINFO, "0::/user/lapsed\n", "800000000", 700_000_000),
        (MEMINFO, "0::/user/lapsed\n", "max", 1_024_000_000),
        (MEMINFO, "1:name=old:/\n", "800000000", 1_024_000_000),
        (None, "0::/user/lapsed\n", "800000000", 700_000_000),
        ("MemTotal: 1 kB\n", None, "max", None),
    ],
)
def test_free_memory_is_the_system_s_or_the_group_s(
    tmp_path: Path, meminfo: str | None, group: str | None, limit: str, expected: int | None
) -> None:
    home = tmp_path / "groups" / "user" / "lapsed"
    group_of(home, limit, used="100000000")
    (tmp_path / "self").mkdir()
    if meminfo is not None:
        (tmp_path / "meminfo").write_text(meminfo)
    if group is not None:
        (tmp_path / "self" / "cgroup").write_text(group)
    assert free_bytes(tmp_path, tmp_path / "groups") == expected


def test_a_slice_bounds_its_services_and_gives_up_the_pages_of_files(tmp_path: Path) -> None:
    (tmp_path / "self").mkdir()
    (tmp_path / "self" / "cgroup").write_text("0::/stitching.slice/job.service\n")
    (tmp_path / "meminfo").write_text(MEMINFO)
    stitching = tmp_path / "groups" / "stitching.slice"
    group_of(stitching, "900000000", used="850000000", high="800000000", files="750000000")
    group_of(stitching / "job.service", "max", used="850000000", files="750000000")
    assert free_bytes(tmp_path, tmp_path / "groups") == 700_000_000
    group_of(stitching, "900000000", used="950000000", high="800000000")
    assert free_bytes(tmp_path, tmp_path / "groups") == 0


def test_this_machine_tells_its_free_memory() -> None:
    found = free_bytes()
    assert found is not None
    assert found > 10_000_000
