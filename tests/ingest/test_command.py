"""`lapsed ingest` as a person runs it."""

import json
import os
import sqlite3
from contextlib import closing
from hashlib import sha256

from lapsed.__main__ import main
from lapsed.ingest import copying, desk
from lapsed.take import reader
from lapsed.take.space import lock
from tests.ingest.deals import deal, set_in_print, write_card, write_take


def snapshot(folder):
    """Everything about a card that a write would change."""
    return {
        str(path): (path.stat().st_mtime_ns, path.stat().st_size, path.is_file() and sha256(path.read_bytes()).digest())
        for path in folder.rglob("*")
    }


def lock_card(folder):
    for path in (*folder.rglob("*"), folder):
        path.chmod(0o555 if path.is_dir() else 0o444)


def outcomes(take):
    return {shot.cue: shot.outcome for shot in reader.read_take(take).shots}


def assert_right(made, landed):
    view = reader.read_take(made.take)
    for shot in view.shots:
        if shot.outcome == "landed":
            (name,) = shot.files
            data = (made.take / name).read_bytes()
            assert made.owners[data] == shot.cue
            assert shot.size_bytes == len(data)
    assert sum(shot.outcome == "landed" for shot in view.shots) == landed
    assert not list(made.take.rglob("*.part"))


def test_photos_land_at_their_shots_and_the_card_stays_as_it_is(made, capsys):
    here = made(deal(1, 120), first=9950)
    lock_card(here.card)
    before = snapshot(here.card)
    code = main(["ingest", str(here.take), str(here.card), "--json"])
    told = json.loads(capsys.readouterr().out)
    assert code == (1 if told["left"] else 0)
    assert told["landed"] + len(told["left"]) == 120
    assert {number for number, why in told["left"] if "no photo" in why} == set(range(1, 121)) - set(here.photos)
    assert_right(here, told["landed"])
    assert before == snapshot(here.card)
    # The take is closed again as it was: one file, which can be read anywhere.
    assert [path.name for path in here.take.glob("take.db*")] == ["take.db"]
    view = reader.read_take(here.take)
    assert view.outcome == "finished"
    assert len(view.frames("main")) == told["landed"]
    (event,) = [event for event in view.events if event.kind == "ingested"]
    assert len(event.data["files"]) == told["landed"]


def test_a_second_run_finds_nothing_more_to_do(made, capsys):
    here = made(deal(2, 40, missed=0, stray=0))
    assert main(["ingest", str(here.take), str(here.card)]) == 0
    assert "40: 40 landed, 0 of no shot" in capsys.readouterr().out
    before = snapshot(here.take)
    assert main(["ingest", str(here.take), str(here.card)]) == 2
    assert "is landed, so there is nothing to ingest" in capsys.readouterr().err
    assert before == snapshot(here.take)


def test_a_dry_run_copies_nothing(made, capsys):
    here = made(deal(3, 40, missed=0, stray=0))
    before = snapshot(here.take)
    assert main(["ingest", str(here.take), str(here.card), "--dry-run"]) == 0
    told = capsys.readouterr().out
    assert "40 would be landed" in told
    assert "time zone included" in told
    assert before == snapshot(here.take)


def test_photos_of_missed_shots_land_on_wish(made, capsys):
    here = made(deal(4, 40, missed=0, stray=0), missed=(7, 8))
    assert main(["ingest", str(here.take), str(here.card)]) == 0
    assert outcomes(here.take)[7] == "missed"
    assert main(["ingest", str(here.take), str(here.card), "--missed"]) == 0
    assert "38 shots were landed already" in capsys.readouterr().out
    assert_right(here, 40)


def test_two_cards_are_ingested_one_after_the_other(made, tmp_path, capsys):
    dealt = deal(5, 60, missed=0, stray=0)
    here = made(dealt)
    second = tmp_path / "second"
    for number, path in enumerate(sorted(here.card.rglob("*.JPG"))):
        if number >= 30:
            (second / "100OTTER").mkdir(parents=True, exist_ok=True)
            path.rename(second / "100OTTER" / path.name)
    assert main(["ingest", str(here.take), str(here.card)]) == 1
    assert f"30 shots {', '.join(map(str, range(31, 61)))}: no photo lies near" in capsys.readouterr().out
    assert main(["ingest", str(here.take), str(second)]) == 0
    assert_right(here, 60)


def test_broken_photos_are_left_with_their_reasons_and_the_others_land(made, capsys):
    here = made(deal(6, 40, missed=0, stray=0))
    photos = sorted(here.card.rglob("*.JPG"))
    photos[9].write_bytes(photos[9].read_bytes()[:-2])
    photos[19].write_bytes(b"no picture" * 99)
    photos[29].write_bytes(b"")
    assert main(["ingest", str(here.take), str(here.card)]) == 1
    told = capsys.readouterr().out
    assert f"shot 10: {photos[9]} stops before its end" in told
    assert "unread   2 hold no photo, or none that tells its time: DCIM/100OTTER/OTTR0020.JPG, DCIM" in told
    assert "left     2 shots 20, 30: no photo lies near" in told
    assert_right(here, 37)


