"""Slopes, shares and counts, against published tables and against an independent library."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from monitor.review.robust import (
    blocks,
    count_interval,
    line,
    quantile,
    rate_ratio,
    share_difference,
    share_interval,
    slope_interval,
    student,
)


@pytest.mark.parametrize(
    ("hits", "trials", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_a_share_has_wilsons_interval(hits: int, trials: int, low: float, high: float) -> None:
    """Newcombe, Statistics in Medicine 17 (1998) 857, table I, method 3, four digits; values from memory."""
    found = share_interval(hits, trials)
    assert [found.low, found.high] == pytest.approx([low, high], abs=5e-5)


@pytest.mark.parametrize(("a", "m", "b", "n", "low", "high"), [(56, 70, 48, 80, 0.0524, 0.3339), (9, 10, 3, 10, 0.1705, 0.8090)])
def test_a_difference_of_shares_has_newcombes_interval(a: int, m: int, b: int, n: int, low: float, high: float) -> None:
    """Newcombe, Statistics in Medicine 17 (1998) 873, table II, method 10, four digits; values from memory."""
    found = share_difference(a, m, b, n)
    assert [found.low, found.high] == pytest.approx([low, high], abs=5e-5)


@given(st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_a_share_agrees_with_an_independent_library(pair: tuple[int, int]) -> None:
    """SciPy's Wilson interval is the same to nine digits."""
    hits, trials = pair
    found, other = share_interval(hits, trials), stats.binomtest(hits, trials).proportion_ci(method="wilson")
    assert [found.low, found.high] == pytest.approx([other.low, other.high], abs=1e-9)


@pytest.mark.parametrize("count", [0, 1, 2, 5, 17, 80])
def test_a_count_has_garwoods_interval(count: int) -> None:
    """Garwood's ends are half of chi-squared quantiles; SciPy gives those."""
    found = count_interval(count)
    low = 0.0 if count == 0 else stats.chi2.ppf(0.025, 2 * count) / 2
    high = stats.chi2.ppf(0.975, 2 * count + 2) / 2
    assert [found.low, found.high] == pytest.approx([low, high], rel=1e-6, abs=1e-6)


@pytest.mark.parametrize(("count", "other"), [(0, 4), (3, 0), (4, 9), (12, 5)])
def test_a_ratio_of_rates_is_exact_given_both(count: int, other: int) -> None:
    """Given the sum, the first count is binomial: Clopper and Pearson's interval, from SciPy, turned into a ratio."""
    found = rate_ratio(count, 100.0, other, 300.0)
    assert found is not None
    share = stats.binomtest(count, count + other).proportion_ci(method="exact")
    for end, told in ((share.low, found.low), (share.high, found.high)):
        wanted = math.inf if end == 1.0 else end / (1.0 - end) * 3.0
        assert told == pytest.approx(wanted, rel=1e-6, abs=1e-9)


def test_without_a_single_event_there_is_no_ratio() -> None:
    """Nothing died on either side: nothing can be said."""
    assert rate_ratio(0, 10.0, 0, 10.0) is None
    assert rate_ratio(3, 0.0, 1, 10.0) is None


@given(st.lists(st.tuples(st.floats(-50, 50), st.floats(-50, 50)), min_size=2, max_size=25, unique_by=lambda p: round(p[0], 3)))
def test_the_slope_is_the_median_over_all_pairs(points: list[tuple[float, float]]) -> None:
    """SciPy's Theil–Sen gives the same slope."""
    points.sort()
    times, values = [t for t, _ in points], [v for _, v in points]
    assert line(times, values)[1] == pytest.approx(stats.theilslopes(values, times).slope, rel=1e-9, abs=1e-9)


def test_one_wild_night_does_not_bend_the_slope() -> None:
    """A spike of 400 ppm in a row that rises by one a day leaves the slope at one."""
    values = [float(day) for day in range(12)]
    values[7] = 400.0
    assert line([float(day) for day in range(12)], values)[1] == pytest.approx(1.0)


@pytest.mark.parametrize("freedom", [1, 2, 5, 12, 20, 60, 1000])
def test_students_t_is_near_the_exact_one(freedom: int) -> None:
    """Exact to three digits up to 12; beyond, the interpolation is good to 0.3 %."""
    assert student(freedom) == pytest.approx(stats.t.ppf(0.975, freedom), rel=3e-3)


@pytest.mark.parametrize(("count", "alike"), [(14, 0.0), (28, 0.0), (28, 0.3), (28, 0.6)])
def test_the_slopes_interval_covers_the_truth_as_often_as_it_says(count: int, alike: float) -> None:
    """400 rows, neighbours alike or not: the true slope lies within in 92 to 99 % (the dice alone: ±2.2 points)."""
    dice = random.Random(5)
    hits = 0
    for _ in range(400):
        odd, values = 0.0, []
        for day in range(-20, count):
            odd = alike * odd + dice.gauss(0.0, 1.0)
            values.append(0.5 * day + odd)
        found = slope_interval([float(day) for day in range(count)], values[20:])
        hits += found.low <= 0.5 <= found.high
    assert 0.92 <= hits / 400 <= 0.99


def test_three_nights_exclude_no_slope() -> None:
    """Too few for any interval: both ends are open."""
    found = slope_interval([0.0, 1.0, 2.0], [1.0, 2.0, 3.0])
    assert (found.best, found.low, found.high) == (1.0, -math.inf, math.inf)


def test_blocks_keep_neighbours_together() -> None:
    """Runs of three are runs of the row itself, round its end."""
    drawn = blocks(random.Random(2), [float(n) for n in range(7)], 30, 3)
    assert len(drawn) == 30
    assert all((drawn[i + 1] - drawn[i]) % 7 == 1 for i in range(0, 30, 3) for i in (i, i + 1))


def test_what_is_no_share_or_count_is_refused() -> None:
    """More hits than trials, no trials, a count below 0, a quantile of nothing."""
    with pytest.raises(ValueError, match="3 of 2 is no share"):
        share_interval(3, 2)
    with pytest.raises(ValueError, match="0 of 0 is no share"):
        share_interval(0, 0)
    with pytest.raises(ValueError, match="-1 is no count"):
        count_interval(-1)
    with pytest.raises(ValueError, match="no values"):
        quantile([], 0.5)
