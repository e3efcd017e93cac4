"""How the present litter rises, and how many days until its ammonia reaches the limit. Pure.

Each night's ammonia is put to the usual warmth and air of the last nights, so that a mild night or an hour
more of the fan is not taken for the litter. Shapes of build-up (`shape`) through the nights of this litter, with
what former litters of the pen taught of theirs and with the birds' growth, give level and rise, and are carried on.

Rules of this file: a rise whose interval holds 0 gives no date; more than LONGEST_DAYS is no date either. A day is
named only where a former litter of the pen has shown its shape and the ways to go on agree; else only the span is
told: nights of one litter alone do not tell a slow build-up from a quick one that is nearly over.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from statistics import fmean, median

from monitor.engine.flock import live_weight_kg
from monitor.engine.specification import Flock
from monitor.review.effects import LEAKAGE_UNSURE, PER_KELVIN_UNSURE, Scaled, same_fan, scaled, with_air
from monitor.review.periods import DAY_MS, Night
from monitor.review.robust import Interval, quantile
from monitor.review.shape import Aged, Drawn, Prior, draws, fit, learn

WINDOW_NIGHTS = 60
MIN_NIGHTS = 5
FORMER_NIGHTS = 10  # a former litter shorter than this has shown no shape
MOST_FORMER = 3
USUAL_NIGHTS = 14  # whose warmth and air are "usual"
LEAST_PPM = 0.3  # a night below what a cell can tell counts as this
LONGEST_DAYS = 60.0
STEP_DAYS = 0.5
ROUNDS = 300
CLOSE_DAYS, CLOSE_SHARE = 2.0, 0.25  # so near, or within so much of the days left, is a day told right; our own
OUTSIDE, OUTSIDE_ALONE = 0.025, 0.01  # of the ways to go on, either side; alone, a litter's shape may be none of the list
AGREE = 0.75  # of the ways to go on, before a day is named; our own

Weight = Callable[[int], float]  # time_ms → log of the flock's live weight, kg
Litter = tuple[int, Sequence[Night]]  # when it was laid, and its nights


@dataclass(frozen=True, slots=True)
class Course:
    """Where the litter stands and where it goes, ppm at usual warmth and air.

    Attributes:
        level_ppm: at the last night.
        rise_ppm_day: in the day to come, with its interval.
        days_left: until the limit; None when the rise is not surely positive or the limit is far. `high` is
            infinite when a rise at the low end of its interval never gets there. 0 when already there.
        to_the_day: the day can be named; else only the span of `days_left` holds.
        has_former: a former litter of the pen stands behind it.
        usual_ppm: each night of the window at usual warmth and air, with its day from the last night.
    """

    level_ppm: Interval
    rise_ppm_day: Interval
    days_left: Interval | None
    to_the_day: bool
    has_former: bool
    usual_ppm: tuple[tuple[float, float], ...]


def course(
    nights: Sequence[Night],
    air_known: bool,
    limit_ppm: float | None,
    seed: int = 0,
    began_ms: int | None = None,
    weight: Weight | None = None,
    former: Sequence[Litter] = (),
) -> Course | None:
    """The course of one litter's last nights; None with fewer than five of them.

    Args:
        nights: of one litter, in order.
        air_known: use the airflow; else the nights should have had the same fan.
        limit_ppm: of the dawn level; None gives no days left.
        seed: of the drawing.
        began_ms: when this litter was laid; the first night when not given.
        weight: of the flock over time; steady when not given.
        former: litters of this pen that began with the same deed, in order.
    """
    if len(nights) < MIN_NIGHTS:
        return None
    window = nights[-WINDOW_NIGHTS:]
    prior, taught = Prior(), False
    for laid_ms, whole in former[-MOST_FORMER:]:
        told = whole if with_air(whole) else same_fan(whole, whole[-7:])
        if len(told) >= FORMER_NIGHTS:
            aged, _ = _aged(told, with_air(told), laid_ms, weight)
            prior, taught = learn(fit(aged, prior, PER_KELVIN_UNSURE, LEAKAGE_UNSURE), prior), True
    aged, age_days = _aged(window, air_known, began_ms, weight)
    dice = random.Random(seed)  # noqa: S311 — drawing, no secrets
    drawn = draws(fit(aged, prior, PER_KELVIN_UNSURE, LEAKAGE_UNSURE), prior, dice, ROUNDS)
    last_ms = window[-1].time_ms
    ahead = [_grown(weight, last_ms, step * STEP_DAYS) for step in range(round(LONGEST_DAYS / STEP_DAYS) + 1)]
    levels = [math.exp(one.log_ppm(age_days)) for one in drawn]
    rises = [
        math.exp(one.log_ppm(age_days + 1.0, ahead[round(1 / STEP_DAYS)])) - at for one, at in zip(drawn, levels, strict=True)
    ]
    level, rise = _interval(levels), _interval(rises)
    left, agreed = (
        (None, False)
        if limit_ppm is None
        else _days_left(drawn, rise, age_days, ahead, limit_ppm, OUTSIDE if taught else OUTSIDE_ALONE)
    )
    usual = tuple((one.age_days - age_days, math.exp(one.log_ppm)) for one in aged)
    return Course(level, rise, left, agreed and (taught or (left is not None and left.best == 0.0)), taught, usual)


def usual_ppm_each(window: Sequence[Scaled]) -> float:
    """ppm that one unit of strength makes in usual warmth and air."""
    return math.exp(fmean(math.log(n.ppm_each) for n in window[-USUAL_NIGHTS:]))


def weight_of(flocks: Sequence[Flock], day_of: Callable[[int], date]) -> Weight | None:
    """Live weight of a pen's flocks as they grow; None without birds. `day_of` turns ms into the local day."""
    keeping = [flock for flock in flocks if flock.count > 0]
    if not keeping:
        return None

    def log_kg(time_ms: int) -> float:
        day = day_of(time_ms).toordinal()
        return math.log(math.fsum(flock.count * live_weight_kg(flock, day) for flock in keeping))

    return log_kg