def test_photos_that_another_camera_took_all_the_while_are_told_apart_by_their_exif(tmp_path, capsys):
    dealt = deal(21, 40, missed=0, stray=0)
    take, card = write_take(tmp_path / "takes", dealt.shots), tmp_path / "cards"
    own = write_card(card / "A", dealt.photos, model="pier eye")
    every_two_s = [float(at) for at in range(int(dealt.photos[0]), int(dealt.photos[-1]), 2)]
    write_card(card / "B", every_two_s, model="mole eye")
    assert main(["ingest", str(take), str(card)]) == 0
    assert f"{40 + len(every_two_s)}: 40 landed, {len(every_two_s)} of no shot" in capsys.readouterr().out
    assert (take / "frames" / "main" / "000007.jpg").read_bytes() == own[6]


def test_two_cameras_of_one_print_are_refused_by_name(tmp_path, capsys):
    dealt = deal(23, 40, missed=0, stray=0)
    take, card = write_take(tmp_path / "takes", dealt.shots), tmp_path / "cards"
    write_card(card / "A", dealt.photos, model="pier eye")
    write_card(card / "B", [photo + 1 for photo in dealt.photos], model="mole eye")
    assert main(["ingest", str(take), str(card)]) == 2
    assert "photos of 2 cameras in" in (told := capsys.readouterr().err)
    assert "(pier eye, mole eye)" in told
    assert main(["ingest", str(take), str(card / "A")]) == 0


def test_two_prints_of_one_file_are_told_apart_by_the_clock_of_a_take_that_was_ingested(tmp_path, capsys):
    first, store, card = deal(25, 40, missed=0, stray=0), tmp_path / "takes", tmp_path / "card"
    later_s = 3 * 3600.0  # the same file once more
    shots = [[at_s + begun_s for at_s in first.shots] for begun_s in (0.0, later_s, 2 * later_s)]
    takes = [write_take(store, each) for each in shots]
    photos = [photo + begun_s for begun_s in (0.0, later_s, 2 * later_s) for photo in first.photos]
    held = write_card(card, photos)
    assert main(["ingest", str(takes[1]), str(card)]) == 2
    assert "an earlier print of the same file" in capsys.readouterr().err
    ahead_s = first.offset_s + first.drift * first.shots[20]
    assert main(["ingest", str(takes[1]), str(card), "--offset", f"{ahead_s:.0f}"]) == 0
    for number in (0, 2):
        capsys.readouterr()
        assert main(["ingest", str(takes[number]), str(card)]) == 0
        assert f"clock's as in take {takes[1].name}" in capsys.readouterr().out
        frame = takes[number] / "frames" / "main" / "000007.jpg"
        assert frame.read_bytes() == held[40 * number + 6]


def test_a_clock_that_was_set_in_mid_print_is_told(made, capsys):
    here = made(set_in_print(24, 60, by_s=-3600.0, share=0.5))
    assert main(["ingest", str(here.take), str(here.card)]) in (0, 1)
    assert "it was set 1 h 0 min back before shot 3" in capsys.readouterr().out
    assert_right(here, sum(outcome == "landed" for outcome in outcomes(here.take).values()))


def test_sync_shots_settle_evenly_spaced_ones(made, tmp_path, capsys):
    dealt = deal(7, 40, gaps=(24.0, 24.0), missed=0, stray=0)
    del dealt.photos[0], dealt.owners[0]  # the first was missed, so that only sync shots can tell
    sync = tuple(dealt.shots[0] - gap for gap in (37, 35, 30, 19))
    plain = made(dealt)
    assert main(["ingest", str(plain.take), str(plain.card)]) == 2
    assert "--offset" in capsys.readouterr().err
    dealt.photos = [*(float(int(dealt.offset_s + at)) for at in sync), *dealt.photos]
    dealt.owners = [*[None] * 4, *dealt.owners]
    here = made(dealt, sync=sync)
    assert main(["ingest", str(here.take), str(here.card)]) == 1
    assert_right(here, len(here.photos))


STEPS = (
    (copying.os, "fsync"),
    (copying.Path, "rename"),
    (copying, "sync_folder"),
    (copying, "flaw"),
    (desk, "landed_row"),
    (desk, "bring"),
)


def killed_after(steps, arguments):
    """Run the command in a process of its own that is gone at once after so many steps of its way; its exit code."""
    child = os.fork()
    if child:
        return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    left = steps

    def counted(call):
        def calling(*given, **named):
            nonlocal left
            left -= 1
            if left == 0:
                os._exit(9)
            return call(*given, **named)

        return calling

    for owner, name in STEPS:
        setattr(owner, name, counted(getattr(owner, name)))
    os._exit(main(arguments))


