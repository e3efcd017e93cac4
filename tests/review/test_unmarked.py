"""Falls that the journal does not explain: bedding or fan, found or invented."""

from __future__ import annotations

from monitor.review.periods import DAY_MS, Stretch
from monitor.review.unmarked import Cause, cause_of_fall, suggestions
from tests.bench.bedding_truth import cause, invented
from tests.review.test_effects import DEED_MS, night


def test_fresh_bedding_is_told_from_a_fan_turned_up() -> None:
    """Eight seasons each: the right one is named each time (of 60 in the bench, 58 or more)."""
    for which in (Cause.BEDDING, Cause.FAN, Cause.BOTH):
        named = [cause(which, 900 + seed)[0] for seed in range(8)]
        assert named.count(which) >= 7, (which, named)


def test_a_change_nobody_wrote_down_is_asked_about_and_none_is_invented() -> None:
    """Fresh litter without an entry is found within a day and a half; a fan turned up, or nothing, asks nothing."""
    assert sum(cause(Cause.BEDDING, 700 + seed)[1] for seed in range(5)) >= 4
    assert sum(cause(Cause.FAN, 700 + seed)[1] for seed in range(5)) == 0
    assert sum(invented(700 + seed) for seed in range(5)) == 0


def test_the_day_asked_about_is_the_one_between_the_nights() -> None:
    """Nights to the dawn of 1 September at 12 ppm, from the next dawn on at 3: the day is 1 September."""
    told = tuple(night(-9.4 + n, (12.0 if n < 10 else 3.0) + 0.4 * (n % 2)) for n in range(20))
    (found,) = suggestions(Stretch(DEED_MS - 20 * DAY_MS, None, "first readings", told))
    assert found.day == told[9].day
    assert (found.after_ms, found.before_ms) == (told[9].time_ms, told[10].time_ms)


def test_without_airflow_the_cause_is_not_named() -> None:
    """A fall with the airflow unknown may be either; it is not guessed."""
    before = [night(-8.4 + n, 12.0, 0.1, None) for n in range(8)]
    assert cause_of_fall(before, [night(1.6 + n, 4.0, 0.1, None) for n in range(5)]) is Cause.CANNOT_TELL


def test_a_dip_that_does_not_stay_asks_nothing() -> None:
    """Two low nights amid level ones are weather or a door, no fresh litter."""
    told = tuple(night(-9.4 + n, 3.0 if n in (9, 10) else 12.0 + 0.4 * (n % 2)) for n in range(20))
    assert suggestions(Stretch(DEED_MS - 20 * DAY_MS, None, "first readings", told)) == []
