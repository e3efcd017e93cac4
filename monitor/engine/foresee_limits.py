"""Limits ahead: heating toward heat stress within the hour, and ammonia past its limit by morning.

*Heating too fast*: a straight line through the last 20 minutes reaches the birds' hot limit within the
hour, the last ten rise no slower than half of that, and the place is already warmer than wanted: the
morning's warm-up far below the limit is no news. A rate of rise as a warning of its own: S. Kang and
others, 2020, on laying hens (value from memory); the hour and the margins are our own rule.

*Ammonia by morning*: doors shut, birds at rest, air held back against the cold: the level mostly peaks
near dawn. Foreseen is the mean of two guesses, each in ratios because levels rise and fall by factors: the
evening's level times what the last mornings made of it, and the last mornings' peak times their trend.
Raised when the peak is more likely than six to four to pass the birds' limit.

Rules of this file: pure; called on the minute grid only; small JSON memory.
"""

from __future__ import annotations

import math
from collections.abc import Container, Mapping
from functools import lru_cache
from statistics import fmean
from typing import cast

from monitor.engine.events import Json
from monitor.engine.foresee_night import local_hour
from monitor.engine.heat_shapes import end_and_slope
from monitor.engine.plan import PenPlan
from monitor.engine.specification import SI_UNIT, Measure
from monitor.engine.state import PenState, State
from monitor.engine.view import Condition, View, says_something

RISE_SAMPLES = 21
WITHIN_MIN = 60.0
LEAST_RISE_C_MIN = 0.02
EVENING_H, LATEST_H, DAWN_FROM_H, DAWN_TO_H = 18.0, 22.5, 3.0, 9.0
DAYS_KEPT = 7
LEAST_DAYS = 3
FLOOR_PPM = 2.0  # below it a cell tells nothing; ratios are taken of levels held above it
GUESSED_SPREAD = 0.30  # standard deviation of the logarithm, before a pen has errors of its own. Our own rule.
GUESS_WEIGHT = 4.0
BEYOND_SD = 0.25


# ------------------------------------------------------------------- heat rising


def watch_rise(pen: PenState, view: View) -> Mapping[str, Json]:
    """Memory with this minute's warmth; begun anew after a gap."""
    found = pen.memory.get("rise")
    kept = found if isinstance(found, dict) else {}
    if view.coolest is None:
        return pen.memory if not kept else {**pen.memory, "rise": {}}
    at, row = kept.get("at"), kept.get("row")
    before: list[Json] = row if isinstance(row, list) and isinstance(at, int | float) and view.at - at <= 90.0 else []
    values: list[Json] = [*before, round(view.coolest.value, 2)]
    return {**pen.memory, "rise": {"at": view.at, "row": values[-RISE_SAMPLES:]}}


def rising(plan: PenPlan, pen: PenState, view: View, known: Container[str] | None = None) -> Condition | None:
    """Are the birds on the way to heat stress? `known` as in `says_something`."""
    limit = plan.pen.limits.alarms.get("heat_rising")
    if limit is None:
        return None
    found = pen.memory.get("rise")
    row = found.get("row") if isinstance(found, dict) else None
    if view.warmth is None or not isinstance(row, list) or len(row) < RISE_SAMPLES:
        return Condition("heat_rising", "", False if view.warmth is None else None, limit, dict, limit.priority)
    band, age = view.warmth.band, view.warmth.age_days
    values = _numbers(row)
    warm_from = max(band.target_high_c, band.hot_c - 4.0)
    if not says_something(False, "heat_rising", known) and _ends_below(values, warm_from):
        return None
    now, slope, late = _trend(values)
    left_min = (band.hot_c - now) / slope if slope > LEAST_RISE_C_MIN else math.inf
    steady = late >= 0.5 * slope
    hot = pen.alarms.get(f"{plan.pen.name}/birds_hot")
    signal: bool | None = None
    if now >= warm_from and now < band.hot_c and left_min <= WITHIN_MIN and steady:
        signal = True
    elif slope <= 0.0 or left_min > 1.5 * WITHIN_MIN:
        signal = False
    sensor = None if view.coolest is None else view.coolest.sensor.key
    return Condition(
        "heat_rising",
        "",
        signal,
        limit,
        lambda: {
            "value": round(now, 3),
            "unit": SI_UNIT[Measure.TEMPERATURE],
            "limit": round(band.hot_c, 3),
            "sensor": sensor,
            "slope_per_min": round(slope, 4),
            "reaches_at_s": round(view.at + 60.0 * left_min, 1) if math.isfinite(left_min) else None,
            "age_days": age,
            "target_low": band.target_low_c,
            "target_high": band.target_high_c,
            "source": band.source,
            "note": "rising steadily for twenty minutes",
        },
        limit.priority,
        now,
        f"{plan.pen.name}/birds_hot" if hot is not None and hot.standing else "",
    )


