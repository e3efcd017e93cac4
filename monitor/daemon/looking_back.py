"""What the API asks of `review`: figures gathered from the store and the state, the reckoning done there."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

from monitor.engine.events import Json
from monitor.engine.plan import day_as_date
from monitor.engine.specification import Measure, Place, Specification
from monitor.engine.state import State
from monitor.review import calendar as dates
from monitor.review.sheet_text import as_json
from monitor.review.sizing import draw_up
from monitor.store.failures import StoreFailing
from monitor.store.reader import Reader

HOUR_MS = 3_600_000
YEAR_MS = 365 * 24 * HOUR_MS
YEAR_H, WEEK_H, DAY_H = 365 * 24, 7 * 24, 24


def today(state: State, specification: Specification, wall_ms: int | None) -> date | None:
    """The local calendar day, by the engine if it knows one."""
    if state.day is not None:
        return day_as_date(state.day)
    if wall_ms is None:
        return None
    return datetime.fromtimestamp(wall_ms / 1000, UTC).astimezone(ZoneInfo(specification.timezone)).date()


def outside_extremes(reader: Reader, specification: Specification, pen: str, now_ms: int) -> tuple[float, float] | None:
    """Coldest and warmest hourly mean of the outside thermometers in the year past, °C; None for less than a week of them.

    Means, for a single reading may be a fault or a ray of sun. The pen's own sensors, else those of the site.
    """
    outside = [s for s in specification.sensors.values() if s.measures is Measure.TEMPERATURE and s.place is Place.OUTSIDE]
    chosen = [s for s in outside if s.pen == pen] or outside
    means = [b.mean for s in chosen for b in reader.series(s.key, now_ms - YEAR_MS, now_ms, YEAR_H) if b.n]
    return (min(means), max(means)) if len(means) >= WEEK_H else None


def ventilation(reader: Reader, specification: Specification, state: State, pen: str, wall_ms: int | None) -> Json:
    """The ventilation sheet of one pen."""
    day = today(state, specification, wall_ms)
    if day is None:
        return {"sentence": "The sheet waits for a trusted clock: the birds' age is not known."}
    seen = None
    if wall_ms is not None:
        try:
            seen = outside_extremes(reader, specification, pen, wall_ms)
        except StoreFailing:
            seen = None  # the page says elsewhere that the store fails; the settings' extremes serve
    sheet = draw_up(specification, pen, state.pens[pen].counts, day, seen)
    return as_json(sheet, specification.units)


def calendar(reader: Reader, specification: Specification, state: State, wall_ms: int | None) -> Json:
    """What each flock wants next."""
    day = today(state, specification, wall_ms)
    if day is None:
        return []
    counts: Mapping[str, Mapping[str, int]] = {name: pen.counts for name, pen in state.pens.items()}
    coldest = None
    if wall_ms is not None:
        try:
            coldest = coldest_outside(reader, specification, wall_ms)
        except StoreFailing:
            coldest = None  # not known: then no heat is said to be due off
    return dates.as_json(dates.calendar(specification, counts, day, coldest))


def coldest_outside(reader: Reader, specification: Specification, now_ms: int) -> float | None:
    """Coldest hourly mean of any outside thermometer in the past day and night, °C; None where hours of it are missing.

    A mild afternoon, or a thermometer that fell silent on one, is no reason to take the heat away.
    """
    outside = [s for s in specification.sensors.values() if s.measures is Measure.TEMPERATURE and s.place is Place.OUTSIDE]
    hours = [
        [bucket.mean for bucket in reader.series(s.key, now_ms - DAY_H * HOUR_MS, now_ms, DAY_H) if bucket.n] for s in outside
    ]
    whole = [means for means in hours if len(means) >= DAY_H - 2]
    return min((min(means) for means in whole), default=None)
