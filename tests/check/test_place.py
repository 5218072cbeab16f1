"""The folder of printed files, looked at before a print."""

from lapsed.check import place


def test_a_folder_with_a_file_passes(tmp_path):
    (tmp_path / "tower.gcode").write_text("G28\n")
    assert place.files(tmp_path).verdict == "pass"


def test_an_empty_folder_is_to_be_looked_at(tmp_path):
    assert place.files(tmp_path).verdict == "warn"


def test_a_folder_that_is_not_there_fails(tmp_path):
    check = place.files(tmp_path / "none")
    assert (check.verdict, check.found) == ("fail", f"{tmp_path / 'none'}: no such file or directory")


def test_a_file_in_its_place_fails(tmp_path):
    (tmp_path / "files").write_text("")
    assert place.files(tmp_path / "files").found.endswith(": not a directory")
