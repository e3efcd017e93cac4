"""How the present litter rises, and how many days until its ammonia reaches the limit. Pure.

Each night's ammonia is put to the usual warmth and air of the last nights, so that a mild night or an hour
more of the fan is not taken for the litter. Curves of build-up through the last nights give level and rise,
and are carried on.

Rules of this file: a rise whose interval holds 0 gives no date; more than LONGEST_DAYS is no date either.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean, median

from monitor.review.build_up import BuildUp, Curve, build_up
from monitor.review.effects import PER_KELVIN_UNSURE, Scaled, scaled
from monitor.review.periods import Night
from monitor.review.robust import Interval, quantile

WINDOW_NIGHTS = 18
MIN_NIGHTS = 5
USUAL_NIGHTS = 14  # whose warmth and air are "usual"
LONGEST_DAYS = 60.0
ROUNDS = 300


@dataclass(frozen=True, slots=True)
class Course:
    """Where the litter stands and where it goes, ppm at usual warmth and air.

    Attributes:
        level_ppm: at the last night.
        rise_ppm_day: robust, with its interval.
        days_left: until the limit; None when the rise is not surely positive or the limit is far. `high` is
            infinite when a rise at the low end of its interval never gets there. 0 when already there.
        usual_ppm: each night of the window at usual warmth and air, with its day from the last night.
    """

    level_ppm: Interval
    rise_ppm_day: Interval
    days_left: Interval | None
    usual_ppm: tuple[tuple[float, float], ...]


def course(nights: Sequence[Night], air_known: bool, limit_ppm: float | None, seed: int = 0) -> Course | None:
    """The course of one period's last nights; None with fewer than five of them.

    Args:
        nights: of one litter period, in order.
        air_known: use the airflow; else the nights should have had the same fan.
        limit_ppm: of the dawn level; None gives no days left.
        seed: of the resampling.
    """
    if len(nights) < MIN_NIGHTS:
        return None
    window = scaled(nights[-WINDOW_NIGHTS:], nights[-1].time_ms, air_known)
    each = usual_ppm_each(window)
    days = [n.day for n in window]
    values = [n.strength * each for n in window]
    fit = build_up(days, values)
    warm = median(n.warmer_k for n in window)
    dice = random.Random(seed)  # noqa: S311 — resampling, no secrets
    drawn = []
    for _ in range(ROUNDS):
        per_kelvin = dice.gauss(0.0, PER_KELVIN_UNSURE)
        drawn.append(fit.draw(dice, [math.exp(-per_kelvin * (n.warmer_k - warm)) for n in window]))
    rise = _around(fit.rise(), [curve.rise for curve in drawn])
    level = _around(fit.level(), [curve.level for curve in drawn])
    left = None if limit_ppm is None else _days_left(fit, rise, drawn, limit_ppm)
    return Course(level, rise, left, tuple(zip(days, values, strict=True)))


def usual_ppm_each(window: Sequence[Scaled]) -> float:
    """ppm that one unit of strength makes in usual warmth and air."""
    return math.exp(fmean(math.log(n.ppm_each) for n in window[-USUAL_NIGHTS:]))


def _around(best: float, drawn: Sequence[float]) -> Interval:
    middle = fmean(drawn)
    return Interval(best, best + quantile(drawn, 0.025) - middle, best + quantile(drawn, 0.975) - middle)


def _days_left(fit: BuildUp, rise: Interval, drawn: Sequence[Curve], limit_ppm: float) -> Interval | None:
    best = fit.reaches(limit_ppm)
    if best == 0.0:
        return Interval(0.0, 0.0, 0.0)
    if rise.low <= 0.0 or best > LONGEST_DAYS:
        return None
    ordered = sorted(curve.reaches(limit_ppm) for curve in drawn)
    low, high = ordered[round(0.025 * len(ordered))], ordered[round(0.975 * len(ordered)) - 1]
    return Interval(best, min(low, best), max(high, best))
