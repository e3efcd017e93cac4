"""Litter periods: what the journal divides, and each night of a period at matched hours. Pure.

Rules of this file: a night is the hours from ten in the evening to eight in the morning, local time, when
doors are shut and nobody stirs the litter: the same hours every day, so that nights compare. A night belongs
to the day of its dawn. The day after litter was worked is left out: a turned cake gives off for hours.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from statistics import fmean, median
from zoneinfo import ZoneInfo

from monitor.air import litter
from monitor.air.psychrometrics import pressure_at_altitude_pa
from monitor.engine.events import JournalEntry
from monitor.engine.specification import Pen
from monitor.review.airflow import HOUR_MS, Blowing, FanRun, Through, blowing_by_hour, known_from_ms, through

LITTER_WORDS = ("litter changed", "litter topped", "litter turned")
DAY_MS = 24 * HOUR_MS
EVENING, MORNING = 22, 8  # local hours of the matched night
DAWN_FROM, DAWN_TO = 3, 9  # the daily peak lies here: most ammonia at six (Atapattu 2017), fewest air changes in the cold
LEAST_HOURS = 5  # of the night's ten; fewer are no night
SETTLES_MS = DAY_MS  # after litter was worked
LITTER_FOLLOWS_H = 12.0  # time constant behind the room; our own assumption
TEMPERATURE_WHEN_UNKNOWN_C = 12.0  # for turning ppm into mg; 10 K off costs 3.5 %

Points = Sequence[tuple[int, float]]  # (time_ms, value) of stretches of an hour or less, in order


@dataclass(frozen=True, slots=True)
class Deed:
    """Litter work of the journal."""

    time_ms: int
    what: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class Night:
    """One night at matched hours.

    Attributes:
        day: of the dawn.
        time_ms: middle of the hours that count.
        hours: how many count.
        ppm: mean ammonia.
        dawn_ppm: highest hourly mean around dawn; None when those hours are missing.
        temperature_c: mean of the room, None when not measured.
        litter_c: of the litter, which follows the room in half a day; None when the room is not measured.
        fan_share: of the time that the fan ran; None while that is not known.
        airflow_m3_h: through the pen; None when it cannot be known.
        leakage_m3_h: of it, through cracks while the fan rests.
        emission_mg_h, emission_unsure_mg_h: given off by the litter, and one standard uncertainty of the airflow's making.
    """

    day: date
    time_ms: int
    hours: int
    ppm: float
    dawn_ppm: float | None
    temperature_c: float | None
    litter_c: float | None
    fan_share: float | None
    airflow_m3_h: float | None
    leakage_m3_h: float | None
    emission_mg_h: float | None
    emission_unsure_mg_h: float | None


@dataclass(frozen=True, slots=True)
class Stretch:
    """One litter period as the journal bounds it."""

    began_ms: int
    ended_ms: int | None  # None: it still lasts
    what: str  # the deed it began with, or "first readings"
    nights: tuple[Night, ...]

    def day_of(self, night: Night) -> float:
        """Days since the period began, to the middle of the night."""
        return (night.time_ms - self.began_ms) / DAY_MS


@dataclass(frozen=True, slots=True)
class _Hour:
    time_ms: int
    ppm: float
    temperature_c: float | None
    litter_c: float | None
    blowing: Blowing | None
    air: Through | None
    emission_mg_h: float | None
    unsure_mg_h: float | None


def deeds(journal: Iterable[JournalEntry], pen: str) -> list[Deed]:
    """Dated litter work of this pen, oldest first; two entries of one kind within an hour are one."""
    found: list[Deed] = []
    entries = sorted((e for e in journal if e.wall_ms is not None), key=lambda e: e.wall_ms or 0)
    for entry in entries:
        if entry.pen != pen or entry.what not in LITTER_WORDS or entry.wall_ms is None:
            continue
        if found and found[-1].what == entry.what and entry.wall_ms - found[-1].time_ms < HOUR_MS:
            continue
        found.append(Deed(entry.wall_ms, entry.what, entry.note))
    return found


def nights(
    pen: Pen,
    timezone: str,
    altitude_m: float,
    ammonia: Points,
    warmth: Points,
    fan_runs: Sequence[FanRun],
    now_ms: int,
    outside: Points = (),
    worked_ms: Sequence[int] = (),
) -> list[Night]:
    """Every night with enough matched hours, oldest first.

    Args:
        pen: its size, fan, duct and leakage.
        timezone: of the site; nights are local.
        altitude_m: for the weight of a ppm.
        ammonia: ppm; warmth: of the room, °C; outside: °C, may be missing.
        fan_runs: when the fan was told to run, in order. Before the first of them the fan is not known.
        now_ms: nothing later counts.
        worked_ms: when litter was worked; hours within a day after are left out.
    """
    zone = ZoneInfo(timezone)
    told = _hours(pen, altitude_m, ammonia, warmth, fan_runs, outside, now_ms)
    by_day: dict[date, list[_Hour]] = {}
    dawns: dict[date, float] = {}
    for hour in told:
        local = datetime.fromtimestamp(hour.time_ms / 1000, zone)
        day = local.date() + timedelta(days=1) if local.hour >= EVENING else local.date()
        if DAWN_FROM <= local.hour < DAWN_TO:
            dawns[day] = max(dawns.get(day, hour.ppm), hour.ppm)
        if local.hour >= EVENING or local.hour < MORNING:
            by_day.setdefault(day, []).append(hour)
    found = []
    for day, hours in sorted(by_day.items()):
        settled = [h for h in hours if not any(0 <= h.time_ms - worked < SETTLES_MS for worked in worked_ms)]
        if len(settled) >= LEAST_HOURS:
            found.append(_night(day, settled, dawns.get(day)))
    return found


def _night(day: date, hours: Sequence[_Hour], dawn_ppm: float | None) -> Night:
    temperatures = [h.temperature_c for h in hours if h.temperature_c is not None]
    beds = [h.litter_c for h in hours if h.litter_c is not None]
    shares = [h.blowing.share for h in hours if h.blowing is not None]
    airs = [h.air for h in hours if h.air is not None]
    emissions = [h.emission_mg_h for h in hours if h.emission_mg_h is not None]
    unsure = [h.unsure_mg_h for h in hours if h.unsure_mg_h is not None]
    whole = len(hours)
    return Night(
        day,
        round(fmean(h.time_ms for h in hours)) + HOUR_MS // 2,
        whole,
        fmean(h.ppm for h in hours),
        dawn_ppm,
        fmean(temperatures) if temperatures else None,
        fmean(beds) if beds else None,
        fmean(shares) if len(shares) == whole else None,
        fmean(air.airflow_m3_h for air in airs) if len(airs) == whole else None,
        fmean(air.leakage_m3_h for air in airs) if len(airs) == whole else None,
        fmean(emissions) if len(emissions) == whole else None,
        fmean(unsure) if len(unsure) == whole else None,
    )


def _hours(
    pen: Pen, altitude_m: float, ammonia: Points, warmth: Points, fan_runs: Sequence[FanRun], outside: Points, now_ms: int
) -> list[_Hour]:
    levels = by_hour(ammonia, now_ms)
    rooms, yards = by_hour(warmth, now_ms), by_hour(outside, now_ms)
    beds = _following(rooms)
    blowing = blowing_by_hour(pen, fan_runs)
    begun = known_from_ms(fan_runs)
    pressure = min(max(pressure_at_altitude_pa(altitude_m), 50_000.0), 110_000.0)
    found = []
    for time_ms in sorted(levels):
        ppm = min(max(levels[time_ms], 0.0), litter.HIGHEST_PPM)
        inside = rooms.get(time_ms)
        blows = _blowing(pen, blowing, begun, time_ms)
        air = None if blows is None else through(pen, blows, inside, yards.get(time_ms))
        emission = unsure = None
        if air is not None and air.airflow_m3_h > 0.0:
            given = litter.emission(
                ppm,
                _rate(levels, time_ms),
                min(air.airflow_m3_h, 360_000.0),
                min(max(pen.volume_m3, 0.1), 100_000.0),
                min(max(TEMPERATURE_WHEN_UNKNOWN_C if inside is None else inside, -40.0), 60.0),
                pressure_pa=pressure,
                airflow_uncertainty_m3_h=min(air.uncertainty_m3_h, 360_000.0),
            )
            emission, unsure = given.mg_h, given.standard_uncertainty_mg_h
        found.append(_Hour(time_ms, ppm, inside, beds.get(time_ms), blows, air, emission, unsure))
    return found


def _following(rooms: dict[int, float]) -> dict[int, float]:
    """The litter's warmth, first order behind the room's; a gap of six hours begins anew."""
    found: dict[int, float] = {}
    last: tuple[int, float] | None = None
    for time_ms in sorted(rooms):
        if last is None or time_ms - last[0] > 6 * HOUR_MS:
            value = rooms[time_ms]
        else:
            hours = (time_ms - last[0]) / HOUR_MS
            value = last[1] + (rooms[time_ms] - last[1]) * (1.0 - math.exp(-hours / LITTER_FOLLOWS_H))
        found[time_ms] = value
        last = (time_ms, value)
    return found


def _blowing(pen: Pen, blowing: dict[int, Blowing], begun: int | None, time_ms: int) -> Blowing | None:
    if pen.fan is None:
        return Blowing(0.0, None)
    if begun is None or time_ms + HOUR_MS <= begun:
        return None
    return blowing.get(time_ms, Blowing(0.0, None))


def by_hour(points: Points, now_ms: int) -> dict[int, float]:
    """Means by the hour's first millisecond, of stretches of an hour or less; the future is left out."""
    sums: dict[int, tuple[float, int]] = {}
    for time_ms, value in points:
        if time_ms < now_ms:
            hour = time_ms // HOUR_MS * HOUR_MS
            total, count = sums.get(hour, (0.0, 0))
            sums[hour] = (total + value, count + 1)
    return {hour: total / count for hour, (total, count) in sums.items()}


