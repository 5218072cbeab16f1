"""How long a battery lasts, against figures worked out by hand: losses are percent over hours, no more."""

import random

import pytest

from lapsed.camera.battery import Loss, Outlook, Reading, Wanted, loss, outlook

FINE = [(0.0, 70), (1.0, 69), (2.0, 68), (3.0, 67)]
STEPPED = [(0.0, 100), (5.0, 75), (11.0, 50)]
# Hours and percent told, hours until now: percent lost an hour.
LOSSES = {
    "a percent an hour": (FINE, 3.5, 1.0),
    # The first reading may have been about to fall: between the falls at 1 h and 3 h two percent were lost.
    "the first reading was nearly the next": ([(0.9, 70), *FINE[1:]], 3.5, 1.0),
    # 25 % from the fall at 5 h to that at 11 h.
    "steps of a quarter": (STEPPED, 12.0, 25 / 6),
    # Not another step in 25 h: less than the 25 % that fell and 25 % more since the fall at 5 h.
    "it no longer falls": (STEPPED, 30.0, 50 / 25),
    # At most one step until its fall.
    "one step only": ([(0.0, 100), (5.0, 75)], 6.0, 25 / 5),
    # Less than the next percent in 4 h.
    "no fall yet": ([(0.0, 61)], 4.0, 1 / 4),
    "no fall yet, perhaps coarse": ([(0.0, 100)], 10.0, 25 / 10),
    "too short to tell": (FINE[:2], 0.4, None),
    "nothing told": ([], 9.0, None),
    # From 2 h on with another battery: 100 at 2 h, 98 at 4 h and 96 at 6 h.
    "another battery": ([(0.0, 40), (1.0, 38), (2.0, 100), (4.0, 98), (6.0, 96)], 6.0, 1.0),
    # On a charger from 1 h on, 5 % up at 2 h, and not down since.
    "charged": ([(0.0, 60), (1.0, 59), (1.5, 61), (2.0, 64)], 6.0, 1 / 4),
    "it wavers between two steps": ([*STEPPED, (11.01, 75), (11.05, 50)], 12.0, 25 / 6),
    "it rises by a percent now and then": ([*FINE[:2], (1.2, 70), (1.6, 69), *FINE[2:]], 3.5, 1.0),
}


@pytest.mark.parametrize(("told", "until", "expected"), LOSSES.values(), ids=LOSSES)
def test_what_a_battery_loses(told, until, expected):
    found = loss([Reading(hours * 3600, 0, percent) for hours, percent in told], until * 3600, 0)
    assert (found.hour if found else None) == (None if expected is None else pytest.approx(expected))


def test_what_a_shot_costs():
    readings = [Reading(0, 0, 80), Reading(3600, 100, 79), Reading(7200, 250, 78), Reading(9000, 300, 77)]
    assert loss(readings, 9000, 300).shot == pytest.approx(2 / 200)


@pytest.mark.parametrize("step", [1, 10, 25])
def test_noise_and_steps_keep_it_within_a_third_and_on_the_safe_side(step):
    # Falls from 100 % by 6 % an hour, read each minute in steps, with a third of a step of noise.
    noise = random.Random(step)
    for hours in (9, 12, 15):
        readings = []
        for minute in range(hours * 60):
            left = 100 - minute / 10 + noise.uniform(-0.3, 0.3) * min(step, 5) / 5
            told = max(step, min(100, int(-(-left // step)) * step))
            if not readings or readings[-1].percent != told:
                readings.append(Reading(minute * 60, 0, told))
        found = loss(readings, hours * 3600, 0)
        assert found.step == step
        assert 6 * 0.95 < found.hour < 6 * 4 / 3


OUTLOOKS = {
    # (61 - 5) / 0.9 = 62 h.
    "enough": (
        61,
        Loss(0.9, None, 1),
        Wanted(hours=14),
        "pass",
        "lost 0.9 % an hour: enough for 14 h 0 min still to print",
    ),
    # 56 / 6 = 9 h 20 min.
    "too little": (
        61,
        Loss(6, None, 1),
        Wanted(hours=14),
        "fail",
        "lost 6 % an hour: enough for only 9 h 20 min of the 14 h 0 min still to print",
    ),
    # 56 / 4 = 14 h.
    "hardly enough": (
        61,
        Loss(4, None, 1),
        Wanted(hours=14),
        "warn",
        "lost 4 % an hour: may not be enough for 14 h 0 min still to print",
    ),
    # Of 50 % in steps of 25, 26 - 5 are sure, and 50 - 5 at best: 21 / 3 = 7 h, 45 / 3 = 15 h.
    "steps of a quarter, enough": (50, Loss(3, None, 25), Wanted(hours=5.6), "pass", "enough for 5 h 36 min"),
    "steps of a quarter, perhaps": (50, Loss(3, None, 25), Wanted(hours=8), "warn", "may not be enough for 8 h 0 min"),
    "steps of a quarter, too little": (50, Loss(3, None, 25), Wanted(hours=16), "fail", "only 15 h 0 min of the 16 h"),
    "too little seen": (100, Loss(25, None, 25, sure=False), Wanted(hours=14), "pass", "lost at most 25 % an hour"),
    "too little seen, and little left": (19, Loss(2, None, 1, sure=False), Wanted(hours=14), "fail", "lost at most 2"),
    "nothing seen": (61, None, Wanted(hours=14), "pass", ""),
    "nothing seen, and little left": (19, None, Wanted(hours=14), "fail", ""),
    "by shots": (
        61,
        Loss(1, 0.02, 1),
        Wanted(shots=300),
        "pass",
        "lost 2 % each 100 shots: enough for the 300 shots that are wanted",
    ),
    # 56 / 0.2 = 280.
    "too few shots": (
        61,
        Loss(1, 0.2, 1),
        Wanted(shots=300),
        "fail",
        "lost 20 % each 100 shots: enough for only 280 of the 300 shots that",
    ),
    "hours count where both are known": (61, Loss(0.9, 0.2, 1), Wanted(14, 300), "pass", "an hour"),
    "nothing fell, and enough at worst": (61, Loss(0.25, None, 1, sure=False), Wanted(14), "pass", "at most 0.25 %"),
    "nobody knows how long": (61, Loss(0.9, None, 1), Wanted(), "pass", "lost 0.9 % an hour: lasts some 2 days"),
    "nobody knows how long, and little is left": (59, Loss(0.9, None, 1), Wanted(), "warn", "lasts"),
    "nearly empty": (15, Loss(12.4, None, 1), Wanted(), "fail", "lost 12 % an hour: lasts some 48 min"),
    "empty": (3, Loss(0.9, None, 1), Wanted(hours=1), "fail", "enough for only 0.0 s of the 1 h 0 min"),
}


@pytest.mark.parametrize(("percent", "lost", "wanted", "verdict", "text"), OUTLOOKS.values(), ids=OUTLOOKS)
def test_whether_it_lasts(percent, lost, wanted, verdict, text):
    seen = outlook(percent, lost, wanted)
    assert seen == Outlook(verdict, seen.text)
    assert text in seen.text
