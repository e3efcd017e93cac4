"""Which way the last weeks went: night lows, humidity, fan hours. Pure.

Rules of this file: one figure a local calendar day; a day with fewer than LEAST_HOURS of readings is no day;
the slope is robust, and its interval widened for weather that comes in spells.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum
from zoneinfo import ZoneInfo

from monitor.air.units import Kind, shown_number
from monitor.engine.events import Json
from monitor.review.airflow import FanRun
from monitor.review.periods import Points
from monitor.review.robust import Interval, slope_interval

DAYS = 28
LEAST_DAYS = 7
LEAST_HOURS = 18


class Way(StrEnum):
    RISING = "rising"
    FALLING = "falling"
    NO_SURE_TREND = "no sure trend"
    TOO_FEW = "too few days"


@dataclass(frozen=True, slots=True)
class Day:
    """One local day; None was not measured or not for long enough."""

    day: date
    low_c: float | None
    humidity_pct: float | None
    fan_h: float | None


@dataclass(frozen=True, slots=True)
class Trend:
    """Slope a week with its interval, in the unit of the figure."""

    way: Way
    per_week: Interval | None
    days: int


@dataclass(frozen=True, slots=True)
class Trends:
    """The days, oldest first, and the three trends."""

    days: tuple[Day, ...]
    low_c: Trend
    humidity_pct: Trend
    fan_h: Trend


def trends(
    timezone: str, lows: Points, humidity: Points, fan_runs: Sequence[FanRun], now_ms: int, days: int = DAYS, has_fan: bool = True
) -> Trends:
    """The last whole days before today.

    Args:
        timezone: of the site.
        lows: (time_ms, lowest °C of that hour); humidity: (time_ms, mean % of that hour).
        fan_runs: when the fan was told to run, in order; before the first of them nothing is known.
        now_ms: today is not counted, for it is not over.
        days: how many.
        has_fan: False gives no fan hours.
    """
    zone = ZoneInfo(timezone)
    today = datetime.fromtimestamp(now_ms / 1000, zone).date()
    wanted = [today - timedelta(days=back) for back in range(days, 0, -1)]
    coldest, damp = _by_day(lows, zone), _by_day(humidity, zone)
    ran = _fan_hours(fan_runs, wanted, zone) if has_fan else {}
    found = tuple(
        Day(
            day,
            min(coldest[day]) if len(coldest.get(day, ())) >= LEAST_HOURS else None,
            sum(damp[day]) / len(damp[day]) if len(damp.get(day, ())) >= LEAST_HOURS else None,
            ran.get(day),
        )
        for day in wanted
    )
    return Trends(found, trend([d.low_c for d in found]), trend([d.humidity_pct for d in found]), trend([d.fan_h for d in found]))


def days_at_least(timezone: str, highs: Points, limit_of: Callable[[date], float | None]) -> set[date]:
    """Local days on which a figure reached that day's limit; a day without a limit is none of them."""
    found = set()
    for day, values in _by_day(highs, ZoneInfo(timezone)).items():
        limit = limit_of(day)
        if limit is not None and max(values) >= limit:
            found.add(day)
    return found


def trend(values: Sequence[float | None]) -> Trend:
    """The slope of one figure a day; None leaves a gap."""
    known = [(float(index), value) for index, value in enumerate(values) if value is not None]
    if len(known) < LEAST_DAYS:
        return Trend(Way.TOO_FEW, None, len(known))
    daily = slope_interval([day for day, _ in known], [value for _, value in known])
    weekly = Interval(daily.best * 7.0, daily.low * 7.0, daily.high * 7.0)
    way = Way.NO_SURE_TREND
    if weekly.excludes_zero():
        way = Way.RISING if weekly.best > 0.0 else Way.FALLING
    return Trend(way, weekly, len(known))


def _by_day(points: Points, zone: ZoneInfo) -> dict[date, list[float]]:
    found: dict[date, list[float]] = {}
    for time_ms, value in points:
        found.setdefault(datetime.fromtimestamp(time_ms / 1000, zone).date(), []).append(value)
    return found


def _fan_hours(runs: Sequence[FanRun], wanted: Sequence[date], zone: ZoneInfo) -> dict[date, float]:
    """Hours of each wanted day from the first one that begins after the fan's doings are known."""
    if not runs or not wanted:
        return {}
    edges = [_midnight(day, zone) for day in (*wanted, wanted[-1] + timedelta(days=1))]
    ran = [0] * len(wanted)
    index = 0
    for run in runs:
        while index < len(wanted) and edges[index + 1] <= run.begin_ms:
            index += 1
        at = index
        while at < len(wanted) and edges[at] < run.end_ms:
            ran[at] += max(0, min(run.end_ms, edges[at + 1]) - max(run.begin_ms, edges[at]))
            at += 1
    return {
        day: milliseconds / 3_600_000.0
        for day, milliseconds, begins in zip(wanted, ran, edges, strict=False)
        if begins >= runs[0].begin_ms
    }


def _midnight(day: date, zone: ZoneInfo) -> int:
    return round(datetime(day.year, day.month, day.day, tzinfo=zone).timestamp() * 1000)


def sentences(found: Trends, units: str) -> list[str]:
    """One line a figure, in the keeper's units."""
    gain = shown_number(1.0, Kind.TEMPERATURE_DIFFERENCE, units)
    degrees = "°F" if units == "us" else "°C"
    said = []
    for name, one, factor, unit in (
        ("Night lows", found.low_c, gain, degrees),
        ("Humidity", found.humidity_pct, 1.0, "%"),
        ("Fan", found.fan_h, 1.0, "h a day"),
    ):
        if one.per_week is None:
            said.append(f"{name}: too few days for a trend ({one.days} of {LEAST_DAYS}).")
            continue
        best, low, high = (
            f"{each * factor:+.1f}".replace("-", "−") for each in (one.per_week.best, one.per_week.low, one.per_week.high)
        )
        said.append(f"{name}: {one.way}, {best} {unit} in a week ({low} to {high}, {one.days} days).")
    return said


def as_json(found: Trends, units: str) -> dict[str, Json]:
    """SI figures by day, with the sentences."""

    def one(trend: Trend) -> Json:
        slope = trend.per_week
        return {
            "way": trend.way,
            "per_week": None
            if slope is None
            else {"best": round(slope.best, 3), "low": round(slope.low, 3), "high": round(slope.high, 3)},
            "days": trend.days,
        }

    def rounded(value: float | None) -> float | None:
        return None if value is None else round(value, 2)

    return {
        "date": [d.day.isoformat() for d in found.days],
        "low_c": [rounded(d.low_c) for d in found.days],
        "humidity_pct": [rounded(d.humidity_pct) for d in found.days],
        "fan_h": [rounded(d.fan_h) for d in found.days],
        "trend_low_c": one(found.low_c),
        "trend_humidity_pct": one(found.humidity_pct),
        "trend_fan_h": one(found.fan_h),
        "sentences": list(sentences(found, units)),
    }