_FLOAT = frozenset({float})


def _numbers(row: list[Json]) -> tuple[float, ...]:
    if _FLOAT.issuperset(map(type, row)):  # all but always
        return cast("tuple[float, ...]", tuple(row))
    return tuple(float(v) for v in row if isinstance(v, int | float))


def _ends_below(values: tuple[float, ...], level: float) -> bool:
    """Surely the line through these values ends below this level: never further above the highest than they lie apart."""
    highest = max(values)
    return highest + (highest - min(values)) < level


@lru_cache(maxsize=128)  # a pen's row is a new one each minute, and is asked at each judgement
def _trend(values: tuple[float, ...]) -> tuple[float, float, float]:
    """Where the line through these minutes ends, its slope a minute, and the slope of the last ten."""
    now, slope = end_and_slope(values, 1.0)
    return now, slope, end_and_slope(values[-11:], 1.0)[1]


# --------------------------------------------------------------- ammonia by morning


def expected_peak_ppm(evening_ppm: float, days: list[tuple[float, float]], errors: list[float]) -> tuple[float, float]:
    """Dawn's peak, ppm, and the standard deviation of its logarithm.

    Args:
        evening_ppm: this evening.
        days: (evening, dawn's peak) of the last days, oldest first; at least one.
        errors: logarithms of foreseen over found.
    """
    evening = max(evening_ppm, FLOOR_PPM)
    ratio = fmean(math.log(max(peak, FLOOR_PPM) / max(then, FLOOR_PPM)) for then, peak in days)
    peaks = [math.log(max(peak, FLOOR_PPM)) for _, peak in days[-3:]]
    trend = 0.5 * (peaks[-1] - peaks[0]) / (len(peaks) - 1) if len(peaks) > 1 else 0.0
    expected = 0.5 * (math.log(evening) + ratio) + 0.5 * (fmean(peaks) + trend)
    spread = math.sqrt((GUESS_WEIGHT * GUESSED_SPREAD**2 + sum(e * e for e in errors)) / (GUESS_WEIGHT + len(errors)))
    return math.exp(expected), spread


def watch_ammonia(pen: PenState, view: View, state: State) -> Mapping[str, Json]:
    """Memory with this minute's ammonia: the evening's level, dawn's peak, and what was foreseen."""
    hour = local_hour(state, view.at)
    if hour is None or view.ammonia is None:
        return pen.memory
    found = pen.memory.get("ammonia")
    kept: dict[str, Json] = dict(found) if isinstance(found, dict) else {}
    soft, at = _number(kept.get("soft")), _number(kept.get("at"))
    value = view.ammonia.value
    # A mean over about fifteen minutes: stirred litter is no peak.
    soft = value if soft is None or at is None or view.at - at > 1800.0 else soft + (value - soft) / 15.0
    kept["soft"], kept["at"] = round(soft, 3), view.at
    if DAWN_FROM_H <= hour < DAWN_TO_H:
        peak = _number(kept.get("peak"))
        kept["peak"] = round(soft if peak is None else max(peak, soft), 3)
    elif hour >= DAWN_TO_H and kept.get("peak") is not None:
        _close(kept)
    if EVENING_H <= hour < LATEST_H:
        kept["evening"] = kept["soft"]
        days = _days(kept)
        if len(days) >= LEAST_DAYS:
            peak_ppm, spread = expected_peak_ppm(soft, days, _errors(kept))
            kept["foreseen"] = [round(peak_ppm, 2), round(spread, 3)]
    return {**pen.memory, "ammonia": kept}