def _grown(weight: Weight | None, from_ms: int, days: float) -> float:
    return 0.0 if weight is None else weight(from_ms + round(days * DAY_MS)) - weight(from_ms)


def _aged(nights: Sequence[Night], air_known: bool, laid_ms: int | None, weight: Weight | None) -> tuple[list[Aged], float]:
    """The nights by age, and the age at the last of them."""
    window = scaled(nights, nights[-1].time_ms, air_known)
    each = usual_ppm_each(window)
    warm = fmean(n.warmer_k for n in window[-USUAL_NIGHTS:])
    leaks = fmean(n.leak_share for n in window[-USUAL_NIGHTS:])
    laid = nights[0].time_ms if laid_ms is None else min(laid_ms, nights[0].time_ms)
    now_days = (nights[-1].time_ms - laid) / DAY_MS
    found = [
        Aged(
            max(now_days + one.day, 0.0),
            math.log(max(one.strength * each, LEAST_PPM)),
            _grown(weight, nights[-1].time_ms, one.day),
            one.warmer_k - warm,
            one.leak_share - leaks,
        )
        for one in window
    ]
    return found, now_days


def _interval(drawn: Sequence[float]) -> Interval:
    return Interval(median(drawn), quantile(drawn, 0.025), quantile(drawn, 0.975))


def _days_left(
    drawn: Sequence[Drawn], rise: Interval, age_days: float, ahead: Sequence[float], limit_ppm: float, outside: float
) -> tuple[Interval | None, bool]:
    """Days to the limit, and whether the ways to go on agree on them."""
    reached = sorted(_reaches(one, age_days, ahead, math.log(limit_ppm)) for one in drawn)
    best = median(reached)
    if best == 0.0:
        return Interval(0.0, 0.0, 0.0), True
    if rise.low <= 0.0 or best > LONGEST_DAYS:
        return None, False
    close = max(CLOSE_DAYS, CLOSE_SHARE * best)
    agreed = sum(abs(days - best) <= close for days in reached) >= AGREE * len(reached)
    low, high = reached[round(outside * len(reached))], reached[round((1.0 - outside) * len(reached)) - 1]
    return Interval(best, min(low, best), max(high, best)), agreed


def _reaches(one: Drawn, age_days: float, ahead: Sequence[float], log_limit: float) -> float:
    """Day of the limit, by straight lines between steps; infinite when not within LONGEST_DAYS."""
    before = one.log_ppm(age_days, ahead[0])
    if before >= log_limit:
        return 0.0
    for step in range(1, len(ahead)):
        after = one.log_ppm(age_days + step * STEP_DAYS, ahead[step])
        if after >= log_limit:
            return STEP_DAYS * (step - 1 + (log_limit - before) / (after - before))
        before = after
    return math.inf
