"""A week of prints with layers of most of an hour; `python -m tests.chaos.week` has any number of days and layers."""

from tests.chaos import week


def test_a_week_of_prints_leaves_order_numbers_and_memory_as_they_should_be(tmp_path):
    lived = week.live(tmp_path, days=7, layer_s=2400, seed=1)
    counts = week.check(lived)
    assert counts["prints"] >= 20
    assert counts["landed"] > 100
    assert counts["missed"] > 10
    assert set(lived.kinds) == {"", "link", "again", "pause"}
    # Two hundred bytes kept of each cue would come to more; a coverage run keeps one kilobyte of each journal's thread.
    assert week.rise_kb(lived) < 25
