"""Frames of workers that were ended at their deadline, when the take is closed."""

from lapsed.model import Outcome
from lapsed.take import frames
from lapsed.take.reader import read_take


def test_a_frame_that_was_whole_by_the_end_has_landed_and_parts_are_removed(tmp_path, making):
    journal = making.new(tmp_path)
    for number in (1, 2, 3):
        journal.submit(*making.cue(number), *making.ordered(number), *making.missed(number)).result(10)
    making.frame(journal.folder, 1)
    making.frame(journal.folder, 2, data=making.jpeg[:-2])
    part = making.frame(journal.folder, 3).rename(journal.folder / "frames" / "main" / "000003.jpg.part")
    making.frame(journal.folder, 9)
    journal.close(Outcome.FINISHED, "", making.stamp(1100.0)).result(10)
    take = read_take(journal.folder)
    assert [(shot.cue, shot.outcome, bool(shot.reason)) for shot in take.shots] == [
        (1, "landed", False),
        (2, "missed", True),
        (3, "missed", True),
    ]
    assert (take.outcome, part.exists()) == (Outcome.FINISHED, False)


def test_a_disk_that_cannot_be_looked_over_closes_the_take_all_the_same(tmp_path, making, monkeypatch, caplog):
    def refuse(*_):
        raise OSError(5, "Input/output error")

    journal = making.new(tmp_path)
    journal.submit(*making.shot(1)).result(10)
    monkeypatch.setattr("lapsed.take.journal.tidy", refuse)
    journal.close(Outcome.FINISHED, "", making.stamp(1100.0)).result(10)
    assert read_take(journal.folder).outcome is Outcome.FINISHED
    assert "closed without looking for late frames: input/output error" in caplog.text


def test_a_take_is_closed_without_gathering_the_names_of_frames_that_have_landed(tmp_path, making, monkeypatch):
    gathered = []

    def noted(folder, names, known):
        gathered.append(names)
        return frames.whole_frames(folder, names, known)

    journal = making.new(tmp_path)
    for number in (1, 2, 3):
        making.frame(journal.folder, number)
        ending = making.missed(number) if number == 2 else making.landed(number)
        journal.submit(*making.cue(number), *making.ordered(number), *ending).result(10)
    monkeypatch.setattr("lapsed.take.journal.whole_frames", noted)
    journal.close(Outcome.FINISHED, "", making.stamp(1100.0)).result(10)
    assert gathered == [{"frames/main/000002.jpg"}]
    assert [shot.outcome for shot in read_take(journal.folder).shots] == ["landed"] * 3
