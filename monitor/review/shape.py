"""How a litter's ammonia goes with its age, and what former litters of the same pen teach about it. Pure.

    reading = level · weight^power · (1 − (1 − first) · e^(−age / slowness)) · e^(settling · (1 + x) · e^(−x))
              · e^(per kelvin · warmer) · e^(−leaks · share),    x = age / SETTLES_DAYS

The first bracket builds up from a share `first` of what it tends to (above 1: it falls), first order, our own
assumption. The second is the bedding's water finding its own level, which ammonia follows in one to two weeks [1]:
wet bedding that dries first gives more than its age asks, dry bedding that wets less. Droppings go with the flock's
live weight, to a power between that of feed [3] and 1. Slowness, first share and power come from a short list, each
weighted by how well it fits [2]; the four other figures are fitted in logarithms, robustly, with what is known of
them beforehand.

Rules of this file: days; logarithms of ppm at usual warmth and air; nothing is drawn but from a given dice.

Sources
    [1] Wetting of litter: a short fall, then more ammonia for one to two weeks (litter chamber studies, abstracts).
    [2] D. J. C. MacKay, Information Theory, Inference, and Learning Algorithms (2003), ch. 28: shapes weighed by
        how well each explains what was seen, with the freedom it took to do so.
    [3] CIGR, 4th report (2002): birds' heat goes with weight to the power 0.75; feed, and with it the nitrogen of
        the droppings, follows heat. Values from memory.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass

# Slowness in days (300: a straight line, for a season), and the share of what it tends to at which the litter begins: as
# if it had lain for a day (fresh, on a floor that is never quite clean), five, fifteen or forty; two that fall.
_BUILD_UP = (
    *(
        (slow, -math.expm1(-lain / slow))
        for slow in (7.0, 11.0, 17.0, 27.0, 45.0, 90.0, 300.0)
        for lain in (1.0, 5.0, 15.0, 40.0)
    ),
    *((slow, 1.25) for slow in (11.0, 27.0)),
)
SHAPES = tuple((slowness, first, power) for slowness, first in _BUILD_UP for power in (0.75, 1.0))  # [3]
SETTLES_DAYS = 5.0  # twice over, so ten days in the mean: the middle of one to two weeks [1]
SETTLING_UNSURE = 0.4  # of the logarithm: bedding laid by a third too wet or too dry; our own assumption
NIGHT_UNSURE = 0.05  # of the logarithm: wind and doors; what nights really scatter by widens or narrows it
ZERO_UNSURE_PPM = 0.5  # of the sensor, so that the first low nights count for less; our own assumption
NEIGHBOURS_ALIKE = 1.3  # this many neighbouring nights tell as much as one independent night; our own assumption
SCATTER_KNOWN = 4.0  # the assumed scatter counts as much as so many nights; our own assumption
ODD = 2.0  # in scatters: beyond it a night counts for less (Huber)
LITTERS_DIFFER = 0.15  # of the settling's logarithm, from one litter of a pen to the next; our own assumption
FORMER_COUNT = 0.5  # what a former litter says of the shape counts half: weather and birds were others

Four = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Aged:
    """One night: age of the litter, logs of ppm at usual warmth and air and of live weight, and what bends them.

    The weight, warmth and leaks are against those of the last nights.
    """

    age_days: float
    log_ppm: float
    log_weight: float
    warmer_k: float
    leak_share: float


@dataclass(frozen=True, slots=True)
class Prior:
    """What is known before the nights: log weight of each shape; its settling and how surely."""

    weights: tuple[float, ...] = (0.0,) * len(SHAPES)
    settling: tuple[tuple[float, float], ...] = ((0.0, SETTLING_UNSURE),) * len(SHAPES)


@dataclass(frozen=True, slots=True)
class Fit:
    """One shape: log of its likelihood; level, settling, per kelvin, leaks; the Cholesky root of their precision."""

    log_likelihood: float
    best: Four
    root: tuple[Four, Four, Four, Four]
    scale: float  # of one standard uncertainty, by how much the nights really scattered

    def unsure(self, index: int) -> float:
        """One standard uncertainty of one figure."""
        one = [0.0] * 4
        one[index] = 1.0
        return self.scale * math.sqrt(math.fsum(each * each for each in _forward(self.root, one)))


@dataclass(frozen=True, slots=True)
class Drawn:
    """One way the litter may go on."""

    slowness_days: float
    first: float
    power: float
    level: float
    settling: float

    def log_ppm(self, age_days: float, log_weight: float = 0.0) -> float:
        built, settles = built_and_settled(age_days, self.slowness_days, self.first)
        return self.level + self.power * log_weight + built + self.settling * settles


def built_and_settled(age_days: float, slowness_days: float, first: float) -> tuple[float, float]:
    """Log of the build-up, and how much of the settling is still to come, 1 to 0."""
    x = age_days / SETTLES_DAYS
    return math.log1p(-(1.0 - first) * math.exp(-age_days / slowness_days)), (1.0 + x) * math.exp(-x)


def fit(nights: Sequence[Aged], prior: Prior, per_kelvin_unsure: float, leaks_unsure: float) -> list[Fit]:
    """Every shape, fitted to these nights.

    Args:
        nights: of one litter, in order; five or more.
        prior: what former litters taught, or `Prior()`.
        per_kelvin_unsure: one standard uncertainty of the warmth's effect, in the logarithm.
        leaks_unsure: of the leakage, likewise.
    """
    return [
        _fit(nights, *shape, *known, per_kelvin_unsure, leaks_unsure) for shape, known in zip(SHAPES, prior.settling, strict=True)
    ]


def learn(fits: Sequence[Fit], prior: Prior) -> Prior:
    """What this litter teaches for the next."""
    weights = [before + FORMER_COUNT * one.log_likelihood for before, one in zip(prior.weights, fits, strict=True)]
    most = max(weights)
    return Prior(
        tuple(weight - most for weight in weights),
        tuple((one.best[1], math.hypot(one.unsure(1), LITTERS_DIFFER)) for one in fits),
    )


def draws(fits: Sequence[Fit], prior: Prior, dice: random.Random, count: int) -> list[Drawn]:
    """Ways the litter may go on, each as likely as any other."""
    logs = [before + one.log_likelihood for before, one in zip(prior.weights, fits, strict=True)]
    most = max(logs)
    chosen = dice.choices(range(len(fits)), [math.exp(each - most) for each in logs], k=count)
    found = []
    for index in chosen:
        one = fits[index]
        moved = _backward(one.root, [dice.gauss(0.0, one.scale) for _ in range(4)])
        found.append(Drawn(*SHAPES[index], one.best[0] + moved[0], one.best[1] + moved[1]))
    return found


# ---------------------------------------------------------------- one shape


def _fit(
    nights: Sequence[Aged],
    slowness: float,
    first: float,
    power: float,
    settling: float,
    settling_unsure: float,
    per_kelvin_unsure: float,
    leaks_unsure: float,
) -> Fit:
    rows: list[tuple[Four, float, float]] = []
    for night in nights:
        built, settles = built_and_settled(night.age_days, slowness, first)
        value = night.log_ppm - power * night.log_weight - built
        variance = NIGHT_UNSURE**2 + (ZERO_UNSURE_PPM * math.exp(-night.log_ppm)) ** 2
        rows.append(((1.0, settles, night.warmer_k, -night.leak_share), value, 1.0 / (variance * NEIGHBOURS_ALIKE)))
    known = (1e-6, settling_unsure**-2, per_kelvin_unsure**-2, leaks_unsure**-2)
    before = (0.0, settling, 0.0, 0.0)
    trust = [1.0] * len(rows)
    best, root = before, _root(known)
    for _ in range(3):
        best, root = _solve(rows, trust, known, before)
        odd = [abs(value - _dot(row, best)) * math.sqrt(weight * NEIGHBOURS_ALIKE) for row, value, weight in rows]
        trust = [min(1.0, ODD / max(each, 1e-9)) for each in odd]
    off = math.fsum(t * w * (value - _dot(row, best)) ** 2 for t, (row, value, w) in zip(trust, rows, strict=True))
    off += math.fsum(k * (b - p) ** 2 for k, b, p in zip(known, best, before, strict=True))
    count = len(rows) / NEIGHBOURS_ALIKE
    freedom = math.fsum(math.log(root[i][i]) for i in range(4))
    likelihood = -0.5 * (count + SCATTER_KNOWN) * math.log1p(off / SCATTER_KNOWN) - freedom - math.log(settling_unsure)
    return Fit(likelihood, best, root, math.sqrt((SCATTER_KNOWN + off) / (SCATTER_KNOWN + count)))


def _solve(
    rows: Sequence[tuple[Four, float, float]], trust: Sequence[float], known: Four, before: Four
) -> tuple[Four, tuple[Four, Four, Four, Four]]:
    """Weighted least squares with what is known beforehand."""
    square = [[known[i] if i == j else 0.0 for j in range(4)] for i in range(4)]
    right = [known[i] * before[i] for i in range(4)]
    for share, (row, value, weight) in zip(trust, rows, strict=True):
        for i in range(4):
            scaled = share * weight * row[i]
            right[i] += scaled * value
            for j in range(i + 1):
                square[i][j] += scaled * row[j]
    root = _cholesky(square)
    return _four(_backward(root, _forward(root, right))), root


def _cholesky(square: Sequence[Sequence[float]]) -> tuple[Four, Four, Four, Four]:
    """The lower root of a positive symmetric matrix whose lower half is given."""
    low = [[0.0] * 4 for _ in range(4)]
    for i in range(4):
        for j in range(i + 1):
            rest = square[i][j] - math.fsum(low[i][k] * low[j][k] for k in range(j))
            low[i][j] = math.sqrt(max(rest, 1e-12)) if i == j else rest / low[j][j]
    return _four(low[0]), _four(low[1]), _four(low[2]), _four(low[3])


def _root(known: Four) -> tuple[Four, Four, Four, Four]:
    return _cholesky([[known[i] if i == j else 0.0 for j in range(4)] for i in range(4)])


def _forward(root: Sequence[Four], right: Sequence[float]) -> list[float]:
    found: list[float] = []
    for i in range(4):
        found.append((right[i] - math.fsum(root[i][k] * found[k] for k in range(i))) / root[i][i])
    return found


def _backward(root: Sequence[Four], right: Sequence[float]) -> list[float]:
    found = [0.0] * 4
    for i in reversed(range(4)):
        found[i] = (right[i] - math.fsum(root[k][i] * found[k] for k in range(i + 1, 4))) / root[i][i]
    return found


def _dot(row: Four, best: Four) -> float:
    return row[0] * best[0] + row[1] * best[1] + row[2] * best[2] + row[3] * best[3]


def _four(values: Sequence[float]) -> Four:
    one, two, three, four = values
    return one, two, three, four
