"""Too cold by morning: tonight's low at bird level, told in the evening while the keeper is awake.

A pen loses overnight a share of what it stands above the coming outside low (`monitor.air.overnight`). The
share, and how far outside falls, come from the last seven nights. Outside falls towards its dew point and
seldom far beyond, for then dew and fog give heat back: with an outside hygrometer the fall is learned as a
share of evening temperature less dew point, without one as the mean fall. A forecast of the outside low
that the keeper has published is mixed with the pen's own by their errors.

The interval is 1.5 standard deviations to each side, from the errors of the pen's own last forecasts,
begun with a guess. Measured at 21:00 on seasons of recorded weather (tests/published/test_night_low.py), mean error
over that of "as last night": 0.36 to 0.41 with a hygrometer outside, 0.27 to 0.37 with a forecast that errs by 1.5 °C.

Rules of this file: pure; local time from the engine's calendar, nothing without one; the evening is looked
at four times, 18, 20, 21 and 22 o'clock, each against the same hour of the nights before; the night
is 21:00 to 08:00.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from statistics import fmean

from monitor.air import psychrometrics
from monitor.air.overnight import Night, decrement_ratio
from monitor.engine.events import Json
from monitor.engine.plan import PenPlan
from monitor.engine.specification import SI_UNIT, Measure, Priority
from monitor.engine.state import Health, PenState, State
from monitor.engine.view import Condition, View

HOURS = (18, 20, 21, 22)
NIGHT_FROM_H, NIGHT_TO_H = 21.0, 8.0
NIGHTS_KEPT = 7
LEAST_NIGHTS = 3
ERRORS_KEPT = 20
# Before a pen has errors of its own: °C at one standard deviation, and how many nights that guess counts for.
GUESSED_SD_C, GUESS_WEIGHT = 1.2, 2.0
FORECAST_SD_C = 1.5  # of a public forecast of the night's low (value from memory)
OWN_OUTSIDE_SD_C = 2.4  # of the outside low from own readings, measured on the winter named above
DEW_SHARE, DEW_WEIGHT = 0.8, 36.0  # guessed share of the way to the dew point, and its weight in K²
BEYOND_SD = 0.25  # raised when the low is more likely than six to four to pass the limit
CLEAR_K = 0.5
# Nine errors in ten lie within so many of their root mean square: fewer than 1.645, for a few nights go far astray. Measured.
NINE_IN_TEN = 1.5


@dataclass(frozen=True, slots=True)
class Evening:
    """What is known at one hour of an evening, °C; outside and its dew point may be unknown."""

    inside_c: float
    outside_c: float | None = None
    dew_c: float | None = None


@dataclass(frozen=True, slots=True)
class PastNight:
    """A night that has passed, with its evening at the same hour."""

    evening: Evening
    low_c: float
    outside_low_c: float | None


@dataclass(frozen=True, slots=True)
class Outlook:
    """Tonight's low at bird level.

    Attributes:
        low_c: most likely low between 21:00 and 08:00, °C.
        from_c, to_c: nine nights in ten fall between these.
        outside_low_c: expected outside, °C; None when outside is not measured.
        hour: of the evening at which it was told, local.
        made_at: that moment, elapsed s.
        nights: behind it.
    """

    low_c: float
    from_c: float
    to_c: float
    outside_low_c: float | None
    hour: int
    made_at: float
    nights: int

    @property
    def sd_c(self) -> float:
        return (self.to_c - self.from_c) / (2.0 * NINE_IN_TEN)


def expected_low_c(
    evening: Evening, nights: list[PastNight], forecast_outside_c: float | None = None
) -> tuple[float, float | None]:
    """Tonight's low at bird level and the outside low behind it, °C; from at least one night.

    Args:
        evening: this evening.
        nights: the last ones, seven at best, with their evenings at the same hour.
        forecast_outside_c: the outside low that a forecast promises.
    """
    falls = [n for n in nights if n.outside_low_c is not None and n.evening.outside_c is not None]
    if evening.outside_c is None or not falls:
        return evening.inside_c - fmean(n.evening.inside_c - n.low_c for n in nights), None
    outside = evening.outside_c - _fall(evening, falls)
    if forecast_outside_c is not None:
        own, theirs = OWN_OUTSIDE_SD_C**-2, FORECAST_SD_C**-2
        outside = (own * outside + theirs * forecast_outside_c) / (own + theirs)
    ratio = decrement_ratio([Night(n.evening.inside_c, n.low_c, n.outside_low_c) for n in falls if n.outside_low_c is not None])
    if ratio is None:
        return evening.inside_c - fmean(n.evening.inside_c - n.low_c for n in nights), outside
    return evening.inside_c - ratio * (evening.inside_c - outside), outside


def _fall(evening: Evening, nights: list[PastNight]) -> float:
    """How far outside falls from this hour to its low, K."""
    square, product = DEW_WEIGHT, DEW_WEIGHT * DEW_SHARE
    known = 0
    for night in nights:
        then = night.evening
        if then.outside_c is not None and then.dew_c is not None and night.outside_low_c is not None:
            gap = then.outside_c - then.dew_c
            square += gap * gap
            product += (then.outside_c - night.outside_low_c) * gap
            known += 1
    if evening.dew_c is not None and evening.outside_c is not None and known:
        return product / square * (evening.outside_c - evening.dew_c)
    pairs = [(n.evening.outside_c, n.outside_low_c) for n in nights]
    return fmean(then - low for then, low in pairs if then is not None and low is not None)


def spread_c(errors: list[float]) -> float:
    """Standard deviation of a forecast, °C, from the last errors and the first guess."""
    return math.sqrt((GUESS_WEIGHT * GUESSED_SD_C**2 + sum(e * e for e in errors)) / (GUESS_WEIGHT + len(errors)))


# ------------------------------------------------------------------ in the engine


def tonight(memory: Mapping[str, Json]) -> Outlook | None:
    """The outlook that stands, for page and report; None before the first evening or after the morning."""
    kept = _kept(memory)
    found = kept.get("outlook")
    if not isinstance(found, list) or len(found) != 7:
        return None
    low, low_from, low_to, outside, hour, made_at, nights = found
    numbers = [x for x in (low, low_from, low_to, hour, made_at, nights) if isinstance(x, int | float)]
    if len(numbers) != 6:
        return None
    out = float(outside) if isinstance(outside, int | float) else None
    return Outlook(numbers[0], numbers[1], numbers[2], out, int(numbers[3]), numbers[4], int(numbers[5]))


def local_hour(state: State, at: float) -> float | None:
    """Hour of the local day, 0 to 24; None while no clock was ever trusted. Off by one in the night of a clock change."""
    return None if state.day is None else 24.0 - (state.day_ends_at - at) / 3600.0


def watch(plan: PenPlan, pen: PenState, view: View, state: State) -> Mapping[str, Json]:
    """The pen's memory with this minute taken in. Called on the minute grid only."""
    hour = local_hour(state, view.at)
    if hour is None or view.warmest is None or not (hour >= HOURS[0] - 0.2 or hour <= NIGHT_TO_H + 0.2):
        return pen.memory
    kept = dict(_kept(pen.memory))
    inside = _soft(kept, "inside", view.warmest.value, view.at)
    outside = None if view.outside is None else _soft(kept, "outside", view.outside.value, view.at)
    kept["at"] = view.at
    cold = pen.alarms.get(f"{plan.pen.name}/birds_cold")
    if cold is not None and cold.standing:
        kept["outlook"] = None  # it has come true: its own alarm speaks now
    if hour >= NIGHT_FROM_H or hour < NIGHT_TO_H:
        kept["low"] = _least(kept.get("low"), inside)
        kept["outside_low"] = _least(kept.get("outside_low"), outside)
    for whole in HOURS:
        if 0.0 <= hour - whole < 1.0 / 60.0 and kept.get("told") != [state.day, whole]:
            kept["told"] = [state.day, whole]
            _tell(plan, pen, view, kept, whole, inside, outside)
    if 0.0 <= hour - NIGHT_TO_H < 0.1 and kept.get("low") is not None:
        _close(kept)
    return {**pen.memory, "night": kept}


