"""Figures that a few odd nights cannot spoil, each with an interval: slopes, shares, rare counts. Pure.

Rules of this file: plain sequences in, no dice but seeded ones, so that the same nights give the same
answer; an interval is always 95 % unless said otherwise.

Sources
    [1] P. K. Sen, J. Am. Stat. Assoc. 63 (1968), 1379: slope as the median over all pairs.
    [2] H. R. Künsch, Ann. Stat. 17 (1989), 1217: resampling in blocks where neighbours are alike.
    [3] E. B. Wilson, J. Am. Stat. Assoc. 22 (1927), 209: interval of a share.
    [4] R. G. Newcombe, Stat. Med. 17 (1998), 873: interval of a difference of shares, method 10.
    [5] F. Garwood, Biometrika 28 (1936), 437: exact interval of a count.
    [6] C. J. Clopper and E. S. Pearson, Biometrika 26 (1934), 404: exact interval of a share.
    [7] K. H. Hamed and A. R. Rao, J. Hydrology 204 (1998), 182: the rank test's variance grows where neighbours
        are alike; here as for a first-order series, (1 + r)/(1 − r).
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

MOST_ALIKE = 0.7  # of two neighbours; more cannot be told from a trend in a month
Z95 = 1.959963984540054  # two-sided 95 % of the normal distribution
# Two-sided 95 % of Student's t by degrees of freedom 1 … 12; beyond, `student` interpolates towards Z95.
_STUDENT = (12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228, 2.201, 2.179)


@dataclass(frozen=True, slots=True)
class Interval:
    """A figure and the 95 % interval around it."""

    best: float
    low: float
    high: float

    def excludes_zero(self) -> bool:
        return self.low > 0.0 or self.high < 0.0


def student(freedom: int) -> float:
    """Two-sided 95 % point of Student's t; 1 degree of freedom or more."""
    if freedom <= len(_STUDENT):
        return _STUDENT[max(freedom, 1) - 1]
    return Z95 + (_STUDENT[-1] - Z95) * len(_STUDENT) / freedom


def quantile(values: Sequence[float], share: float) -> float:
    """The value below which this share lies, by straight lines between neighbours.

    Raises:
        ValueError: there are no values.
    """
    if not values:
        raise ValueError("a quantile of no values")
    ordered = sorted(values)
    place = share * (len(ordered) - 1)
    below = min(int(place), len(ordered) - 2) if len(ordered) > 1 else 0
    above = min(below + 1, len(ordered) - 1)
    return ordered[below] + (ordered[above] - ordered[below]) * (place - below)


def line(times: Sequence[float], values: Sequence[float]) -> tuple[float, float]:
    """Level at time 0 and slope, each a median [1]; of fewer than two different times the slope is 0.

    Raises:
        ValueError: there are no values.
    """
    pairs = [
        (values[j] - values[i]) / (times[j] - times[i])
        for i in range(len(times))
        for j in range(i + 1, len(times))
        if times[j] != times[i]
    ]
    slope = median(pairs) if pairs else 0.0
    return median(value - slope * time for time, value in zip(times, values, strict=True)), slope


def blocks(dice: random.Random, values: Sequence[float], count: int, length: int) -> list[float]:
    """`count` values drawn in runs of `length` neighbours, round the end to the beginning [2]."""
    drawn: list[float] = []
    while len(drawn) < count:
        start = dice.randrange(len(values))
        drawn.extend(values[(start + step) % len(values)] for step in range(length))
    return drawn[:count]


def slope_interval(times: Sequence[float], values: Sequence[float]) -> Interval:
    """The median slope with its rank interval [1], widened for neighbours that are alike [7].

    Args:
        times: all different, in order, evenly spaced but for gaps.
        values: as many; with fewer than four no slope is excluded.
    """
    count = len(times)
    pairs = sorted((values[j] - values[i]) / (times[j] - times[i]) for i in range(count) for j in range(i + 1, count))
    start, slope = line(times, values)
    if count < 4:
        return Interval(slope, -math.inf, math.inf)
    left = [value - start - slope * time for time, value in zip(times, values, strict=True)]
    alike = min(max(_alike(left), 0.0), MOST_ALIKE)
    variance = count * (count - 1) * (2 * count + 5) / 18.0 * (1.0 + alike) / (1.0 - alike)
    reach = student(count - 2) * math.sqrt(variance)
    below, above = math.floor((len(pairs) - reach) / 2.0), math.ceil((len(pairs) + reach) / 2.0)
    return Interval(
        slope,
        pairs[below] if below >= 0 else -math.inf,
        pairs[above] if above < len(pairs) else math.inf,
    )


