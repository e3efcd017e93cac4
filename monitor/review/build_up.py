"""How litter's ammonia builds up: towards a ceiling, quickly or slowly, nobody knows beforehand. Pure.

strength(day) = a + b · g(day), g = τ · (1 − e^(−day / τ)); for a large τ a straight line. Each τ of a short
list is fitted robustly and weighted by how well it fits; what is carried on is drawn from all of them, so
that not knowing the shape widens the interval.

Rules of this file: days count from a moment of the caller's; g is 0 there with slope 1, so that a is the
level and b the rise a day at that moment. First-order build-up is our own assumption.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from monitor.review.robust import Z95, blocks, line, student

SLOWNESS_DAYS = (9.0, 13.0, 20.0, 30.0, 50.0, 2000.0)
NEIGHBOURS_ALIKE = 1.5  # this many neighbouring nights tell as much as one independent night; our own assumption
BLOCK = 2


@dataclass(frozen=True, slots=True)
class Curve:
    """One way the strength may go on."""

    level: float
    rise: float  # a day, at day 0
    slowness_days: float

    def at(self, day: float) -> float:
        return self.level + self.rise * grown(day, self.slowness_days)


@dataclass(frozen=True, slots=True)
class BuildUp:
    """The curves with their weights, which sum to 1, and each night's distance from the best, as a share of it."""

    days: tuple[float, ...]
    curves: tuple[tuple[Curve, float], ...]
    odd: tuple[float, ...]
    smallest: float

    def mean_at(self, day: float) -> float:
        return math.fsum(curve.at(day) * weight for curve, weight in self.curves)

    def widened(self) -> float:
        """What few nights ask for: Student's t, and the freedom that two fitted figures took."""
        count = len(self.days)
        return student(max(count - 2, 1)) / Z95 * math.sqrt(count / max(count - 2, 1))

    def draw(self, dice: random.Random, bent: Sequence[float]) -> Curve:
        """A curve as other nights of the same kind might have given it; `bent` multiplies each night's strength."""
        curve = dice.choices([c for c, _ in self.curves], [w for _, w in self.curves])[0]
        noise, wider = blocks(dice, self.odd, len(self.days), BLOCK), self.widened()
        times = [grown(day, curve.slowness_days) for day in self.days]
        values = [
            max(curve.level + curve.rise * time, self.smallest) * (1.0 + wider * more) * bend
            for time, more, bend in zip(times, noise, bent, strict=True)
        ]
        return Curve(*line(times, values), curve.slowness_days)

    def nightly(self, dice: random.Random, count: int) -> float:
        """Mean of `count` nights' own oddness, as a share."""
        drawn = blocks(dice, self.odd, count, BLOCK)
        return self.widened() * math.fsum(drawn) / count


def grown(day: float, slowness_days: float) -> float:
    """Days of growth at the pace of day 0 that bring as much as growth up to `day` does."""
    return -slowness_days * math.expm1(-day / slowness_days)


def build_up(days: Sequence[float], strengths: Sequence[float]) -> BuildUp:
    """Fit the curves.

    Args:
        days: of the nights, in order; two or more.
        strengths: of the litter, in any unit, not below 0.
    """
    smallest = 0.1 * max(median(strengths), 1e-9)
    fits = []
    for slowness in SLOWNESS_DAYS:
        times = [grown(day, slowness) for day in days]
        curve = Curve(*line(times, strengths), slowness)
        odd = [value / max(curve.level + curve.rise * time, smallest) - 1.0 for time, value in zip(times, strengths, strict=True)]
        fits.append((curve, odd, math.fsum(each * each for each in odd)))
    least = max(min(spread for _, _, spread in fits), 1e-12)
    power = -len(days) / (2.0 * NEIGHBOURS_ALIKE)
    weights = [(max(spread, 1e-12) / least) ** power for _, _, spread in fits]
    whole = math.fsum(weights)
    best = min(fits, key=lambda fit: fit[2])
    return BuildUp(
        tuple(days),
        tuple((curve, weight / whole) for (curve, _, _), weight in zip(fits, weights, strict=True)),
        tuple(best[1]),
        smallest,
    )
