"""How the litter rises and how long it will do: exact courses, and a few seasons of known truth."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date, timedelta
from itertools import islice

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.engine.specification import BirdClass, Flock
from monitor.review.build_up import Curve, build_up
from monitor.review.days_left import Course, course, weight_of
from monitor.review.periods import DAY_MS, Night
from tests.bench.bedding_truth import a_week_ahead, a_week_ahead_again
from tests.review.test_effects import night


def straight(level: float, a_day: float, count: int = 18, wobble: float = 0.05, last: float = 1.0) -> list[Night]:
    """A straight rise that stands at `level` in the last night, with a small wobble."""
    return [night(n - count + last, level + a_day * (n - count + 1) + (wobble if n % 2 else -wobble)) for n in range(count)]


def rising(level: float, a_day: float, limit: float | None = 20.0, wobble: float = 0.05) -> Course:
    found = course(straight(level, a_day, wobble=wobble), True, limit)
    assert found is not None
    return found


def test_a_straight_rise_reaches_the_limit_on_its_day() -> None:
    """15 ppm and half a ppm a day: 20 ppm in ten days. Alone it only gives a span that holds them; after two litters of
    the same pen that rose as straight and further, the day is named."""
    found = rising(15.0, 0.5)
    assert found.level_ppm.best == pytest.approx(15.0, abs=0.2)
    assert found.rise_ppm_day.best == pytest.approx(0.5, abs=0.1)
    assert found.days_left is not None
    assert found.days_left.low < 10.0 < found.days_left.high
    assert not found.to_the_day
    former = [(nights[0].time_ms, nights) for last in (-100.0, -50.0) if (nights := straight(23.5, 0.5, 35, last=last))]
    taught = course(straight(15.0, 0.5), True, 20.0, former=former)
    assert taught is not None
    assert taught.days_left is not None
    assert taught.to_the_day
    assert taught.days_left.best == pytest.approx(10.0, abs=1.0)


def test_growing_birds_are_carried_on() -> None:
    """A litter that rises by nothing but the weight of its birds, 2 % a day: 16 ppm is 20 in ln 1.25 / 2 %, eleven days."""
    told = [night(n - 17.0, 16.0 * math.exp(0.02 * (n - 17)) * (1.004 if n % 2 else 0.996)) for n in range(18)]
    found = course(told, True, 20.0, began_ms=told[0].time_ms - 90 * DAY_MS, weight=lambda ms: 0.02 * ms / DAY_MS)
    assert found is not None
    assert found.days_left is not None
    assert found.days_left.low <= math.log(1.25) / 0.02 <= found.days_left.high


def test_weight_follows_the_growth_table() -> None:
    """A brown layer weighs 0.67 kg at 56 days and 0.89 at 70 (Hy-Line Brown guide, values from memory); no birds, no weight."""
    flock = Flock("hens", BirdClass.LAYER, date(2026, 1, 1), 10)
    weight = weight_of([flock], lambda ms: date(2026, 1, 1) + timedelta(days=ms // DAY_MS))
    assert weight is not None
    assert math.exp(weight(70 * DAY_MS) - weight(56 * DAY_MS)) == pytest.approx(0.89 / 0.67)
    assert weight_of([replace(flock, count=0)], lambda _ms: date(2026, 1, 1)) is None


@pytest.mark.parametrize(("level", "a_day"), [(12.0, 0.0), (12.0, -0.3), (3.0, 0.02)])
def test_no_sure_rise_or_a_far_limit_gives_no_date(level: float, a_day: float) -> None:
    """Level, falling, or two years away: no date is better than a wrong one."""
    assert rising(level, a_day, wobble=0.3).days_left is None


def test_at_the_limit_no_days_are_left() -> None:
    """21 ppm at 20: due now."""
    found = rising(21.0, 0.4).days_left
    assert found is not None
    assert (found.best, found.low, found.high) == (0.0, 0.0, 0.0)


def test_without_a_limit_there_is_a_course_but_no_date() -> None:
    """A period that is over has level and rise only."""
    assert rising(15.0, 0.5, limit=None).days_left is None


def test_four_nights_are_no_course() -> None:
    """Five are the least."""
    assert course([night(float(n), 10.0) for n in range(4)], True, 20.0) is None


def test_a_litter_that_ends_below_the_limit_gives_no_date() -> None:
    """18 ppm is all it tends to, twelve days' slowness: after sixty nights 20 ppm never comes."""
    told = [night(n - 59.0, 18.0 * (1.0 - math.exp(-(n + 1) / 12.0)) + (0.05 if n % 2 else -0.05)) for n in range(60)]
    found = course(told, True, 20.0, began_ms=told[0].time_ms - DAY_MS)
    assert found is not None
    assert found.days_left is None


@given(st.floats(0.5, 30.0), st.floats(-0.5, 1.0), st.sampled_from([9.0, 20.0, 2000.0]))
def test_a_curve_is_found_again(level: float, rise: float, slowness: float) -> None:
    """Nights that lie exactly on a curve of the list give its level and rise back."""
    days = [float(day) for day in range(-13, 1)]
    values = [Curve(level, rise, slowness).at(day) for day in days]
    if min(values) <= 0.0:
        return
    found = build_up(days, values)
    assert found.mean_at(0.0) == pytest.approx(level, rel=0.02, abs=0.02)
    assert found.mean_at(1.0) - found.mean_at(0.0) == pytest.approx(rise, rel=0.15, abs=0.03)


def test_a_week_ahead_the_first_litter_gives_a_span() -> None:
    """Of a dozen first litters that come to the limit no day is named, and the span holds the day in ten or more
    (bench: about 90 %)."""
    found = list(islice((one for seed in range(60) if (one := a_week_ahead(seed)) and one.middle is not None), 12))
    assert len(found) >= 8
    assert not any(one.named for one in found)
    assert sum(one.covered for one in found) >= 0.8 * len(found)


def test_a_week_ahead_the_third_litter_names_the_day() -> None:
    """Of eight third litters the day is named in half or more, and is right within two days in three of four or more
    of those (bench: about 90 %)."""
    found = list(islice((one for seed in range(40) if (one := a_week_ahead_again(seed)) and one.middle is not None), 8))
    named = [one for one in found if one.named]
    assert len(found) == 8
    assert len(named) >= 0.5 * len(found)
    assert sum(one.miss <= 2.0 for one in named) >= 0.75 * len(named)
    assert sum(one.covered for one in found) >= 0.8 * len(found)