def _alike(left: Sequence[float]) -> float:
    """Correlation of neighbours, put right for the two figures that were fitted (by 2/n, about half its own noise)."""
    whole = math.fsum(each * each for each in left)
    if whole <= 0.0:
        return 0.0
    return math.fsum(one * other for one, other in pairwise(left)) / whole + 2.0 / len(left)


def share_interval(hits: int, trials: int) -> Interval:
    """A share and its interval by [3].

    Raises:
        ValueError: `trials` is not above 0, or `hits` not between 0 and `trials`.
    """
    if trials <= 0 or not 0 <= hits <= trials:
        raise ValueError(f"{hits} of {trials} is no share")
    share, z2 = hits / trials, Z95 * Z95
    middle = (share + z2 / (2 * trials)) / (1 + z2 / trials)
    half = Z95 / (1 + z2 / trials) * math.sqrt(share * (1 - share) / trials + z2 / (4 * trials * trials))
    return Interval(share, max(0.0, middle - half), min(1.0, middle + half))


def share_difference(hits: int, trials: int, other_hits: int, other_trials: int) -> Interval:
    """First share minus the other, by [4]."""
    one, other = share_interval(hits, trials), share_interval(other_hits, other_trials)
    best = one.best - other.best
    low = best - math.hypot(one.best - one.low, other.high - other.best)
    high = best + math.hypot(one.high - one.best, other.best - other.low)
    return Interval(best, low, high)


def count_interval(count: int) -> Interval:
    """The mean behind a count of rare things, by [5].

    Raises:
        ValueError: the count is below 0.
    """
    if count < 0:
        raise ValueError(f"{count} is no count")
    above = 3.0 * count + 12.0
    low = 0.0 if count == 0 else _root(lambda mean: (1.0 - _poisson_to(count - 1, mean)) - 0.025, 0.0, above)
    high = _root(lambda mean: 0.025 - _poisson_to(count, mean), 0.0, above)
    return Interval(float(count), low, high)


def rate_ratio(count: int, time: float, other_count: int, other_time: float) -> Interval | None:
    """How many times the first rate is the other, exactly, given both together [6]; None where nothing happened.

    Given the sum, the first count is a share of it; the share's exact interval turns into that of the ratio.
    Without a count on the other side the upper end is infinite.
    """
    both = count + other_count
    if both == 0 or time <= 0.0 or other_time <= 0.0:
        return None
    low = 0.0 if count == 0 else _root(lambda p: (1.0 - _binomial_to(count - 1, both, p)) - 0.025, 0.0, 1.0)
    high = 1.0 if count == both else _root(lambda p: 0.025 - _binomial_to(count, both, p), 0.0, 1.0)

    def ratio(share: float) -> float:
        return math.inf if share >= 1.0 else share / (1.0 - share) * other_time / time

    best = math.inf if other_count == 0 else count / other_count * other_time / time
    return Interval(best, ratio(low), ratio(high))


def _poisson_to(count: int, mean: float) -> float:
    """Chance of at most `count`."""
    if mean <= 0.0:
        return 1.0
    return math.fsum(math.exp(k * math.log(mean) - mean - math.lgamma(k + 1)) for k in range(count + 1))


def _binomial_to(hits: int, trials: int, share: float) -> float:
    """Chance of at most `hits`."""
    if share <= 0.0:
        return 1.0
    if share >= 1.0:
        return 1.0 if hits >= trials else 0.0
    whole = math.lgamma(trials + 1)
    return math.fsum(
        math.exp(
            whole - math.lgamma(k + 1) - math.lgamma(trials - k + 1) + k * math.log(share) + (trials - k) * math.log1p(-share)
        )
        for k in range(hits + 1)
    )


def _root(rising: Callable[[float], float], low: float, high: float) -> float:
    """Where a rising function crosses 0."""
    for _ in range(80):
        middle = 0.5 * (low + high)
        if rising(middle) < 0.0:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