def _kept(memory: Mapping[str, Json]) -> dict[str, Json]:
    found = memory.get("night")
    return found if isinstance(found, dict) else {}


def _soft(kept: dict[str, Json], name: str, value: float, at: float) -> float:
    """Mean over about five minutes, begun anew after a gap."""
    before, then = kept.get(name), kept.get("at")
    fresh = isinstance(before, int | float) and isinstance(then, int | float) and at - then <= 600.0
    found = round(before + 0.2 * (value - before), 3) if fresh and isinstance(before, int | float) else round(value, 3)
    kept[name] = found
    return found


def _least(known: Json, value: float | None) -> Json:
    if value is None:
        return known
    return min(known, value) if isinstance(known, int | float) else value


def _tell(
    plan: PenPlan, pen: PenState, view: View, kept: dict[str, Json], whole: int, inside: float, outside: float | None
) -> None:
    """Note this evening's hour, and the outlook at it."""
    dew = None if outside is None else _dew_c(plan, pen, view, outside)
    evenings = dict(found) if isinstance(found := kept.get("evening"), dict) and whole != HOURS[0] else {}
    evenings[str(whole)] = [inside, outside, dew]
    kept["evening"] = evenings
    if whole == HOURS[0]:
        kept["low"] = kept["outside_low"] = None
    nights = _nights(kept, whole)
    if len(nights) < LEAST_NIGHTS:
        kept["outlook"] = None
        return
    low, outside_low = expected_low_c(Evening(inside, outside, dew), nights, _forecast_c(plan, pen, view))
    half = NINE_IN_TEN * spread_c(_errors(kept))
    out = None if outside_low is None else round(outside_low, 2)
    kept["outlook"] = [round(low, 2), round(low - half, 2), round(low + half, 2), out, whole, view.at, len(nights)]
    if whole == 21:
        kept["foretold"] = round(low, 3)


