"""Reading a card."""

from datetime import UTC, datetime, timedelta

import pytest

from lapsed.errors import UserError
from lapsed.ingest.card import read
from tests.ingest.deals import jpeg, raw

AT = datetime(2026, 5, 4, 9, 30, 15, 250_000)  # noqa: DTZ001 - the camera's local time has no zone
AT_S = datetime(2026, 5, 4, 9, 30, 15, tzinfo=UTC).timestamp()


@pytest.fixture
def put(tmp_path):
    def putting(name, data):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(data)

    return putting


def test_reads_photos_in_their_order_and_what_belongs_to_each(put, tmp_path):
    put("DCIM/101OTTER/OTTR0001.JPG", jpeg(AT + timedelta(seconds=9), 1))
    put("DCIM/100OTTER/OTTR9999.JPG", jpeg(AT, 2))
    put("DCIM/100OTTER/OTTR9999.RAW", raw(AT, 2))
    put("DCIM/100OTTER/OTTR9999.BOX", b"\0\0\0\x18ftypbox ")
    put("DCIM/100OTTER/OTTR9999.WAV", b"RIFF")
    put("DCIM/100OTTER/OTTR9998.MOV", b"\0\0\0\x18ftypqt  ")
    put("DCIM/100OTTER/.hidden.JPG", jpeg(AT, 3))
    put(".trash/OTTR0005.JPG", jpeg(AT, 3))
    (tmp_path / "DCIM" / "100OTTER" / "OTTR0006.JPG").symlink_to(tmp_path / "DCIM" / "100OTTER" / "OTTR9999.JPG")
    card = read(tmp_path)
    place = "DCIM/100OTTER/OTTR9999"
    assert [photo.files for photo in card.photos] == [
        (f"{place}.JPG", f"{place}.RAW", f"{place}.BOX"),
        ("DCIM/101OTTER/OTTR0001.JPG",),
    ]
    assert (card.times, card.step_s, card.zoned) == ((AT_S, AT_S + 9), 1.0, False)


def test_a_raw_file_alone_tells_its_own_time(put, tmp_path):
    put("100OTTER/OTTR0001.RAW", raw(AT, 1))
    assert read(tmp_path).times == (AT_S,)


def test_decimals_and_zones_count_where_all_photos_have_them(put, tmp_path):
    put("OTTR0001.JPG", jpeg(AT, 1, digits=2, offset="+02:00"))
    put("OTTR0002.JPG", jpeg(AT + timedelta(seconds=0.5), 2, digits=2, offset="+02:00"))
    card = read(tmp_path)
    assert (card.times, card.step_s, card.zoned) == ((AT_S + 0.25 - 7200, AT_S + 0.75 - 7200), 0.01, True)
    put("OTTR0003.JPG", jpeg(AT, 3, digits=2))
    assert not read(tmp_path).zoned


def test_decimals_that_never_change_are_none(put, tmp_path):
    for number in range(1, 6):
        put(f"OTTR{number:04}.JPG", jpeg(AT + timedelta(seconds=number), number, digits=2))
    assert read(tmp_path).step_s == 1.0


def test_a_photo_that_tells_no_time_keeps_its_place(put, tmp_path):
    put("OTTR0001.JPG", b"\xff\xd8\xff\xda\0\2scan\xff\xd9")
    put("OTTR0002.JPG", jpeg(AT, 2))
    assert read(tmp_path).times == (None, AT_S)


@pytest.mark.parametrize(
    ("files", "told"),
    [
        ({}, "there is no photo in it"),
        ({"notes.txt": b"a"}, "there is no photo in it"),
        ({"OTTR0001.JPG": b"\xff\xd8\xff\xda\0\2scan\xff\xd9"}, "no photo in it tells when it was taken"),
    ],
)
def test_a_folder_with_nothing_to_match_is_told_in_a_sentence(put, tmp_path, files, told):
    for name, data in files.items():
        put(name, data)
    with pytest.raises(UserError, match=told):
        read(tmp_path)


def test_no_folder_is_told_in_a_sentence(tmp_path):
    with pytest.raises(UserError, match="is not a folder; name the card"):
        read(tmp_path / "nowhere")
