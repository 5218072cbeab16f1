"""Whether what a print needs lasts to its end; figures worked out by hand."""

from lapsed.camera.battery import Wanted
from lapsed.model import CameraTold, Landed
from lapsed.supplies import Supplies


def told(percent=None, card_mb=None, camera="main"):
    return CameraTold(camera, ready=True, text="found", charge_percent=percent, card_mb=card_mb)


def landed(size_bytes, camera="main"):
    return Landed(1, camera, 0.0, ("a.jpg",), size_bytes)


def test_a_disk_that_is_too_small_for_the_plan_is_told_once_in_a_take():
    supplies = Supplies()
    supplies.begin(0.0)
    wanted = Wanted(shots=300)
    assert list(supplies.told(100.0, wanted, 0.0, 0)) == []  # no frame tells how large they are
    supplies.landed(landed(8_000_000))
    supplies.landed(landed(4_000_000, "side"))
    assert list(supplies.told(3600.0, wanted, 0.0, 1)) == []
    short = "the disk has room for 299 more shots of 12.0 MB, and 300 are still to come"
    assert list(supplies.told(3590.0, wanted, 0.0, 1)) == [short]
    assert list(supplies.told(3000.0, wanted, 0.0, 2)) == []
    supplies.begin(10.0)
    supplies.landed(landed(12_000_000))
    assert list(supplies.told(3590.0, wanted, 10.0, 1)) == [short]


def test_a_card_that_is_too_small_is_told_by_the_name_of_its_camera():
    supplies = Supplies()
    supplies.camera(told(card_mb=500.0, camera="side"), 0.0, 0)
    supplies.begin(0.0)
    supplies.landed(landed(10_000_000))
    supplies.landed(landed(10_000_000, "side"))
    assert list(supplies.told(None, Wanted(shots=51), 0.0, 1)) == [
        "the card of camera side has room for 50 more shots of 10.0 MB, and 51 are still to come"
    ]


def test_what_nobody_knows_is_no_trouble():
    supplies = Supplies()
    supplies.begin(0.0)
    supplies.landed(landed(10_000_000))
    supplies.camera(told(percent=100), 0.0, 0)
    assert list(supplies.told(1.0, Wanted(), 9e4, 1)) == []
    # At most 25 % in half an hour: too little has been seen for a print of 14 h to be warned of.
    assert list(supplies.told(1.0, Wanted(hours=14.0), 1801.0, 1)) == []


def test_a_battery_that_is_nearly_empty_is_told_though_nobody_knows_what_it_loses():
    supplies = Supplies()
    supplies.begin(0.0)
    supplies.camera(told(percent=19), 0.0, 0)
    assert list(supplies.told(None, Wanted(hours=14.0), 1.0, 1)) == ["the battery of camera main is at 19 %"]


def test_a_battery_is_judged_by_what_it_lost_in_this_take_and_else_by_the_last_one():
    supplies = Supplies()
    supplies.camera(told(percent=80), 0.0, 0)
    supplies.begin(0.0)
    # 2 % an hour, from the fall at 1 h to that at 2 h.
    supplies.camera(told(percent=78), 3600.0, 10)
    supplies.camera(told(percent=76), 7200.0, 20)
    (text,) = supplies.told(None, Wanted(hours=40.0), 7300.0, 20)
    # (76 - 5) / 2 = 35.5 h.
    assert text.startswith(
        "the battery of camera main is at 76 %, lost 2 % an hour: enough for only 35 h 30 min of the 40 h"
    )
    supplies.end(7300.0, 20)
    supplies.begin(9000.0)
    assert supplies.outlook("main", Wanted(hours=10.0), 9010.0, 0).text.startswith("lost 2 % an hour: enough for 10 h")


def test_a_battery_that_wavers_for_days_is_not_kept_in_mind_for_each_time():
    supplies = Supplies()
    supplies.begin(0.0)
    for second in range(0, 36_000, 5):
        supplies.camera(told(percent=60 + second // 5 % 2), float(second), 0)
    assert len(supplies.readings["main"]) < 610


def test_a_battery_that_wavers_for_months_takes_no_more_memory_and_its_loss_is_still_known():
    supplies = Supplies()
    supplies.begin(0.0)
    # A percent in 20 h, and up and down by one each minute.
    for minute in range(60 * 24 * 60):
        supplies.camera(told(percent=99 - minute // 1200 + minute % 2), minute * 60.0, 0)
    assert len(supplies.readings["main"]) <= 2000
    lost = supplies.lost("main", 60 * 24 * 3600.0, 0)
    assert lost is not None
    assert 0.045 < lost.hour < 0.055
