"""The curves that `foresee_heat` tells apart, and how well each fits.

Losses are half the sum of squares over the variance of a sample: differences of them are log-likelihoods.
Rules of this file: pure; minutes; curves hang on the last sample, so that each is worked out once and kept.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import product
from operator import mul
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from monitor.engine.heat_gas import Witness

TAUS_MIN = tuple(12.0 * (90.0 / 12.0) ** (i / 11.0) for i in range(12))
# Before anything is learned: a lamp or plate over litter answers in 20 to 60 minutes. Our own rule.
PRIOR = tuple(-0.5 * ((math.log(t) - math.log(34.0)) / 0.45) ** 2 for t in TAUS_MIN)
FORGET = 0.98  # of what earlier changes said, at each new one
USUAL_SPREAD_C = 0.3  # of the lift from hour to hour about its mean
ELSEWHERE = 3.0  # what speaks against its settling to another lift
TAU_DOUBT = 3.0  # a τ that so much speaks against is out of the question
LEAST_VARIANCE = 0.005  # °C²: drift and rounding that the scatter does not show
LIKENESS = 2.0  # neighbouring samples resemble one another: each counts for half
STRAY_RECORD = 0.6  # loss for each minute of a record above which no τ explains it; noise alone makes a quarter
LAG_MIN = 0.75  # of a usual thermometer in air; its own first-order lag. Common practice.
DOOR_LAGS_MIN = (0.5, 1.25)  # of small and of wrapped thermometers in air: a door may be seen through either. Common practice.
DEAD_SINCE_MIN = (2.5, 3.0, 3.5, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.5, 12.5)
DOOR_SINCE_MIN = (1.0, 2.0, 2.5, 3.0, 3.5, 4.0, 4.5, 5.0, 5.5, 6.0, 7.0, 8.0, 9.0, 10.0)
DOOR_OPEN_MIN = (1.0, 2.0, 3.0)
PAST_OPEN_MIN = (0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0)
SURE_DOOR = 10.0  # log-likelihood by which something must have been a door to be learned from
CYCLE_DOOR_SINCE_MIN = (0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 5.0, 6.0)
CYCLE_TAUS = (0.75, 0.87, 1.0, 1.15, 1.3)
LATE_FALL_MIN = 7.0  # a fall in two parts is judged by its last: the longest door, and as long again to see it over
WORST_FIT = 1.0  # loss for each sample above which a curve is no falling source at all


@dataclass(frozen=True, slots=True)
class Curve:
    """The lift of the last minutes, with what is known of its noise and of the pen's time constant."""

    values: Sequence[float]
    step_min: float
    variance: float
    tau_min: float
    taus: Sequence[tuple[float, float]]  # every τ that may be, and what speaks against it
    witness: Witness | None = None  # what the gas in the air says of a door


def end_and_slope(values: Sequence[float], step_min: float) -> tuple[float, float]:
    """Straight line through evenly spaced values: its height at the last, and its slope a minute."""
    n = len(values)
    middle, mean = (n - 1) / 2.0, sum(values) / n
    slope = sum(map(mul, range(1 - n, n, 2), values)) / (n * (n * n - 1) / 6.0)  # twice the distance from the middle
    return mean + slope * middle, slope / step_min


def scatter_about_line(values: Sequence[float]) -> float:
    """Variance about the straight line through evenly spaced values, three or more."""
    end, slope = end_and_slope(values, 1.0)
    n = len(values)
    return sum((v - end - slope * (i - n + 1)) ** 2 for i, v in enumerate(values)) / (n - 2)


