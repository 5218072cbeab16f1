"""The order of files on a card (JEITA CP-3461: folders 100 to 999, files 0001 to 9999, numbers that begin anew)."""

import random

import pytest

from lapsed.ingest.dcf import photos

CASES = {
    "by number": (["DCIM/100OTTER/OTTR0002.JPG", "DCIM/100OTTER/OTTR0001.JPG"], ["0001", "0002"]),
    "a new folder after 9999": (
        ["DCIM/101OTTER/OTTR0001.JPG", "DCIM/100OTTER/OTTR9999.JPG", "DCIM/100OTTER/OTTR9998.JPG"],
        ["9998", "9999", "0001"],
    ),
    "numbers that begin anew within a folder": (
        [f"100OTTER/OTTR{number:04}.JPG" for number in (1, 2, 9998, 9999)],
        ["9998", "9999", "0001", "0002"],
    ),
    "a folder that is full": (
        [f"100OTTER/OTTR{number:04}.JPG" for number in (1, *range(2, 9999), 9999)],
        [f"{number:04}" for number in range(1, 10_000)],
    ),
    "folders that begin anew after 999": (
        ["DCIM/100OTTER/OTTR0007.JPG", "DCIM/999OTTER/OTTR0006.JPG", "DCIM/101OTTER/OTTR0008.JPG"],
        ["0006", "0007", "0008"],
    ),
    "folders change though numbers go on": (
        ["DCIM/101OTTER/OTTR0003.JPG", "DCIM/100OTTER/OTTR0002.JPG", "DCIM/100OTTER/OTTR0001.JPG"],
        ["0001", "0002", "0003"],
    ),
    "small letters": (["dcim/100otter/ottr0002.jpg", "dcim/100otter/ottr0001.jpg"], ["0001", "0002"]),
    "other characters in a name": (["100OTTER/_OTR0002.JPG", "100OTTER/OTTR0001.JPG"], ["0001", "0002"]),
    "other names come last": (["b.jpg", "a.jpg", "100OTTER/x.jpg", "100OTTER/OTTR0001.JPG"], ["0001", "x", "a", "b"]),
    "number nothing is no number": (["100OTTER/OTTR0000.JPG", "100OTTER/OTTR0001.JPG"], ["0001", "0000"]),
    "nothing": ([], []),
}


def number(files):
    stem = files[0].rpartition("/")[2].partition(".")[0]
    return stem[-4:] if len(stem) == 8 else stem


@pytest.mark.parametrize(("paths", "expected"), CASES.values(), ids=CASES)
def test_order(paths, expected):
    assert expected == [number(files) for files in photos(paths)]
    shuffled = random.Random(1).sample(paths, len(paths))
    assert photos(paths) == photos(shuffled)


def test_raw_and_jpeg_of_one_name_are_one_photo():
    paths = ["100OTTER/OTTR0001.JPG", "100OTTER/OTTR0001.RAW", "101OTTER/OTTR0001.JPG", "100OTTER/ottr0001.wav"]
    assert photos(paths) == [
        ("100OTTER/OTTR0001.JPG", "100OTTER/OTTR0001.RAW", "100OTTER/ottr0001.wav"),
        ("101OTTER/OTTR0001.JPG",),
    ]
