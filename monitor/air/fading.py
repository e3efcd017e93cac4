"""One record of a gas fading while the fan runs, and the curve it should follow.

The room fades from C0 towards Css with N, in 1/s:

    C(t) = Css + (C0 − Css) · exp(−N·t)

A sensor of lag L (first order, at rest when the fan starts) shows of it

    S(t) = Css + (C0 − Css) · (exp(−N·t) − N·L·exp(−t/L)) / (1 − N·L)

For given N and L the two levels follow by a straight-line fit. `decay` decides what is told of it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from operator import mul
from statistics import median

from monitor.air import profile
from monitor.air.ranges import within

POSSIBLE_LAGS_S = (0.0, 10.0, 20.0, 30.0, 45.0, 60.0, 75.0, 90.0, 120.0)  # ammonia cells: 26 to 65 s (value from memory)


@dataclass(frozen=True, slots=True)
class Decay:
    """One record of a gas fading while the fan runs.

    Attributes:
        times_s: rising, s.
        values: readings, in any one unit of concentration.
        outside: level of the air coming in, same unit; None when not known.
        lag_s: time constant of the sensor, s, 0 to 600 (its 90 % response time over 2.3). None when it is not
            known: then any from 0 to 120 s is thought possible, the readings judge between them, and the
            interval holds what they leave open. It then also forgives a start wrong by up to a minute.
        started_s: when the fan began to run, s, on the clock of times_s, at most 600 s before the first
            reading; None when that was with the first reading. With the lag known, a start given 30 s late
            reads 10 changes an hour 7 % high.
    """

    times_s: Sequence[float]
    values: Sequence[float]
    outside: float | None = None
    lag_s: float | None = None
    started_s: float | None = None

    def __post_init__(self) -> None:
        within("lag_s", self.lag_s or 0.0, 0.0, 600.0)
        if len(self.times_s) != len(self.values):
            raise ValueError(f"{len(self.times_s)} times for {len(self.values)} readings: there must be as many of each")
        numbers = [*self.times_s, *self.values, self.outside or 0.0]
        if not all(math.isfinite(number) for number in numbers):
            raise ValueError("times, readings and outside must be finite numbers")
        if any(b <= a for a, b in pairwise(self.times_s)):
            raise ValueError("times must rise from each reading to the next")
        if self.started_s is not None and self.times_s:
            within("started_s", self.started_s, self.times_s[0] - 600.0, self.times_s[0])


class Fading:
    """One decay with everything that does not depend on N worked out once."""

    __slots__ = (
        "_fading",
        "_mean",
        "_seconds",
        "_total",
        "_values",
        "duration_s",
        "freedom",
        "highest_s",
        "lag_is_known",
        "lags_s",
        "least",
        "lowest_s",
        "outside",
        "rate_s",
        "residuals",
        "settles_at",
        "starts_at",
        "variance",
    )

    def __init__(self, decay: Decay) -> None:
        start = decay.times_s[0] if decay.started_s is None else decay.started_s
        self._seconds = [t - start for t in decay.times_s]
        self._mean = sum(decay.values) / len(decay.values)
        self._values = [value - self._mean for value in decay.values]
        self._total = float(sum(map(mul, self._values, self._values)))
        self._fading: dict[float, list[float]] = {}
        self.outside = decay.outside
        self.lag_is_known = decay.lag_s is not None
        self.lags_s = POSSIBLE_LAGS_S if decay.lag_s is None else (decay.lag_s,)
        self.duration_s = self._seconds[-1]
        gaps = [b - a for a, b in pairwise(self._seconds)]
        self.lowest_s, self.highest_s = 0.02 / self.duration_s, 3.0 / median(gaps)
        self.rate_s = profile.best(self.loss, self.lowest_s, self.highest_s)
        self.least = self.loss(self.rate_s)
        self.freedom = len(self._values) - (3 if self.lag_is_known else 4)
        self.starts_at, self.settles_at = self.levels(self.rate_s)
        shape = self.shape(self.rate_s, self.lag_at(self.rate_s))
        drop, settled = self.starts_at - self.settles_at, self.settles_at - self._mean
        self.residuals = [v - settled - drop * g for v, g in zip(self._values, shape, strict=True)]
        # Steps coarser than the noise hide it: readings of a steady value all agree and yet may be half a step off.
        floor = _step(decay.values) / 2.0
        self.variance = max(self.least / self.freedom, floor * floor / 3.0, 1e-24 * (1.0 + self._mean**2))

    def shape(self, rate_s: float, lag_s: float) -> list[float]:
        """What the sensor shows of a fall by 1 at this N and lag: 1 at the start, fading to 0."""
        if lag_s <= 0.0:
            return [math.exp(-rate_s * t) for t in self._seconds]
        share = rate_s * lag_s
        if abs(1.0 - share) < 1e-5:  # both exponentials coincide; the limit of the formula
            return [math.exp(-rate_s * t) * (1.0 + rate_s * t) for t in self._seconds]
        if lag_s not in self._fading:
            self._fading[lag_s] = [math.exp(-t / lag_s) for t in self._seconds]
        scale = 1.0 / (1.0 - share)
        return [(math.exp(-rate_s * t) - share * f) * scale for t, f in zip(self._seconds, self._fading[lag_s], strict=True)]

    def _sums(self, rate_s: float, lag_s: float) -> tuple[float, float, float]:
        """Mean of the shape, its sum of squares about it, and its product with the readings (whose mean is 0)."""
        shape = self.shape(rate_s, lag_s)
        mean = sum(shape) / len(shape)
        square = float(sum(map(mul, shape, shape))) - len(shape) * mean * mean
        return mean, square, float(sum(map(mul, shape, self._values)))

    def loss_at(self, rate_s: float, lag_s: float) -> float:
        """Sum of squares at this N and lag with the best start and settling level.

        N and 1/lag can be exchanged without changing the shape. With the lag unknown the slower of the two is
        taken for the room, which holds below 30 changes an hour at any lag thought possible.
        """
        if not self.lag_is_known and rate_s * lag_s > 1.0:
            return self._total
        _, square, product = self._sums(rate_s, lag_s)
        return max(0.0, self._total - product * product / square) if square > 0.0 else self._total

    def loss(self, rate_s: float) -> float:
        """Sum of squares at this N with the best start, settling level and, when it is not known, lag."""
        return min(self.loss_at(rate_s, lag_s) for lag_s in self.lags_s)

    def lag_at(self, rate_s: float) -> float:
        """The lag that fits best at this N."""
        return min(self.lags_s, key=lambda lag_s: self.loss_at(rate_s, lag_s))

    def levels(self, rate_s: float) -> tuple[float, float]:
        """Best start and settling level at this N."""
        mean, square, product = self._sums(rate_s, self.lag_at(rate_s))
        drop = product / square if square > 0.0 else 0.0
        settles_at = self._mean - drop * mean
        return settles_at + drop, settles_at


def _step(values: Sequence[float]) -> float:
    """Step in which the readings come, when every gap between two of them is a whole number of steps; else 0."""
    levels = sorted(set(values))
    gaps = [b - a for a, b in pairwise(levels)]
    step = min(gaps)
    if len(levels) == len(values) or step < 1e-6 * (levels[-1] - levels[0]):
        return 0.0
    return step if all(abs(gap / step - round(gap / step)) < 0.01 for gap in gaps) else 0.0
