"""How often the fan changes the air, told from how fast a gas fades once it runs.

With a source still giving off, the room fades from C0 towards a level it settles at, Css, not towards 0:

    C(t) = Css + (C0 − Css) · exp(−N·t)

All three are fitted together, with the sensor's own lag on top (`fading`); Css free also absorbs a
sensor's zero error. A lag taken as 0 that is not reads N too low: at 10 changes an hour and 60 s by about
a sixth. A lag left open widens the interval instead, which then covers the truth in 93 to 98 of 100
decays; but where such records are mostly too uncertain, the few that look sure enough to be told are those
that chance has flattered, and up to four in ten of them are wrong. So set the lag.
Do not fit a straight line through logarithms with Css taken as 0: it reads 16 to 43 % low when the source
goes on.

Rules of this file: one well-mixed room; the fan runs steadily throughout; any gas will do whose source is
steady meanwhile. Litter and walls that take moisture up or give it back add to N when humidity is the gas,
and ammonia set free from wet surfaces does likewise: both read high, never low. Noise that drifts for
minutes makes the interval too narrow: at a likeness of 0.6 from one reading to the next it covers the
truth in 86 to 90 of 100 decays.

Sources
    [1] ASTM E741, tracer gas dilution: concentration decay, single zone; the answer holds for the
        conditions of the test only.
    [2] ISO 12569, specific airflow rate in buildings by tracer gas dilution: uncertainty must be stated.
    [3] D. M. Bates, D. G. Watts, Nonlinear Regression Analysis and Its Applications (1988).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

from monitor.air import profile
from monitor.air.fading import POSSIBLE_LAGS_S, Decay, Fading

__all__ = ["FOR_AMMONIA_PPM", "FOR_ANY_GAS", "AirChanges", "Decay", "Demands", "air_changes", "pool"]

LEAST_READINGS = 8
LEAST_SIGNAL = 5.0  # fall over noise below which a decay cannot be told from none
SUSPECT_LAGS_S = (30.0, 60.0, 120.0)
SUSPECT_GAIN = 9.0  # fall of the sum of squares, in noise variances, that chance gives in about 1 of 400


@dataclass(frozen=True, slots=True)
class Demands:
    """What a decay must offer before its figure is told.

    Attributes:
        half_width: largest half width of the 95 % interval, as a share of the figure.
        time_constants: least N·T, the record's length in the room's own time constants. Two is the trade-off
            with Css free; E741's own guidance on duration comes to about one (value from memory).
        start: least starting level, in the readings' unit; None for any.
        ratio: least start-to-end ratio above outside; None for any.
        decays: least number of decays in a pool.
    """

    half_width: float = 0.15
    time_constants: float = 2.0
    start: float | None = None
    ratio: float | None = None
    decays: int = 3


FOR_ANY_GAS = Demands()
# An electrochemical ammonia cell in a barn is good for about ±3 ppm: less than 20 ppm to fall from is not enough.
FOR_AMMONIA_PPM = Demands(start=20.0, ratio=3.0)


@dataclass(frozen=True, slots=True)
class AirChanges:
    """Air changes per hour, or why they cannot be told.

    Attributes:
        per_hour: the figure; None when `reason` says why it cannot be told.
        low, high: 95 % interval, also when the figure is withheld; None when nothing could be fitted.
        reason: in words; empty when the figure stands.
        fitted_per_hour: best fit even when withheld, for pictures and pooling; None when nothing was fitted.
        starts_at, settles_at: C0 and Css, of the first decay in a pool.
        noise: standard deviation of the readings about the fit, same.
        decays: how many records stand behind the figure.
        warning: what may bias a figure that is told; empty when nothing known does.
    """

    per_hour: float | None
    low: float | None
    high: float | None
    reason: str
    fitted_per_hour: float | None = None
    starts_at: float | None = None
    settles_at: float | None = None
    noise: float | None = None
    decays: int = 1
    warning: str = ""


def air_changes(
    times_s: Sequence[float],
    values: Sequence[float],
    outside: float | None = None,
    lag_s: float | None = None,
    demands: Demands = FOR_ANY_GAS,
    started_s: float | None = None,
) -> AirChanges:
    """Air changes per hour from one decay.

    Args:
        times_s, values, outside, lag_s, started_s: as in `Decay`.
        demands: what is asked before the figure is told; `FOR_AMMONIA_PPM` for ammonia in ppm.

    Returns:
        The figure with its 95 % interval, or the reason why it cannot be told.

    Raises:
        ValueError: times and values differ in number, times do not rise, or a number is not finite.
        OutOfRange: the lag lies outside its range.
    """
    decay = Decay(times_s, values, outside, lag_s, started_s)
    if len(values) < LEAST_READINGS:
        return AirChanges(None, None, None, f"too few readings: {len(values)}, at least {LEAST_READINGS} are needed")
    if max(values) == min(values):
        return AirChanges(None, None, None, "too flat: every reading is the same")
    fit = Fading(decay)
    inflation = profile.likeness_inflation(fit.residuals)
    margin = profile.student_975(fit.freedom) ** 2 * fit.variance * inflation
    low, high = profile.interval(fit.loss, fit.rate_s, fit.least + margin, fit.lowest_s, fit.highest_s)
    half_width = 0.5 * (high - low) / fit.rate_s
    rate_h, low_h, high_h = fit.rate_s * 3600.0, low * 3600.0, high * 3600.0
    reason = _why_no_decay(fit, demands) or _why_not_told([fit], rate_h, half_width, demands)
    if not reason:
        reason = _why_lag_is_suspected([fit], [1.0 / fit.variance], fit.least / fit.variance, 1.0)
    return AirChanges(
        per_hour=None if reason else rate_h,
        low=low_h,
        high=high_h,
        reason=reason,
        fitted_per_hour=rate_h,
        starts_at=fit.starts_at,
        settles_at=fit.settles_at,
        noise=math.sqrt(fit.variance),
        warning=_warning(fit),
    )


def pool(decays: Sequence[Decay], demands: Demands = FOR_ANY_GAS) -> AirChanges:
    """Air changes per hour from several decays at the same fan setting, fitted together.

    One N for all, its own start and settling level for each, each weighted by its own noise: so decays of
    different gases can stand in one pool. Those whose lag is not known are taken for records of one sensor
    and share one lag. Records in which nothing fades are left out. When the decays scatter more than their
    noise explains (wind, doors), the interval widens by as much.

    Args:
        decays: the records.
        demands: as in `air_changes`; of N·T half is enough, for the decays help one another.

    Returns:
        As `air_changes`; `decays` says how many were used.

    Raises:
        As `Decay`.
    """
    usable = [d for d in decays if len(d.values) >= LEAST_READINGS and max(d.values) > min(d.values)]
    fits = [fit for fit in map(Fading, usable) if not _why_no_decay(fit, demands)]
    if len(fits) < demands.decays:
        return AirChanges(
            None, None, None, f"too few decays: {len(fits)} usable of {len(decays)}, {demands.decays} needed", decays=len(fits)
        )
    lowest, highest = min(f.lowest_s for f in fits), max(f.highest_s for f in fits)
    weights = [1.0 / (f.variance * profile.likeness_inflation(f.residuals)) for f in fits]

    loss = partial(_pooled_loss, fits, weights, 0.0)
    rate_s = profile.best(loss, lowest, highest)
    least = loss(rate_s)
    scatter = least - sum(w * f.least for w, f in zip(weights, fits, strict=True))
    allowed = profile.chi_square_95(len(fits) - 1) if len(fits) > 1 else math.inf
    widening = scatter / (len(fits) - 1) if scatter > allowed else 1.0
    t = profile.student_975(sum(f.freedom for f in fits))
    margin = t * t * widening
    low, high = profile.interval(loss, rate_s, least + margin, lowest, highest)
    half_width = 0.5 * (high - low) / rate_s
    rate_h, low_h, high_h = rate_s * 3600.0, low * 3600.0, high * 3600.0
    eased = Demands(demands.half_width, 0.5 * demands.time_constants)
    reason = _why_not_told(fits, rate_h, half_width, eased)
    if not reason:
        reason = _why_lag_is_suspected(fits, weights, least, widening)
    warnings = [w for w in map(_warning, fits) if w][:1]
    if widening > 1.0:
        warnings.append(f"the decays scatter {math.sqrt(widening):.1f} times more than their noise: wind, doors or another speed")
    return AirChanges(
        per_hour=None if reason else rate_h,
        low=low_h,
        high=high_h,
        reason=reason,
        fitted_per_hour=rate_h,
        starts_at=fits[0].levels(rate_s)[0],
        settles_at=fits[0].levels(rate_s)[1],
        noise=math.sqrt(fits[0].variance),
        decays=len(fits),
        warning="; ".join(warnings),
    )


def _pooled_loss(fits: Sequence[Fading], weights: Sequence[float], extra_lag_s: float, rate_s: float) -> float:
    """Weighted sum of squares of all decays at one N; those of unknown lag share the one that fits them best."""
    known = sum(w * f.loss_at(rate_s, f.lags_s[0] + extra_lag_s) for w, f in zip(weights, fits, strict=True) if f.lag_is_known)
    unknown = [(w, f) for w, f in zip(weights, fits, strict=True) if not f.lag_is_known]
    return known + (min(sum(w * f.loss_at(rate_s, lag) for w, f in unknown) for lag in POSSIBLE_LAGS_S) if unknown else 0.0)


def _why_lag_is_suspected(fits: Sequence[Fading], weights: Sequence[float], least: float, unit: float) -> str:
    """Reason why the sensors seem to lag more than was set; empty when the readings do not ask for it."""
    if not any(fit.lag_is_known for fit in fits):
        return ""
    lowest, highest = min(f.lowest_s for f in fits), max(f.highest_s for f in fits)
    gain, suspect = SUSPECT_GAIN * unit, 0.0
    for extra in SUSPECT_LAGS_S:
        lagging = partial(_pooled_loss, fits, weights, extra)
        better = least - lagging(profile.best(lagging, lowest, highest, trials=24))
        if better > gain:
            gain, suspect = better, extra
    if not suspect:
        return ""
    return f"the readings bend like a sensor that lags about {suspect:.0f} s more than set: set its lag"


def _why_no_decay(fit: Fading, demands: Demands) -> str:
    """Reason why this record is no decay at all; empty when it is one."""
    noise = math.sqrt(fit.variance)
    drop = fit.starts_at - fit.settles_at
    if drop <= 0.0:
        return "not decaying: the readings do not fall towards a level"
    if demands.start is not None and fit.starts_at < demands.start:
        return f"start too low: {fit.starts_at:.3g}, at least {demands.start:.3g} is needed"
    if fit.outside is not None and fit.starts_at - fit.outside < LEAST_SIGNAL * noise:
        return f"outside too close: starts at {fit.starts_at:.3g}, outside {fit.outside:.3g}, noise {noise:.2g}"
    shape = fit.shape(fit.rate_s, fit.lag_at(fit.rate_s))
    if drop * (shape[0] - shape[-1]) < LEAST_SIGNAL * noise:
        return f"too flat: it falls by {drop * (shape[0] - shape[-1]):.3g} with noise of {noise:.2g}"
    background = fit.outside or 0.0
    end = fit.settles_at + drop * shape[-1]
    if demands.ratio is not None and fit.starts_at - background < demands.ratio * (end - background):
        return f"falls too little: from {fit.starts_at:.3g} to {end:.3g}, {demands.ratio:g} to 1 is needed"
    return ""


def _why_not_told(fits: Sequence[Fading], rate_h: float, half_width: float, demands: Demands) -> str:
    """Reason why this figure is too uncertain to tell; empty when it is not."""
    duration_s = sum(f.duration_s for f in fits) / len(fits)
    if rate_h * duration_s / 3600.0 < demands.time_constants:
        needed_min = demands.time_constants / rate_h * 60.0
        return f"too short: {duration_s / 60.0:.0f} min at about {rate_h:.2g} changes an hour; {needed_min:.0f} min are needed"
    if half_width > demands.half_width:
        width = "without bound" if math.isinf(half_width) else f"±{100.0 * half_width:.0f} %"
        asked = "" if all(f.lag_is_known for f in fits) else "; setting the sensor's lag would help"
        return f"too uncertain: {width}, at most ±{100.0 * demands.half_width:.0f} % is told{asked}"
    return ""


def _warning(fit: Fading) -> str:
    if fit.lags_s == (0.0,):
        return "the sensor counts as without lag: if it lags 60 s, 10 changes an hour read a sixth too low"
    if not fit.lag_is_known:
        fast = " and the air changes fast" if fit.rate_s > 0.8 / POSSIBLE_LAGS_S[-1] else ""
        return f"the sensor's lag is not known{fast}: the readings had to tell it; set it to be sure"
    drop = fit.starts_at - fit.settles_at
    if fit.outside is not None and fit.settles_at < fit.outside - max(3.0 * math.sqrt(fit.variance), 0.1 * drop):
        return f"settles at {fit.settles_at:.3g}, below the outside's {fit.outside:.3g}: check both sensors"
    return ""