def _close(kept: dict[str, Json]) -> None:
    """Morning: the night is one of the last nights, and its forecast has an error."""
    low, foretold = kept.get("low"), kept.get("foretold")
    past = found if isinstance(found := kept.get("nights"), list) else []
    night: Json = {"low": low, "outside_low": kept.get("outside_low"), "evening": kept.get("evening") or {}}
    kept["nights"] = [*past, night][-NIGHTS_KEPT:]
    if isinstance(foretold, int | float) and isinstance(low, int | float):
        errors: list[Json] = [*_errors(kept), round(foretold - low, 3)]
        kept["errors"] = errors[-ERRORS_KEPT:]
    kept["low"] = kept["outside_low"] = kept["foretold"] = kept["outlook"] = kept["evening"] = None


def _errors(kept: Mapping[str, Json]) -> list[float]:
    found = kept.get("errors")
    return [float(e) for e in found if isinstance(e, int | float)] if isinstance(found, list) else []


def _nights(kept: Mapping[str, Json], whole: int) -> list[PastNight]:
    found = kept.get("nights")
    out = []
    for night in found if isinstance(found, list) else []:
        if not isinstance(night, dict):
            continue
        evening = night.get("evening")
        at_hour = evening.get(str(whole)) if isinstance(evening, dict) else None
        low = _number(night.get("low"))
        if not isinstance(at_hour, list) or len(at_hour) != 3 or low is None:
            continue
        inside, outside, dew = map(_number, at_hour)
        if inside is not None:
            out.append(PastNight(Evening(inside, outside, dew), low, _number(night.get("outside_low"))))
    return out


def _number(value: Json) -> float | None:
    return float(value) if isinstance(value, int | float) else None


def _dew_c(plan: PenPlan, pen: PenState, view: View, outside_c: float) -> float | None:
    for sensor in plan.outside_humidity:
        value = pen.sensors[sensor.key].value
        if view.healths.get(sensor.key) is Health.BELIEVED and value is not None and -40.0 <= outside_c <= 45.0:
            humidity = psychrometrics.over_ice_pct(outside_c, min(max(value, 5.0), 100.0))
            return round(min(outside_c, psychrometrics.dew_point_c(outside_c, min(humidity, 100.0))), 3)
    return None


def _forecast_c(plan: PenPlan, pen: PenState, view: View) -> float | None:
    for sensor in plan.forecast_low:
        value = pen.sensors[sensor.key].value
        if view.healths.get(sensor.key) is Health.BELIEVED and value is not None:
            return value
    return None


def condition(plan: PenPlan, pen: PenState, view: View) -> Condition | None:
    """Will the birds be too cold before morning?"""
    limit = plan.pen.limits.alarms.get("cold_by_morning")
    if limit is None:
        return None
    outlook = tonight(pen.memory)
    if outlook is None or view.warmth is None:
        return Condition("cold_by_morning", "", False, limit, dict, limit.priority)
    warmth, band = view.warmth, view.warmth.band
    signal = None
    if outlook.low_c + BEYOND_SD * outlook.sd_c <= band.cold_c:
        signal = True
    elif outlook.low_c >= band.cold_c + CLEAR_K:
        signal = False
    value = None if view.warmest is None else round(view.warmest.value, 3)
    standing = [f"{plan.pen.name}/{n}" for n in ("mains_lost", "heat_failing")]
    covered = next((key for key in standing if (record := pen.alarms.get(key)) is not None and record.standing), "")
    return Condition(
        "cold_by_morning",
        "",
        signal,
        limit,
        lambda: {
            "value": value,
            "unit": SI_UNIT[Measure.TEMPERATURE],
            "limit": round(band.cold_c, 3),
            "clears_at": round(band.cold_c + CLEAR_K, 3),
            "reaches": outlook.low_c,
            "from": outlook.from_c,
            "to": outlook.to_c,
            "outside_low": outlook.outside_low_c,
            "nights": outlook.nights,
            "age_days": warmth.age_days,
            "target_low": band.target_low_c,
            "target_high": band.target_high_c,
            "source": band.source,
            "note": f"low foreseen from the last {outlook.nights} nights; nine in ten such nights lie between the two ends given",
        },
        limit.priority if limit.priority is not Priority.URGENT else Priority.HIGH,
        outlook.low_c,
        covered,
    )
