"""Which way the last weeks went."""

from __future__ import annotations

import random
from datetime import date, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.review.airflow import HOUR_MS, FanRun
from monitor.review.trends import Trends, Way, as_json, days_at_least, sentences, trend, trends

DUBLIN = "Europe/Dublin"


def at(day: int, hour: int = 0, month: int = 9) -> int:
    return round(datetime(2026, month, day, hour, tzinfo=ZoneInfo(DUBLIN)).timestamp() * 1000)


def season(fall_c_day: float = 0.5) -> Trends:
    """September to the 29th at noon: lows that fall, humidity level, the fan three hours a day from the 10th on."""
    hours = range((at(29, 12) - at(1)) // HOUR_MS)
    lows = [
        (at(1) + h * HOUR_MS, 15.0 - fall_c_day * (h // 24) + (0.0 if h % 24 == 5 else 4.0) + 0.2 * (h // 24 % 3)) for h in hours
    ]
    damp = [(at(1) + h * HOUR_MS, 65.0 + (h // 24 % 3)) for h in hours]
    fan = [FanRun(at(day, 6), at(day, 9)) for day in range(9, 29)]
    return trends(DUBLIN, lows, damp, fan, at(29, 12))


def test_lows_that_fall_are_said_to_fall() -> None:
    """Half a kelvin a day is 3.5 K a week; today is not over and does not count."""
    found = season()
    assert (found.low_c.way, found.low_c.days) == (Way.FALLING, 28)
    assert found.low_c.per_week is not None
    assert found.low_c.per_week.best == pytest.approx(-3.5, abs=0.2)
    assert (found.days[0].day, found.days[-1].day) == (date(2026, 9, 1), date(2026, 9, 28))


def test_what_stays_level_has_no_sure_trend() -> None:
    """Humidity that only wobbles is given none."""
    assert season().humidity_pct.way is Way.NO_SURE_TREND


def test_fan_hours_begin_with_the_first_whole_day_that_is_known() -> None:
    """First told to run on the 9th at six: the 9th is not whole, from the 10th each day has its three hours."""
    found = season()
    assert [(d.day.day, d.fan_h) for d in found.days if d.fan_h is not None] == [(day, 3.0) for day in range(10, 29)]


def test_a_run_across_midnight_counts_on_both_days() -> None:
    """From ten in the evening to four: two hours and four."""
    fan = [FanRun(at(1, 1), at(1, 2)), FanRun(at(3, 22), at(4, 4))]
    found = trends(DUBLIN, [], [], fan, at(6, 1), days=4)
    assert [d.fan_h for d in found.days] == [0.0, 2.0, 4.0, 0.0]


def test_the_day_of_the_clock_change_is_a_whole_one() -> None:
    """25 October 2026 has 25 hours in Dublin: a fan that never rests ran 25."""
    found = trends(DUBLIN, [], [], [FanRun(at(20, 0, 10), at(28, 0, 10))], at(27, 12, 10), days=3)
    assert [d.fan_h for d in found.days] == [24.0, 25.0, 24.0]


def test_a_day_of_gaps_is_no_day() -> None:
    """With 17 of 24 hours a low may be missed: that day has none."""
    lows = [(at(1, h), 10.0) for h in range(17)] + [(at(2, h), 10.0) for h in range(24)]
    assert [d.low_c for d in trends(DUBLIN, lows, [], [], at(3, 1), days=2).days] == [None, 10.0]


def test_six_days_are_too_few() -> None:
    """Seven are the least."""
    assert trend([1.0, 2.0, 3.0, 4.0, 5.0, 6.0]).way is Way.TOO_FEW
    assert trend([1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0]).way is Way.RISING


def test_spells_of_weather_are_seldom_taken_for_a_trend() -> None:
    """400 months of weather with neighbours alike (0.6) and no trend: at most 9 % are given one (5 % is meant, dice ±2)."""
    dice = random.Random(11)
    given_one = 0
    for _ in range(400):
        odd, values = 0.0, []
        for _day in range(48):
            odd = 0.6 * odd + dice.gauss(0.0, 1.0)
            values.append(odd)
        given_one += trend(values[20:]).way is not Way.NO_SURE_TREND
    assert given_one <= 36


@given(st.lists(st.none() | st.floats(-60.0, 60.0), max_size=28))
def test_any_days_give_a_trend_or_say_too_few(values: list[float | None]) -> None:
    """Gaps and leaps never raise, and the way is the interval's."""
    found = trend(values)
    if found.per_week is None:
        assert found.way is Way.TOO_FEW
    else:
        assert (found.way is Way.NO_SURE_TREND) == (found.per_week.low <= 0.0 <= found.per_week.high)


def test_hot_days_are_those_at_their_days_own_limit() -> None:
    """The limit moves with the birds' age; a day without a limit is not hot."""
    highs = [(at(day, 14), 33.0) for day in (1, 2, 3)]
    limits = {date(2026, 9, 1): 32.0, date(2026, 9, 2): 34.0}
    assert days_at_least(DUBLIN, highs, limits.get) == {date(2026, 9, 1)}


def test_the_keeper_reads_their_own_units() -> None:
    """The same fall is −6.3 °F or −3.5 °C a week."""
    assert sentences(season(), "us")[0].startswith("Night lows: falling, −6.3 °F in a week (")
    assert sentences(season(), "metric")[0].startswith("Night lows: falling, −3.5 °C in a week (")
    assert as_json(season(), "us")["fan_h"] == [None] * 9 + [3.0] * 19