def _close(kept: dict[str, Json]) -> None:
    """After dawn: the day joins the last days, and the foresight has an error."""
    peak, evening, foreseen = _number(kept.get("peak")), _number(kept.get("evening")), kept.get("foreseen")
    if peak is not None and evening is not None:
        row: list[Json] = [[then, top] for then, top in _days(kept)]
        row.append([evening, peak])
        kept["days"] = row[-DAYS_KEPT:]
        if isinstance(foreseen, list) and (told := _number(foreseen[0])) is not None:
            errors: list[Json] = [*_errors(kept), round(math.log(max(told, FLOOR_PPM) / max(peak, FLOOR_PPM)), 3)]
            kept["errors"] = errors[-20:]
    kept["peak"] = kept["evening"] = kept["foreseen"] = None


def ammonia_by_morning(plan: PenPlan, pen: PenState, view: View) -> Condition | None:
    """Will ammonia pass the birds' limit before morning?"""
    limit = plan.pen.limits.alarms.get("ammonia_by_morning")
    if limit is None or not plan.ammonia:
        return None
    found = pen.memory.get("ammonia")
    foreseen = found.get("foreseen") if isinstance(found, dict) else None
    if view.warmth is None or not isinstance(foreseen, list) or len(foreseen) != 2:
        return Condition("ammonia_by_morning", "", False, limit, dict, limit.priority)
    peak, spread = _number(foreseen[0]) or 0.0, _number(foreseen[1]) or GUESSED_SPREAD
    signal = None
    if peak * math.exp(-BEYOND_SD * spread) >= limit.on:
        signal = True
    elif peak <= limit.off:
        signal = False
    now = None if view.ammonia is None else view.ammonia
    over = pen.alarms.get(f"{plan.pen.name}/ammonia_birds")
    return Condition(
        "ammonia_by_morning",
        "",
        signal,
        limit,
        lambda: {
            "value": None if now is None else round(now.value, 2),
            "unit": SI_UNIT[Measure.AMMONIA],
            "limit": limit.on,
            "clears_at": limit.off,
            "reaches": round(peak, 1),
            "from": round(peak * math.exp(-1.645 * spread), 1),
            "to": round(peak * math.exp(1.645 * spread), 1),
            "sensor": None if now is None else now.sensor.key,
            "source": limit.source,
            "note": f"peak near dawn, foreseen from the last {len(_days(found)) if isinstance(found, dict) else 0} mornings; "
            "nine in ten lie between the two ends given",
        },
        limit.priority,
        peak,
        f"{plan.pen.name}/ammonia_birds" if over is not None and over.standing else "",
    )


def _days(kept: Mapping[str, Json]) -> list[tuple[float, float]]:
    found = kept.get("days")
    out = []
    for day in found if isinstance(found, list) else []:
        if isinstance(day, list) and len(day) == 2:
            then, peak = _number(day[0]), _number(day[1])
            if then is not None and peak is not None:
                out.append((then, peak))
    return out


def _errors(kept: Mapping[str, Json]) -> list[float]:
    found = kept.get("errors")
    return [float(e) for e in found if isinstance(e, int | float)] if isinstance(found, list) else []


def _number(value: Json) -> float | None:
    return float(value) if isinstance(value, int | float) else None