def test_killed_at_any_instant_and_run_again_it_comes_to_the_same(made):
    here = made(deal(8, 30, missed=0, stray=0))
    arguments = ["ingest", str(here.take), str(here.card), "--json"]
    frames = here.take / "frames" / "main"
    steps, code = 10, 9
    while code == 9:
        steps += 1  # so that it is killed at each of the steps in turn
        code = killed_after(steps, arguments)
        rows = {name for shot in reader.read_take(here.take).shots for name in shot.files}
        files = {f"frames/main/{path.name}" for path in frames.glob("*.jpg")}
        assert rows <= files
        assert len(files - rows) <= 1
    assert steps > 16
    assert code == 0
    assert_right(here, 30)
    assert len(list(frames.iterdir())) == 30


def test_a_take_that_is_written_by_a_daemon_is_left_alone(made, capsys):
    here = made(deal(9, 20, missed=0, stray=0))
    handle = lock(here.take)
    try:
        assert main(["ingest", str(here.take), str(here.card)]) == 2
    finally:
        os.close(handle)
    assert "is being written by another lapsed" in capsys.readouterr().err
    assert set(outcomes(here.take).values()) == {"on card"}


def test_a_disk_without_room_is_told_before_anything_is_copied(made, capsys, monkeypatch):
    here = made(deal(10, 20, missed=0, stray=0))
    monkeypatch.setattr("lapsed.take.space.free_mb", lambda _: 0.0)
    assert main(["ingest", str(here.take), str(here.card)]) == 1
    assert "free some" in capsys.readouterr().err
    assert not list((here.take / "frames" / "main").iterdir())


def test_bad_input_is_told_in_a_sentence(made, tmp_path, capsys):
    here = made(deal(11, 20, missed=0, stray=0))
    (tmp_path / "empty").mkdir()
    write_card(tmp_path / "other", deal(12, 20).photos)
    for arguments, told in (
        ((str(tmp_path), str(here.card)), "is not a take: it has no take.db"),
        ((str(here.take), str(tmp_path / "none")), "is not a folder; name the card"),
        ((str(here.take), str(tmp_path / "empty")), "there is no photo in it"),
        ((str(here.take), str(tmp_path / "other")), "is it the right card?"),
        ((str(here.take), str(here.card), "--camera", "side"), "has no camera 'side'; it has main"),
    ):
        assert main(["ingest", *arguments]) == 2
        err = capsys.readouterr().err
        assert told in err
        assert err.count("\n") == 1


def test_times_of_a_take_that_was_gone_on_with_come_from_the_wall_clock(made):
    here = made(deal(13, 30, missed=0, stray=0))
    alter(here.take, "UPDATE shot SET released_s = released_s - 5000 WHERE cue > 15")
    alter(here.take, "INSERT INTO event (utc, mono_s, kind, text, data) VALUES ('', 0, 'recovered', '', '{}')")
    assert main(["ingest", str(here.take), str(here.card)]) == 0
    assert_right(here, 30)


def test_several_cameras_with_cards_have_to_be_told_apart(made, capsys):
    here = made(deal(14, 20, missed=0, stray=0))
    alter(here.take, "INSERT INTO shot (cue, camera, outcome) VALUES (1, 'side', 'on card')")
    assert main(["ingest", str(here.take), str(here.card)]) == 2
    assert "main, side have photos on cards; say whose card it is by --camera" in capsys.readouterr().err
    assert main(["ingest", str(here.take), str(here.card), "--camera", "side"]) == 2
    assert "nothing to ingest" in capsys.readouterr().err
    assert main(["ingest", str(here.take), str(here.card), "--camera", "main"]) == 0


def test_sync_shots_of_an_earlier_boot_are_reckoned_by_the_wall_clock(made):
    dealt = deal(15, 20, missed=0, stray=0)
    sync = tuple(dealt.shots[0] - gap for gap in (37, 35, 30))
    dealt.photos = [*(float(int(dealt.offset_s + at)) for at in sync), *dealt.photos]
    dealt.owners = [*[None] * 3, *dealt.owners]
    here = made(dealt, sync=sync)
    alter(here.take, "INSERT INTO event (utc, mono_s, kind, text, data) VALUES ('', 0, 'recovered', '', '{}')")
    assert [shot.number for shot in desk.shots_of(reader.read_take(here.take), "main")][:4] == [None, None, None, 1]
    assert main(["ingest", str(here.take), str(here.card)]) == 0


def test_a_journal_that_cannot_be_written_is_told_in_a_sentence(made, capsys):
    here = made(deal(16, 20, missed=0, stray=0))
    alter(here.take, "CREATE TRIGGER refuse BEFORE UPDATE ON shot BEGIN SELECT RAISE(ABORT, 'refused'); END")
    assert main(["ingest", str(here.take), str(here.card)]) == 1
    assert "refused; free or mend the disk, then ingest again" in capsys.readouterr().err
    assert set(outcomes(here.take).values()) == {"on card"}


def alter(take, sql):
    with closing(sqlite3.connect(take / "take.db")) as db:
        db.execute(sql)
        db.commit()