def smooth(values: Sequence[float], reach: int) -> list[float]:
    """Each value replaced by the mean of its neighbours, `reach` to each side or as far as there are as many on both."""
    n, whole = len(values), 2 * reach + 1
    if n < whole:
        return smooth(values, (n - 1) // 2) if n else []
    inner = [sum(values[i : i + whole]) / whole for i in range(n - whole + 1)]
    first = [sum(values[:odd]) / odd for odd in range(1, whole, 2)]
    last = [sum(values[n - odd :]) / odd for odd in range(whole - 2, 0, -2)]
    return first + inner + last


def posterior(likelihood: Sequence[float]) -> tuple[float, float, float]:
    """τ, minutes: two standard deviations below, the mean of its logarithm, one above."""
    return _posterior(tuple(likelihood))


@lru_cache(maxsize=64)  # asked at each sample, and learned from only after a sudden change
def _posterior(likelihood: tuple[float, ...]) -> tuple[float, float, float]:
    row = likelihood if len(likelihood) == len(TAUS_MIN) else PRIOR
    top = max(row)
    weights = [math.exp(x - top) for x in row]
    total = sum(weights)
    logs = [math.log(t) for t in TAUS_MIN]
    mean = sum(w * x for w, x in zip(weights, logs, strict=True)) / total
    spread = math.sqrt(max(0.0, sum(w * (x - mean) ** 2 for w, x in zip(weights, logs, strict=True)) / total))
    return math.exp(mean - 2.0 * spread), math.exp(mean), math.exp(mean + spread)


def likely(likelihood: Sequence[float]) -> list[tuple[float, float]]:
    """Each τ that may be, minutes, with what speaks against it, 0 for the likeliest."""
    row = likelihood if len(likelihood) == len(TAUS_MIN) else PRIOR
    top = max(row)
    return [(tau, top - x) for tau, x in zip(TAUS_MIN, row, strict=True) if top - x < TAU_DOUBT]


def recovery_gain(
    likelihood: Sequence[float], record: Sequence[float], variance: float, usual_c: float | None = None
) -> list[float]:
    """Add what one record of settling, one value a minute, says of each τ.

    Args:
        likelihood: of each of TAUS_MIN until now; empty before anything was learned.
        record: lift, °C, one value a minute.
        variance: of a sample, °C².
        usual_c: the lift it most likely settles to; it may settle elsewhere, for then the lamp was moved.
    """
    row = list(likelihood) if len(likelihood) == len(TAUS_MIN) else list(PRIOR)
    n, total, squares = len(record), sum(record), sum(v * v for v in record)
    # a record's value is the mean of two samples
    noise = 2.0 * LIKENESS * (0.5 * variance + LEAST_VARIANCE)
    pull = 0.0 if usual_c is None else noise / (2.0 * USUAL_SPREAD_C**2)
    aim = usual_c or 0.0
    losses = []
    for tau in TAUS_MIN:
        kept = math.exp(-1.0 / tau)
        fading = [kept**i for i in range(n)]
        ff, f = sum(x * x for x in fading), sum(fading)
        fy = sum(x * y for x, y in zip(fading, record, strict=True))
        free = _settling(n, total, squares, ff, f, fy) / noise
        to_usual = _settling(n + pull, total + pull * aim, squares + pull * aim * aim, ff, f, fy) / noise
        losses.append(min(free + ELSEWHERE, to_usual))
    if min(losses) > STRAY_RECORD * n:
        return row  # another door, or the lamp moved meanwhile
    row = [old * FORGET + prior * (1.0 - FORGET) - loss for old, prior, loss in zip(row, PRIOR, losses, strict=True)]
    top = max(row)
    return [round(max(x - top, -60.0), 4) for x in row]


def _settling(n: float, total: float, squares: float, ff: float, f: float, fy: float) -> float:
    """Sum of squares about the best level and fading rise."""
    rise = (n * fy - f * total) / (n * ff - f * f)
    level = (total - rise * f) / n
    return max(0.0, squares - level * total - rise * fy)


@lru_cache(maxsize=2048)
def _dead_shape(count: int, step_min: float, since_min: float, tau_min: float) -> tuple[tuple[float, ...], float]:
    """A source dead since then, seen by a thermometer with its lag: 1 before, falling to 0."""
    out = []
    for i in range(count):
        t = (i - count + 1) * step_min + since_min
        fallen = tau_min * math.exp(-t / tau_min) - LAG_MIN * math.exp(-t / LAG_MIN) if t > 0.0 else 0.0
        out.append(1.0 if t <= 0.0 else fallen / (tau_min - LAG_MIN))
    return tuple(out), sum(x * x for x in out)


@lru_cache(maxsize=4096)
def door_shape(
    count: int, step_min: float, since_min: float, open_min: float, tau_min: float, lag_min: float
) -> tuple[tuple[float, ...], float, float]:
    """A door open for so long since then: 0 before, a straight fall to 1, back with τ; seen with a lag."""
    fine = 0.05
    share = 1.0 - math.exp(-fine / lag_min) if lag_min > 0.0 else 1.0
    seen, track = 0.0, [0.0]
    for k in range(1, round(since_min / fine) + 1):
        t = k * fine
        true = t / open_min if t < open_min else math.exp(-(t - open_min) / tau_min)
        seen += (true - seen) * share
        track.append(seen)
    out = []
    for i in range(count):
        t = (i - count + 1) * step_min + since_min
        out.append(0.0 if t <= 0.0 else track[min(len(track) - 1, round(t / fine))])
    return tuple(out), sum(out), sum(x * x for x in out)


def best_dead(curve: Curve) -> float:
    """Loss of the best *dead source*: the moment, τ as far as it is known, and the level before are free."""
    y = curve.values
    noise = 2.0 * (curve.variance + LEAST_VARIANCE)
    squares, best = sum(v * v for v in y), math.inf
    for tau, unlikely in curve.taus:
        for since in DEAD_SINCE_MIN:
            shape, ss = _dead_shape(len(y), curve.step_min, since, tau)
            fit = sum(map(mul, shape, y))
            best = min(best, (squares - fit * fit / ss) / noise + unlikely)
    return best


def best_door(curve: Curve) -> float:
    """Loss of the best *door, or nothing*: the moment, how long, how much and the level before are free; the gas has its say."""
    y = curve.values
    n, total, squares = len(y), sum(y), sum(v * v for v in y)
    noise = 2.0 * (curve.variance + LEAST_VARIANCE)
    best = (squares - total * total / n) / noise
    tau = float(round(curve.tau_min))
    for since, open_min, lag in product(DOOR_SINCE_MIN, DOOR_OPEN_MIN, DOOR_LAGS_MIN):
        shape, s, ss = door_shape(n, curve.step_min, since, open_min, tau, lag)
        fit = sum(map(mul, shape, y))
        determinant = n * ss - s * s
        if determinant < 1e-9:
            continue
        dip = (s * total - n * fit) / determinant
        if dip > 0.0:
            loss = (squares - (total + dip * s) / n * total + dip * fit) / noise
            best = min(best, loss + _gas_against(curve, since, open_min, dip))
    return best


def _gas_against(curve: Curve, since_min: float, open_min: float, dip_c: float) -> float:
    return 0.0 if curve.witness is None else curve.witness.against(since_min, open_min, dip_c)


def past_door(curve: Curve) -> tuple[float, float, float] | None:
    """A door that was opened and shut within this curve: how long ago, how long it was open, minutes, and what it cost, °C.

    None when nothing sudden explains the curve better than a level by SURE_DOOR.
    """
    y = curve.values
    n, total, squares = len(y), sum(y), sum(v * v for v in y)
    flat = best = squares - total * total / n
    found: tuple[float, float, float] | None = None
    tau = float(round(curve.tau_min))
    for half, open_min in product(range(4, round(2.0 * n * curve.step_min)), PAST_OPEN_MIN):
        since = 0.5 * half
        if since <= open_min:
            continue
        shape, s, ss = door_shape(n, curve.step_min, since, open_min, tau, LAG_MIN)
        fit = sum(map(mul, shape, y))
        determinant = n * ss - s * s
        if determinant < 1e-9:
            continue
        dip = (s * total - n * fit) / determinant
        loss = squares - (total + dip * s) / n * total + dip * fit
        if dip > 0.0 and loss < best:
            best, found = loss, (since, open_min, dip)
    return found if flat - best > SURE_DOOR * 2.0 * (curve.variance + LEAST_VARIANCE) else None


@lru_cache(maxsize=256)
def seen_swing(rest_min: float, run_min: float, smooth_min: float = 1.5) -> float:
    """Part of a thermostat's swing that is left in a mean over smooth_min behind a thermometer's lag, 0 to 1.

    Args:
        rest_min, run_min: how long the warmth falls and rises in each cycle.
    """
    fine = 0.05
    rest, run, width = (max(1, round(t / fine)) for t in (rest_min, run_min, smooth_min))
    share = 1.0 - math.exp(-fine / LAG_MIN)
    true, seen, track = 0.0, 0.5, []
    for k in range(4 * (rest + run)):
        true += 1.0 / run if k % (rest + run) < run else -1.0 / rest
        seen += (true - seen) * share
        track.append(seen)
    sums = [0.0]
    for value in track:
        sums.append(sums[-1] + value)
    last = range(len(track) - (rest + run), len(track))
    means = [(sums[k + 1] - sums[max(0, k + 1 - width)]) / width for k in last]
    return max(0.1, max(means) - min(means))


def _rest(curve: Curve, count: int, tau_min: float) -> float:
    """Sum of squares of the last samples about the best fall with no heat; the height and τ within a third are free."""
    y = curve.values[-count:]
    squares, best = sum(v * v for v in y), math.inf
    for scale in CYCLE_TAUS:
        shape = [math.exp((count - 1 - i) * curve.step_min / (tau_min * scale)) for i in range(count)]
        fit = sum(map(mul, shape, y))
        best = min(best, squares - fit * fit / sum(a * a for a in shape))
    return best


def cycle_gain(curve: Curve, tau_min: float, since_peak_min: float, on_for_min: Sequence[float], capacity_c: float) -> float:
    """By how much *dead* explains a fall below the turning point better than *on since then, and a door*.

    Args:
        curve: the lift of the last minutes.
        tau_min: the pen's time constant.
        since_peak_min: since it began to fall.
        on_for_min: how long a sound source may have been on again: the best of them counts.
        capacity_c: lift the source would reach if it stayed on.

    Returns:
        The gain in log-likelihood; minus infinity when the fall is no falling source at all.
    """
    count = min(len(curve.values), int((since_peak_min - 1.5) / curve.step_min))
    if count < 4.0 / curve.step_min:
        return -math.inf
    noise = 2.0 * (curve.variance + LEAST_VARIANCE)
    dead = _rest(curve, count, tau_min)
    if dead / noise > WORST_FIT * count:
        # a source that dies just after it came on falls in two parts: the second must do
        count = min(count, round(LATE_FALL_MIN / curve.step_min))
        dead = _rest(curve, count, tau_min)
        if dead / noise > WORST_FIT * count:
            return -math.inf
    y = curve.values[-count:]
    times = [(i - count + 1) * curve.step_min for i in range(count)]
    decay = [math.exp(-t / tau_min) for t in times]
    dd = sum(a * a for a in decay)
    on_again = math.inf
    for on_for in on_for_min:
        left = [
            v - capacity_c * (1.0 - math.exp(-(t + on_for) / tau_min)) if t > -on_for else v
            for t, v in zip(times, y, strict=True)
        ]
        squares, dl = sum(v * v for v in left), sum(a * b for a, b in zip(decay, left, strict=True))
        on_again = min(on_again, squares - dl * dl / dd)
        for since in CYCLE_DOOR_SINCE_MIN:
            for open_min in DOOR_OPEN_MIN:
                shape_, _, ss = door_shape(count, curve.step_min, since, open_min, float(round(tau_min)), 0.0)
                ds = sum(a * b for a, b in zip(decay, shape_, strict=True))
                fit = sum(a * b for a, b in zip(shape_, left, strict=True))
                determinant = dd * ss - ds * ds
                if determinant < 1e-9:
                    continue
                dip = (ds * dl - dd * fit) / determinant
                if dip > 0.0:
                    level = (dl + dip * ds) / dd
                    said = noise * _gas_against(curve, since, open_min, dip)
                    on_again = min(on_again, squares - level * dl + dip * fit + said)
    return (on_again - dead) / noise