def _rate(levels: dict[int, float], time_ms: int) -> float:
    """ppm an hour over the neighbours; 0 where one is missing."""
    before, after = levels.get(time_ms - HOUR_MS), levels.get(time_ms + HOUR_MS)
    return 0.0 if before is None or after is None else min(max((after - before) / 2.0, -1e5), 1e5)


def stretches(worked: Sequence[Deed], told: Sequence[Night]) -> list[Stretch]:
    """The periods between litter work, oldest first; what lies before the first deed begins with the first night.

    A night belongs to the period its middle lies in.
    """
    bounds = [(deed.time_ms, deed.what) for deed in worked]
    if told and (not bounds or told[0].time_ms < bounds[0][0]):
        bounds.insert(0, (told[0].time_ms - told[0].hours * HOUR_MS // 2, "first readings"))
    found = []
    for index, (began, what) in enumerate(bounds):
        ended = bounds[index + 1][0] if index + 1 < len(bounds) else None
        within = tuple(n for n in told if n.time_ms >= began and (ended is None or n.time_ms < ended))
        found.append(Stretch(began, ended, what, within))
    return found


def typical(values: Iterable[float | None]) -> float | None:
    """The median of what is known; None when nothing is."""
    known = [value for value in values if value is not None]
    return median(known) if known else None
