"""Room made on a full disk: what may be removed is, and nothing else ever."""

import sqlite3

import pytest

from lapsed.clock import stamp
from lapsed.errors import TakeEndedError
from lapsed.model import Cue, Landed, Outcome, PrintInfo, Why
from lapsed.take import thinning
from lapsed.take.journal import Journal
from lapsed.take.reader import read_take
from lapsed.take.records import CameraNoted, CueNoted


@pytest.fixture
def store(tmp_path, monkeypatch):
    """A store on a disk that always has less room than is wanted."""
    monkeypatch.setattr(thinning, "free_mb", lambda _: 10.0)
    return tmp_path


def filmed(store, name, *, clip="wide.mp4", closed=True):
    journal = Journal.create(store, PrintInfo(name), {"cameras": ["main"]}, stamp())
    frames = journal.folder / "frames" / "main"
    frames.mkdir()
    for number in (1, 2):
        (frames / f"{number:06}.jpg").write_bytes(b"\xff\xd8" + bytes(1000))
        now = stamp()
        landed = Landed(number, "main", now.mono_s, (f"frames/main/{number:06}.jpg",), 1002)
        journal.submit(CueNoted(Cue(number, Why.LAYER, now.mono_s), now), CameraNoted(landed, now)).result(10)
    if clip:
        (journal.folder / "clips").mkdir()
        (journal.folder / "clips" / clip).write_bytes(b"a clip")
    if not closed:
        return journal
    journal.close(Outcome.FINISHED, "", stamp()).result(10)
    return journal.folder


def names(folder):
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())


def test_stitched_takes_lose_their_frames_oldest_first_and_keep_clips_and_journal(store):
    first, second = filmed(store, "a"), filmed(store, "b")
    assert thinning.make_room(store, 100.0, (), stamp()) == (first.name, second.name)
    assert names(first) == ["clips/wide.mp4", "take.db"]
    take = read_take(first)
    assert [shot.outcome for shot in take.shots] == ["landed", "landed"]
    assert [event.text for event in take.events] == ["its 2 frames, 0 MB, were removed to make room"]
    assert thinning.make_room(store, 100.0, (), stamp()) == ()


def test_no_more_is_removed_than_makes_the_room(store, monkeypatch):
    first, second = filmed(store, "a"), filmed(store, "b")
    monkeypatch.setattr(
        thinning, "free_mb", lambda _: 10.0 if (first / "frames" / "main" / "000001.jpg").exists() else 200.0
    )
    assert thinning.make_room(store, 100.0, (), stamp()) == (first.name,)
    assert len(names(second)) == 4


@pytest.mark.parametrize("clip", [None, ".wide.unfinished.mp4", "wide.json"])
def test_a_take_without_a_whole_clip_keeps_its_frames(store, clip):
    folder = filmed(store, "a", clip=clip)
    before = names(folder)
    assert thinning.make_room(store, 100.0, (), stamp()) == ()
    assert names(folder) == before


def test_what_is_open_or_spared_or_damaged_keeps_its_frames(store):
    journal = filmed(store, "open", closed=False)
    spared, damaged = filmed(store, "spared"), filmed(store, "damaged")
    (damaged / "take.db").write_bytes(b"no database at all")
    before = [names(folder) for folder in (spared, damaged)]
    assert thinning.make_room(store, 100.0, {spared}, stamp()) == ()
    assert [names(folder) for folder in (spared, damaged)] == before
    assert (journal.folder / "frames" / "main" / "000001.jpg").exists()
    journal.leave().result(10)


def test_a_link_to_elsewhere_is_never_followed(store, tmp_path_factory):
    folder = filmed(store, "a")
    elsewhere = tmp_path_factory.mktemp("elsewhere") / "precious.jpg"
    elsewhere.write_bytes(b"not ours")
    (folder / "frames" / "main" / "000003.jpg").symlink_to(elsewhere)
    (folder / "frames" / "side").symlink_to(elsewhere.parent)
    thinning.make_room(store, 100.0, (), stamp())
    assert elsewhere.read_bytes() == b"not ours"


@pytest.mark.parametrize("error", [sqlite3.OperationalError("database or disk is full"), OSError(30, "Read-only")])
def test_frames_stay_where_the_journal_cannot_say_that_they_went(store, monkeypatch, error, caplog):
    folder = filmed(store, "a")

    def refuse(_):
        raise error

    monkeypatch.setattr(thinning.schema, "open_for_writing", refuse)
    assert thinning.make_room(store, 100.0, (), stamp()) == ()
    assert "frames/main/000001.jpg" in names(folder)
    assert "is not thinned" in caplog.text


def test_a_disk_that_cannot_be_asked_is_the_callers_to_know(store, monkeypatch):
    filmed(store, "a")

    def refuse(_):
        raise TakeEndedError("cannot tell the free space")

    monkeypatch.setattr(thinning, "free_mb", refuse)
    with pytest.raises(TakeEndedError):
        thinning.make_room(store, 100.0, (), stamp())
